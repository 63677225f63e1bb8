"""What is said of a charger, and until when a battery keeps: one unit at one instant.

In: one unit's hours, facts and what was learned of it. Out: what is said of charger_failed and charger_weak, forecasts,
when charging was lost. May import: numpy, models. Touches nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.battery import evidence, naming, recharge
from models.battery.chemistry import Chemistry
from models.battery.cranking import Cranking
from models.battery.evidence import chance
from models.battery.facts import OFF_H_LEAST, Facts
from models.battery.forecast import SLOPE_H_LEAST, STRIPPED_H, SURFACE_H, hours_to_least, told_slope
from models.battery.hours import CELLS_AN_HOUR, HOUR_NS, Hours
from models.battery.normal import DAY_NS, BatteryNormal
from models.battery.recharge import usual_h
from models.seen import Seen
from models.windows import CELL_NS, Float64

FAILED_CAUSES = (naming.NO_OUTPUT, naming.LOAD, naming.INTERMITTENT, naming.SAGGING, naming.SHORTED)
WEAK_CAUSES = (naming.SAGGING, "charger_weak/current_limit_falling", naming.INTERMITTENT, naming.LOAD)
WORTH_FORECAST = 0.15  # probability from which a forecast is reckoned; below nobody would read it
EARLY_H = 3.0  # off charge; from here on a steep fall shows, before the surface charge has gone


@dataclass(frozen=True, slots=True)
class Said:
    """What is said of one condition of one unit; as Opinion, without the unit axis."""

    probability: float
    measured: float = np.nan
    expected: float = np.nan
    causes: Mapping[str, float] = field(default_factory=dict)
    text: str = ""
    not_ready_h: Float64 = field(default_factory=lambda: np.full(3, np.nan))


def onset_of(seen: Seen, unit: int, facts: Facts, normal: BatteryNormal, chemistry: Chemistry) -> tuple[int, int]:
    """Last cell seen at float and first after it seen under it, ns UTC; 0, 0: not lost, or nobody saw it begin."""
    first = facts.since
    if not facts.off_h or not facts.fallen > 0.4 or first == 0 or facts.after_run_h < facts.off_h + 1:
        return 0, 0
    begin = max((first - 4) * CELLS_AN_HOUR, 0)
    offset = seen.battery.cells % CELLS_AN_HOUR
    near = max(0.1, 2.5 * float(np.nan_to_num(normal.spread, nan=0.08)), 1.2 * normal.resolution)
    expected = facts.volts_expected[first - 1] if first - 1 < len(facts.volts_expected) else facts.expected
    cells = slice(offset + begin, None)
    volts, count = seen.battery.mean[unit, cells], seen.battery.count[unit, cells]
    at = count > 0
    inside = np.flatnonzero(at & (volts >= expected - near) & (np.arange(len(volts)) < (first + 1 - begin // 6) * 6))
    if not len(inside):
        return 0, 0
    below = np.flatnonzero(at & (np.arange(len(volts)) > inside[-1]))
    if not len(below):
        return 0, 0
    cell = seen.battery.begin_cell + offset + begin
    return int(cell + inside[-1]) * CELL_NS, int(cell + below[0] + 1) * CELL_NS


def _at_rest(facts: Facts, hours: Hours) -> tuple[NDArray[np.intp], float]:
    """Hours off charge from which a drain can be told, the last or longest stretch, [n]; the first such volts."""
    index = facts.off_index
    surface_h = STRIPPED_H if facts.stripped else SURFACE_H
    for waits_h in (surface_h, min(surface_h, EARLY_H)):
        rested = index[(index - facts.since >= waits_h) & ~(hours.after_run_h[index] < surface_h)]
        if len(rested) >= 6:
            break
    index = rested
    if not len(index):
        return index, np.nan
    last_run = np.maximum.accumulate(np.where(hours.ran, np.arange(len(hours.ran)), -1))[index]
    stretches: list[NDArray[np.intp]] = [index[last_run == run] for run in np.unique(last_run)]
    seen = facts.since > 0 and surface_h <= index[0] - facts.since < 2.0 * surface_h + 1.0
    first = float(hours.volts[index[: 2 if facts.stripped else 4]].mean()) if seen else np.nan
    return stretches[-1] if len(stretches[-1]) >= 36 else max(stretches, key=len), first


def lost_hours(facts: Facts, hours: Hours, normal: BatteryNormal) -> float:
    """Hours since charging was lost; longer than the window: since the last day with a float."""
    if facts.since > 0 or not normal.days:
        return float(len(hours.volts) - facts.since)
    return max(float(len(hours.volts)), (hours.end_ns - (normal.days[-1].number + 1) * DAY_NS) / HOUR_NS)


def forecast(
    facts: Facts,
    hours: Hours,
    lost_h: float,
    said: Cranking,
    chemistry: Chemistry,
    drain_share: float,
    missing_volts: float = 0.0,
) -> Float64:
    """Hours until the unit would not crank, [3]; NaN where volts tell no charge and some is lost."""
    if not chemistry.tells_charge and drain_share > 0:
        return np.full(3, np.nan)
    index, first_volts = _at_rest(facts, hours)
    return hours_to_least(
        off_h=lost_h if drain_share > 0 else 0.0,
        rest_h=np.minimum(index + 0.5 - (len(hours.volts) - lost_h), hours.after_run_h[index]),
        rest_age_h=float(len(hours.volts) - 3 - index[-1]) if len(index) else 0.0,
        rest_volts=hours.volts[index],
        first_volts=first_volts,
        temperature=hours.temperature,
        temperature_known=facts.temperature_known,
        cranking=said,
        chemistry=chemistry,
        drain_share=drain_share,
        stripped=facts.stripped,
        missing_volts=missing_volts,
    )


def slope_a_day(facts: Facts, hours: Hours, chemistry: Chemistry) -> tuple[float, float]:
    """Fall of the volts once most of the surface charge has gone, V a day, and its spread; NaN: not off long enough.

    Args:
        facts: of the unit. hours: its hours. chemistry: of its battery.
    """
    index, _ = _at_rest(facts, hours)
    if len(index) < SLOPE_H_LEAST:
        return np.nan, np.nan
    since = np.minimum(index - facts.since + 0.5, hours.after_run_h[index])
    return told_slope(since, hours.volts[index], chemistry, stripped=facts.stripped)


def charger(
    facts: Facts,
    hours: Hours,
    lost_h: float,
    normal: BatteryNormal,
    chemistry: Chemistry,
    said: Cranking,
    short: float,
    ways: Sequence[tuple[int, float, bool]],
) -> tuple[Said, Said]:
    """What is said of charger_failed and charger_weak; ways: back to float after each crank, see recharge."""
    failed = evidence.failed_log_odds(facts, normal, chemistry)
    slope, slope_sd = slope_a_day(facts, hours, chemistry) if facts.off_h else (np.nan, np.nan)
    if facts.off_h and normal.lost_slope < np.nan_to_num(slope + slope_sd, nan=0.0):
        slope, slope_sd = normal.lost_slope, 0.0  # an empty battery no longer sinks; how it got there was seen
    # In a unit's first days the surface charge of a rest by habit sinks as steeply.
    steep = evidence.ramp(-(slope + slope_sd), *naming.LOAD_V_DAY) if facts.learned else 0.0
    least = OFF_H_LEAST if facts.learned else evidence.OFF_H_UNLEARNED
    p_failed = chance(failed + 4.0 * steep) * (1.0 - 0.9 * chance(short))
    if facts.off_h < least:
        p_failed = min(p_failed, evidence.UNBELIEVED)
    if facts.lifted:
        p_failed = np.nan
    sag = evidence.sagging(facts, hours, normal, chemistry)
    slow, taken = evidence.slow_recovery_log_odds(facts, hours, normal, chemistry)
    returning, back_h = recharge.slow_return_log_odds(ways, normal)
    lows = evidence.low_spells(facts, hours, normal, chemistry)
    coming, number = evidence.intermittent_log_odds(facts, lows, normal)
    by_crank = returning > slow
    parts = np.array([chance(sag.log_odds), chance(max(slow, returning)), chance(coming)])
    p_weak = float(1.0 - np.prod(1.0 - parts)) * (1.0 - np.nan_to_num(p_failed, nan=1.0)) * (1.0 - chance(short))
    shares = parts / max(parts.sum(), 1e-9) * p_weak
    failed_text = weak_text = ""
    where = f"battery {facts.volts:.2f} V, float {facts.expected:.2f} V" + ("" if facts.learned else " (assumed)")
    if facts.stuck:
        failed_text = weak_text = (
            f"{where}: the voltage does not move at all though it used to; suspect its sensor first"
        )
    elif facts.off_h:
        failed_text = f"{where}: under float for {facts.off_h} h"
        if steep > 0.5:
            failed_text += f", sinking by {-slope:.1f} V a day: a load takes more than the charger gives"
        elif facts.sinking > 1:
            failed_text += ", sinking as without charge"
        elif facts.sinking < -1:
            failed_text += ", but held there"
        if not chemistry.tells_charge:
            failed_text += "; nickel-cadmium volts tell no charge, so no forecast"
    if p_weak > 0.05 and not facts.stuck:
        told = (
            f"{where}: {sag.under:.2f} V under its own float for two days",
            f"{where}: {60 * back_h:.0f} min from a crank back to float (usual {60 * usual_h(normal.back_h):.0f} min)"
            if by_crank
            else f"{where}: {taken:.0f} h after the last run not back at float (usual {normal.recovery_h:.0f} h)",
            f"{where}: left float {number} times in the last week",
        )
        weak_text = told[int(parts.argmax())]
    nothing = np.full(3, np.nan)
    story = naming.story_of(facts, hours, lows, (slope, slope_sd), normal.lost_way_h)
    behind = naming.shares(facts, story, chance(short), normal.off_a_week)
    return (
        Said(
            p_failed,
            facts.volts,
            facts.expected,
            {name: p_failed * share for name, share in behind.items()},
            failed_text,
            forecast(facts, hours, lost_h, said, chemistry, 1.0) if p_failed > WORTH_FORECAST else nothing,
        ),
        Said(
            p_weak,
            facts.volts,
            facts.expected,
            {
                WEAK_CAUSES[0]: float(shares[0]),
                WEAK_CAUSES[1]: float(shares[1]) * (1.0 - 0.4 * steep),
                WEAK_CAUSES[2]: float(shares[2]),
                WEAK_CAUSES[3]: float(shares[1]) * 0.4,
            },
            weak_text,
            # A charger that still gives something leaves a part of the drain, and only where the battery is at rest.
            forecast(facts, hours, lost_h, said, chemistry, 0.5 * float(facts.volts < chemistry.rest + 0.1))
            if p_weak > WORTH_FORECAST
            else nothing,
        ),
    )
