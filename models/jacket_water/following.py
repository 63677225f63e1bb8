"""A heater that is always on and has no thermostat in reach: its water follows the air, a fixed excess above it.

In: one unit's cells, the normal. Out: its excess, and whether heat is missing. May import: numpy, models. Touches
nothing.

Small plug heaters of constant power hold no temperature: T = low-pass of the air + E with E = h tau (newton.py, duty
1). Such water goes down with a cold week, and nothing has failed; and it may stand high in summer without heat. So it
is judged by the share of its usual heat that it still shows: over hours for no heat, over a day for too little.
"""

from dataclasses import dataclass

import numpy as np

from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal
from models.seen import Bool
from models.windows import CELLS_A_DAY, Float64

TIME_CONSTANTS_H = np.array([2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0])
SETTLED_H = 24.0  # after a run, until its heat is gone from the block (3-12 h, common practice)
EXCESS_K_LEAST = 8.0  # K: less may be sun, or a warm wall (our choice)
DAYS_LEAST = 5.0
DAYS_LEAST_CHANGED = 10.0  # where a thermostat was known before: a weak heater's water follows the air too (our choice)
SCATTER_SHARE = 0.14  # of the excess: wind, sun and doors (our choice)
SCATTER_K = 1.2  # K, at least
STEADIER = (0.75, 1.0)  # than the water itself, else it is held and not led by the air: to begin, to go on (our choice)
ROUGHLY, TALLEST_K = 2.0, 45.0  # a first look, at the greatest excess that such heaters give (our choice)
IN_STEP = (0.6, 1.4)  # K of water a K of felt air; 1 by the physics (our choice)
AS_GOOD = 1.15  # time constants that leave so much more scatter than the best are as good (our choice)
FAST_CELLS, SLOW_CELLS = 30, 144  # 5 h for no heat, a day for too little
FAST_CELLS_LEAST, SLOW_CELLS_LEAST = 18, 96
LOG_ODDS_FAILED, LOG_ODDS_WEAK = -6.0, -7.0  # in a given spell (our choice)
WEIGHT_MAX = 12.0
SHARE_SD = 0.12  # of the heat, besides what the unit's own scatter tells: wind and sun of a day (our choice)
WEAK_SHARE = (0.25, 0.72)  # of a heater's usual heat, as shortfall.WEAK_SHARE; mains volts alone leave more
NONE_SHARE = 0.2  # of its heat that a block without any may seem to have: a wall, the sun (our choice)


@dataclass(frozen=True, slots=True)
class Follows:
    """excess: of the water over the air's low-pass, K, NaN: the air does not lead it. sd: its scatter, K.
    time_constant_h: of the low-pass, h.
    """

    excess: float
    sd: float
    time_constant_h: float


NOT_LED = Follows(np.nan, np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class Missing:
    """Chances 0..1 of no heat and of too little, NaN: cannot be judged. share: of the usual heat; NaN: not told."""

    failed: float
    weak: float
    share: float


def follows(
    water: Float64, air: Float64, settled: Bool, *, former_h: float, known_so: bool, days_least: float
) -> Follows | None:
    """How one unit's water follows the air, if it does; None where it is not known for `days_least` days.

    Args:
        water, air: Cel, [cell]. settled: bool [cell], cells that may tell: no run, none lately, nothing suspect.
        former_h: time constant that was known, h; known_so: that it follows the air was known before.
    """
    known = settled & ~np.isnan(water) & ~np.isnan(air)
    if known.sum() < days_least * CELLS_A_DAY:
        return None
    hours = TIME_CONSTANTS_H.tolist()
    if _over(water, air, known, hours[len(hours) // 2])[1] > ROUGHLY * max(SCATTER_K, SCATTER_SHARE * TALLEST_K):
        return NOT_LED
    told = [_over(water, air, known, time_constant_h) for time_constant_h in hours]
    best = min(sd for _, sd, _ in told)
    as_good = [one for one in told if one[1] <= AS_GOOD * best]
    excess, sd, time_constant_h = min(as_good, key=lambda one: abs(np.log(one[2] / former_h)))
    steady = sd <= max(SCATTER_K, SCATTER_SHARE * excess) and sd <= STEADIER[known_so] * _middle(water[known])[1]
    if not steady or excess < EXCESS_K_LEAST or not (known_so or _in_step(water, air, known, time_constant_h)):
        return NOT_LED
    return Follows(excess, sd, float(time_constant_h))


def _over(water: Float64, air: Float64, known: Bool, time_constant_h: float) -> tuple[float, float, float]:
    """Excess over the air's low-pass and its scatter, K, and the time constant, h."""
    return (*_middle((water - low_pass(air, time_constant_h))[known]), time_constant_h)


def _in_step(water: Float64, air: Float64, known: Bool, time_constant_h: float) -> bool:
    """Whether the water goes up and down by as much as the air's low-pass does: a thermostat's does not."""
    felt = low_pass(air, time_constant_h)[known]
    moved = felt - felt.mean()
    power = float((moved**2).mean())
    return power > 0 and IN_STEP[0] <= float((moved * water[known]).mean()) / power <= IN_STEP[1]


def low_pass(air: Float64, time_constant_h: float) -> Float64:
    """Air as a block of a time constant feels it, Cel, [cell]; gaps hold what it felt before.

    Source: first-order lag, exact for an air that is constant within a cell.
    """
    known = np.flatnonzero(~np.isnan(air))
    if not len(known):
        return air
    step = -np.expm1(-CELL_H / time_constant_h)
    felt = float(air[known[0]])
    out = np.empty(len(air))
    for cell, value in enumerate(air.tolist()):
        if value == value:
            felt += step * (value - felt)
        out[cell] = felt
    return out


def missing(late: Lately, normal: WaterNormal) -> Missing:
    """Whether heat is missing at a unit whose water follows the air.

    Args:
        late: what the water did. normal: of the unit, whose `follows_k` is known.
    """
    fast, fast_sd = _share(late, normal, FAST_CELLS, FAST_CELLS_LEAST)
    slow, slow_sd = _share(late, normal, SLOW_CELLS, SLOW_CELLS_LEAST)
    if np.isnan(fast):
        return Missing(np.nan, np.nan, np.nan)
    none = _missed(fast, fast_sd) - _off(fast, fast_sd, 0.0, NONE_SHARE)
    if np.isnan(slow):
        return Missing(_chance(LOG_ODDS_FAILED + none), np.nan, fast)
    none = max(none, _missed(slow, slow_sd) - _off(slow, slow_sd, 0.0, NONE_SHARE))
    failed = _chance(LOG_ODDS_FAILED + none)
    weak = _chance(LOG_ODDS_WEAK + _missed(slow, slow_sd) - 2 * _off(slow, slow_sd, *WEAK_SHARE))
    return Missing(failed, weak * (1 - failed), fast if failed > weak else slow)


def _share(late: Lately, normal: WaterNormal, cells: int, least: int) -> tuple[float, float]:
    """Share of the usual heat that a span showed, and its standard deviation; NaN where it was not seen whole.

    Over a span the water goes from where it was toward air + excess, by 1 - exp(-span / time constant) of the way.
    """
    begin = max(late.last - cells, 0)
    begin += int(np.argmax(~np.isnan(late.mean[begin : late.last + 1])))
    span = slice(begin, late.last + 1)
    if late.air_told or late.last - begin < least or late.running[span].any():
        return np.nan, np.nan
    if late.after_run_h[begin] < SETTLED_H / 2:
        return np.nan, np.nan  # the engine's own heat is in it still
    air = late.air[span]
    if np.isnan(air).mean() > 0.3:
        return np.nan, np.nan
    left = float(np.exp(-(late.last - begin) * CELL_H / normal.follows_h))
    felt = low_pass(np.concatenate(([late.value(begin)], air[1:])), normal.follows_h)[-1]
    usual = normal.follows_k * (1 - left)
    sd = float(np.hypot(normal.follows_sd * np.sqrt(1 + left**2), max(normal.resolution, normal.noise)))
    return float((late.value(late.last) - felt) / usual), float(np.hypot(SHARE_SD, sd / usual))


def _missed(share: float, sd: float) -> float:
    """Weight against a sound heater."""
    return min(max(1.0 - share, 0.0) ** 2 / (2 * sd**2), WEIGHT_MAX)


def _off(share: float, sd: float, low: float, high: float) -> float:
    """Weight against a share that lies between two, half as sharp: what a broken heater still gives nobody knows."""
    return float(max(low - share, share - high, 0.0) ** 2 / (2 * sd**2)) / 2


def _chance(odds: float) -> float:
    return float(1 / (1 + np.exp(-odds)))


def _middle(values: Float64) -> tuple[float, float]:
    """Median and the standard deviation as the median deviation tells it (shared trade facts, section 9)."""
    middle = float(np.median(values))
    return middle, float(1.482602 * np.median(np.abs(values - middle)))
