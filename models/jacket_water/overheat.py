"""Too much heat: a heater that stays on above its cut-out.

In: what the water did lately, the normal. Out: a chance. May import: numpy, models. Touches nothing.
"""

import numpy as np

from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

AFTER_RUN_H = 4.0  # heat soaks from the hot engine into the water (masks of shared trade facts, section 2)
OVER_K = 4.0  # K above the cut-out before anything is weighed
SET_POINT_K = 12.0  # K that somebody may have turned a thermostat up by (our choice: 5-10 K are usual)
SET_POINT_CEL = 60.0  # and no thermostat for standby is set above this (27-60 are met)
LEVEL_K = 1.5  # K of temperature for a unit of log odds
LOG_ODDS = -6.0
LOG_ODDS_UNLEARNED = -2.0
LOG_ODDS_RUN = -1.5
SPAN_CELLS = 18
LOSS_SHARE = 0.25
HEAT_FLOOR_K = 0.7
RISE_K = 3.0  # K risen without a run is heat, whatever the balance says
STEADY_CELLS = 72  # 12 h above the cut-out without a cycle: no thermostat is at work
UNSEEN_RISE_K = 8.0  # K: more at once, and faster than the heater can, is an engine that ran unnoticed (our choice)
UNSEEN_FASTER = 1.2  # than what the heater does where the sensor is, known to some 15 %, and net of any loss
UNSEEN_K_PER_H = 12.0  # and at least so fast; where the heating is not known well, twice that (our choice)
UNSEEN_HELD = 3  # readings apart at most
COOLING_SLOWER = 1.6  # a run's own heat is gone after so many times the learned cooling


def stuck_on(late: Lately, normal: WaterNormal) -> float:
    """Chance that heat comes above the cut-out, 0..1; NaN while a run's heat hides it.

    Args:
        late: what the water did. normal: of the unit.
    """
    last = late.last
    highest = float(np.fmax(normal.cut_out, normal.highest))
    over = late.water - highest
    if late.running[last] or late.after_run_h[last] < AFTER_RUN_H:
        return np.nan
    if normal.follows:
        return 0.0  # always on by design: a warm day makes its water as warm
    if over < OVER_K or late.excess[last] < 8.0:
        return 0.0
    after_h = min(float(late.after_run_h[last]), _after_unseen_run_h(late, normal, highest))
    if after_h < AFTER_RUN_H:
        return np.nan
    begin = max(last - SPAN_CELLS, last - int(np.clip(after_h - 1.0, 0.0, SPAN_CELLS) / CELL_H))
    # a reading that is held says nothing of what the water did meanwhile
    read = begin + np.flatnonzero(late.read[begin : last + 1])
    if len(read) < 2:
        return np.nan
    begin, end = int(read[0]), int(read[-1])
    span = late.excess[begin : end + 1]
    hours = (end - begin) * CELL_H
    if hours < 0.5 or np.isnan(span).all():
        return np.nan
    lost = float(np.nanmean(span)) * hours / normal.time_constant_h
    gained = late.value(end) - late.value(begin) + lost
    cooling_spread = max(LOSS_SHARE, normal.time_constant_log_sd)
    soaked = after_h < _gone_h(late, normal)
    if soaked:
        cooling_spread = max(cooling_spread, 0.5)  # oil, block and exhaust still warm the water
    sd = float(np.sqrt(2 * normal.noise**2 + (cooling_spread * lost) ** 2 + HEAT_FLOOR_K**2))
    heat = min((max(gained, 0.0) ** 2 - max(lost - gained, 0.0) ** 2) / (2 * sd**2), 6.0)
    odds = LOG_ODDS + (LOG_ODDS_UNLEARNED if normal.days < 1 else 0.0) + (LOG_ODDS_RUN if soaked else 0.0)
    if late.value(end) - np.nanmin(late.mean[begin : end + 1]) >= RISE_K + 3 * normal.noise:
        heat = 6.0
    level = (late.water - max(SET_POINT_CEL, highest + normal.cut_out_sd + SET_POINT_K)) / LEVEL_K
    odds += heat + float(np.clip(level + 2.0, -6.0, 6.0))
    lately = late.mean[max(last - STEADY_CELLS, 0) : last + 1]
    falls = late.saw.whole & (late.saw.rise < 0) & (late.saw.end > last - STEADY_CELLS)
    steady = np.nanmin(lately) > highest + OVER_K and after_h > STEADY_CELLS * CELL_H + 12
    if steady and not falls.any() and not normal.flat and len(lately) > STEADY_CELLS:
        odds += 3.0
    return float(1 / (1 + np.exp(-odds)))


def _after_unseen_run_h(late: Lately, normal: WaterNormal, highest: float) -> float:
    """Hours since water was hottest after it rose past its cut-out as only an engine lifts it; inf: it did not.

    A gateway that reports on change or each half hour hides a run from those who look for one.
    """
    read = np.flatnonzero(late.read[: late.last + 1] & ~np.isnan(late.mean[: late.last + 1]))
    value = late.mean[read]
    own = UNSEEN_FASTER * float(np.fmax(normal.heating_k_per_h, normal.steep_k_per_h))
    fast = max(own, UNSEEN_K_PER_H * (2.0 if normal.flat or normal.heating_days < 1 else 1.0))
    jumped = -1
    for apart in range(1, UNSEEN_HELD + 1):
        rise = value[apart:] - value[:-apart]
        hours = (read[apart:] - read[:-apart]) * CELL_H
        jumps = (rise >= UNSEEN_RISE_K) & (rise > fast * hours) & (value[apart:] > highest + OVER_K)
        jumps &= value[:-apart] <= highest + OVER_K  # it began in the band; above it, a high-limit cut-out cycles
        if jumps.any():
            jumped = max(jumped, int(np.flatnonzero(jumps)[-1]) + apart)
    if jumped < 0:
        return np.inf
    hottest = jumped + int(np.argmax(value[jumped:]))
    return float(late.last - read[hottest]) * CELL_H


def _gone_h(late: Lately, normal: WaterNormal) -> float:
    """Hours after which a run's heat is surely gone from the water."""
    air = float(np.nanmean(late.air[-36:]))
    if normal.cut_out <= air + 2.0:
        return np.inf
    cooled = normal.time_constant_h * np.log(max(95.0 - air, 1.0) / (normal.cut_out - air))
    return COOLING_SLOWER * float(cooled) + 2.0
