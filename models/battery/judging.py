"""Opinions on battery and charger at one instant, from what is seen and what was learned.

In: what is seen of some units over 14 days, their normals. Out: opinions, notes, when charging was lost. May import:
numpy, models. Touches nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.battery import evidence, high
from models.battery.chemistry import Chemistry, chemistry_of
from models.battery.cranking import Cranking, cranking_of
from models.battery.evidence import Facts, chance
from models.battery.forecast import LEAST_V, SURFACE_H, fall_a_day, hours_to_least
from models.battery.hours import CELLS_AN_HOUR, HOUR_NS, Hours, hours_of
from models.battery.normals import DAY_NS, BatteryNormal
from models.opinion import Note, Opinion
from models.seen import Seen
from models.windows import CELL_NS, Float64, Int64

FAILED, WEAK, BATTERY_WEAK, OVERCHARGED = "charger_failed", "charger_weak", "battery_weak", "battery_overcharged"
CAUSES: Mapping[str, tuple[str, ...]] = {
    FAILED: ("charger_failed/no_output", "charger_weak/load_left_on"),
    WEAK: (
        "charger_weak/output_sagging",
        "charger_weak/current_limit_falling",
        "charger_weak/intermittent",
        "charger_weak/load_left_on",
    ),
    BATTERY_WEAK: ("battery_weak/risen_resistance", "battery_weak/shorted_cell"),
    OVERCHARGED: ("battery_overcharged",),
}
WORTH_FORECAST = 0.15  # probability from which a forecast is reckoned; below nobody would read it
BATTERY_PRIOR = -4.5  # log odds: a battery lasts 3-5 years, and is judged at each of its cranks
STALE_H = 36  # without a voltage for longer nothing is said of it
NOTE_NS = 14 * DAY_NS
SHORT_SHIFT = (0.7, 1.1)  # of the log dip ratio: 2.1 V deeper on a dip of 2-2.5 V of 12.7 V gives 0.75-0.9
LOAD_V_DAY = 0.15  # steeper than what a standing load and self-discharge take (section 4: 0.02-0.1 V a day)


@dataclass(frozen=True, slots=True)
class Judged:
    """What is said of some units at one instant.

    opinions: one a condition (charger_failed, charger_weak, battery_weak, battery_overcharged). notes: in any order.
    onset_ns: the last instant at which the charger was seen to charge and the first at which it was not, ns UTC, int64
    [unit, 2]; 0, 0 where charging is not lost now.
    """

    opinions: tuple[Opinion, ...]
    notes: tuple[Note, ...]
    onset_ns: Int64


@dataclass(frozen=True, slots=True)
class _Said:
    """What is said of one condition of one unit; as Opinion, without the unit axis."""

    probability: float
    measured: float = np.nan
    expected: float = np.nan
    causes: Mapping[str, float] = field(default_factory=dict)
    text: str = ""
    not_ready_h: Float64 = field(default_factory=lambda: np.full(3, np.nan))


def _onset(seen: Seen, unit: int, facts: Facts, normal: BatteryNormal, chemistry: Chemistry) -> tuple[int, int]:
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
    index = index[(index - facts.since >= SURFACE_H) & ~(hours.after_run_h[index] < SURFACE_H)]
    if not len(index):
        return index, np.nan
    last_run = np.maximum.accumulate(np.where(hours.ran, np.arange(len(hours.ran)), -1))[index]
    stretches: list[NDArray[np.intp]] = [index[last_run == run] for run in np.unique(last_run)]
    seen = 0 < facts.since > index[0] - 2.0 * SURFACE_H
    first = float(hours.volts[index[:4]].mean()) if seen else np.nan
    return stretches[-1] if len(stretches[-1]) >= 36 else max(stretches, key=len), first


def _lost_h(facts: Facts, hours: Hours, normal: BatteryNormal) -> float:
    """Hours since charging was lost; longer than the window: since the last day with a float."""
    if facts.since > 0 or not normal.days:
        return float(len(hours.volts) - facts.since)
    return max(float(len(hours.volts)), (hours.end_ns - (normal.days[-1].number + 1) * DAY_NS) / HOUR_NS)


def _forecast(
    facts: Facts, hours: Hours, lost_h: float, said: Cranking, chemistry: Chemistry, drain_share: float
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
    )


def _slope_a_day(facts: Facts, hours: Hours) -> float:
    """Fall of the volts after their first day off charge, V a day; NaN: not off for long enough."""
    index, _ = _at_rest(facts, hours)
    if len(index) < 12:
        return np.nan
    since = np.minimum(index - facts.since + 0.5, hours.after_run_h[index])
    return fall_a_day(since, hours.volts[index])[0]


def _charger(
    facts: Facts,
    hours: Hours,
    lost_h: float,
    normal: BatteryNormal,
    chemistry: Chemistry,
    said: Cranking,
    short: float,
) -> tuple[_Said, _Said]:
    """What is said of charger_failed and charger_weak."""
    failed = evidence.failed_log_odds(facts, normal, chemistry) - 5.0 * chance(short)
    least = evidence.OFF_H_LEAST if facts.learned else evidence.OFF_H_UNLEARNED
    p_failed = chance(failed)
    if facts.off_h < least:
        p_failed = min(p_failed, evidence.UNBELIEVED)
    if facts.lifted:
        p_failed = np.nan
    sag = evidence.sagging(facts, hours, normal, chemistry)
    slow, taken = evidence.slow_recovery_log_odds(facts, hours, normal, chemistry)
    coming, number = evidence.intermittent_log_odds(facts, hours, normal, chemistry)
    parts = np.array([chance(sag.log_odds), chance(slow), chance(coming)])
    p_weak = float(1.0 - np.prod(1.0 - parts)) * (1.0 - np.nan_to_num(p_failed, nan=1.0)) * (1.0 - chance(short))
    fall = _slope_a_day(facts, hours)
    loaded = evidence.ramp(-fall, LOAD_V_DAY / 2, 2 * LOAD_V_DAY)
    shares = parts / max(parts.sum(), 1e-9) * p_weak
    failed_text = weak_text = ""
    where = f"battery {facts.volts:.2f} V, float {facts.expected:.2f} V" + ("" if facts.learned else " (assumed)")
    if facts.stuck:
        failed_text = weak_text = (
            f"{where}: the voltage does not move at all though it used to; suspect its sensor first"
        )
    elif facts.off_h:
        failed_text = f"{where}: under float for {facts.off_h} h"
        if facts.sinking > 1:
            failed_text += ", sinking as without charge"
        elif facts.sinking < -1:
            failed_text += ", but held there"
        if not chemistry.tells_charge:
            failed_text += "; nickel-cadmium volts tell no charge, so no forecast"
    if p_weak > 0.05 and not facts.stuck:
        told = (
            f"{where}: {sag.under:.2f} V under its own float for two days",
            f"{where}: {taken:.0f} h after the last run not back at float (usual {normal.recovery_h:.0f} h)",
            f"{where}: left float {number} times in the last week",
        )
        weak_text = told[int(parts.argmax())]
    nothing = np.full(3, np.nan)
    return (
        _Said(
            p_failed,
            facts.volts,
            facts.expected,
            {CAUSES[FAILED][0]: p_failed * (1.0 - 0.6 * loaded), CAUSES[FAILED][1]: 0.6 * p_failed * loaded},
            failed_text,
            _forecast(facts, hours, lost_h, said, chemistry, 1.0) if p_failed > WORTH_FORECAST else nothing,
        ),
        _Said(
            p_weak,
            facts.volts,
            facts.expected,
            {
                CAUSES[WEAK][0]: float(shares[0]),
                CAUSES[WEAK][1]: float(shares[1]) * (1.0 - 0.4 * loaded),
                CAUSES[WEAK][2]: float(shares[2]),
                CAUSES[WEAK][3]: float(shares[1]) * 0.4,
            },
            weak_text,
            # A charger that still gives something leaves a part of the drain, and only where the battery is at rest.
            _forecast(facts, hours, lost_h, said, chemistry, 0.5 * float(facts.volts < chemistry.rest + 0.1))
            if p_weak > WORTH_FORECAST
            else nothing,
        ),
    )


def _battery(facts: Facts, hours: Hours, lost_h: float, chemistry: Chemistry, said: Cranking, short: float) -> _Said:
    """What is said of battery_weak."""
    crank = BATTERY_PRIOR + min(said.weaker, 14.0)
    if said.recent == 1:
        crank = min(crank, -0.6)  # one crank may have met a cold or hung engine; the next one tells
    share = evidence.ramp(said.shift, *SHORT_SHIFT) if said.weaker > 0 else 0.0
    p_crank, p_short = chance(crank), chance(short)
    probability = 1.0 - (1.0 - p_crank) * (1.0 - p_short)
    text = ""
    if said.number and p_crank >= 0.05:
        text = (
            f"least of the last crank {said.least:.2f} V, by its own past {said.expected:.2f} V: "
            f"{np.exp(said.shift):.1f} times the battery resistance in the last {said.recent} cranks"
        )
    if p_short >= max(p_crank, 0.05):
        text = f"{facts.volts:.2f} V within hours of losing charge, {chemistry.rest:.2f} V would be full: a cell is out"
    return _Said(
        probability,
        said.least if p_crank >= p_short else facts.volts,
        said.expected if p_crank >= p_short else chemistry.rest,
        {CAUSES[BATTERY_WEAK][0]: p_crank * (1.0 - share), CAUSES[BATTERY_WEAK][1]: max(p_short, p_crank * share)},
        text,
        _forecast(facts, hours, lost_h, said, chemistry, 1.0 if facts.off_h >= evidence.OFF_H_LEAST else 0.0)
        if probability > WORTH_FORECAST
        else np.full(3, np.nan),
    )


def _notes(
    unit: int, seen: Seen, facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry, said: Cranking
) -> list[Note]:
    """What changed at one unit and asks nothing of anybody."""
    notes = []
    if normal.float_since_ns and seen.now_ns - normal.float_since_ns < NOTE_NS:
        text = f"float moved from {normal.float_before:.2f} to {normal.float_voltage:.2f} V at 25 Cel, steady since"
        notes.append(Note(unit, "set_point_changed", normal.float_since_ns, text))
    if normal.battery_since_ns and seen.now_ns - normal.battery_since_ns < NOTE_NS:
        text = "cranks dip less than they did: the battery seems replaced, its own past is forgotten"
        notes.append(Note(unit, "battery_replaced", normal.battery_since_ns, text))
    for begin_ns, length_h, volts in high.equalises(facts, hours, chemistry):
        notes.append(Note(unit, "equalised", begin_ns, f"equalise charge of about {length_h} h up to {volts:.1f} V"))
    return notes


def _judged(seen: Seen, unit: int, normal: BatteryNormal) -> tuple[list[_Said], list[Note], tuple[int, int]]:
    """All that is said of one unit, conditions in the order of CAUSES."""
    chemistry = chemistry_of(seen.battery_type[unit])
    hours = hours_of(seen, unit, normal.lag_h)
    facts = evidence.facts_of(hours, normal, chemistry)
    since_day = normal.battery_since_ns / DAY_NS
    lost_h = _lost_h(facts, hours, normal)
    cranks = seen.cranks[unit]
    if facts.off_h >= evidence.OFF_H_LEAST:  # later dips are deeper by the charge that is lost, not by age
        lost_ns = hours.end_ns - int(lost_h * HOUR_NS)
        cranks = tuple(crank for crank in cranks if crank.at_ns < lost_ns)
    said = cranking_of(normal.cranks, cranks, seen.battery_type[unit], since_day)
    if facts.age_h > STALE_H:
        unknown = "no battery voltage for more than a day" if facts.known.any() else ""
        return [_Said(np.nan, text=unknown)] * len(CAUSES), [], (0, 0)
    if not chemistry.tells_charge and not facts.learned:
        own = _Said(np.nan, text="nickel-cadmium is judged by its own float only, which is not learned yet")
        return [own, own, _battery(facts, hours, lost_h, chemistry, said, evidence.PRIOR), own], [], (0, 0)
    short = evidence.shorted_log_odds(facts, hours, chemistry) if chemistry.tells_charge else evidence.PRIOR
    failed, weak = _charger(facts, hours, lost_h, normal, chemistry, said, short)
    over = high.overcharged(facts, hours, normal, chemistry)
    p_over = chance(over.log_odds)
    over_text = ""
    if over.for_h:
        kind = "longer than any meant charge"
        if over.for_h <= over.allowed_h:
            kind = "may be an equalise" if chemistry.equalised else "may be absorption; this type is never equalised"
        over_text = f"battery {facts.volts:.2f} V, float {facts.expected:.2f} V: over it for {over.for_h} h, {kind}"
    overcharged = _Said(p_over, facts.volts, facts.expected, {CAUSES[OVERCHARGED][0]: p_over}, over_text)
    battery = _battery(facts, hours, lost_h, chemistry, said, short)
    notes = _notes(unit, seen, facts, hours, normal, chemistry, said)
    return [failed, weak, battery, overcharged], notes, _onset(seen, unit, facts, normal, chemistry)


def _opinion(condition: str, said: Sequence[_Said]) -> Opinion:
    """One condition of all units."""
    names = CAUSES[condition]
    return Opinion(
        condition=condition,
        signal="battery_voltage",
        probability=np.array([one.probability for one in said]),
        measured=np.array([one.measured for one in said]),
        expected=np.array([one.expected for one in said]),
        not_ready_h=np.array([one.not_ready_h for one in said]).reshape(len(said), 3),
        causes={name: np.array([one.causes.get(name, 0.0) for one in said]) for name in names},
        text=tuple(one.text for one in said),
    )


def judge_whole(seen: Seen, normals: Sequence[BatteryNormal]) -> Judged:
    """Opinions, notes and onset of lost charging of some units.

    Args:
        seen: 14 days of some units up to now. normals: what was learned of each, [unit].
    Returns: see Judged.
    """
    assert len(normals) == seen.units
    rows = [_judged(seen, unit, normal) for unit, normal in enumerate(normals)]
    opinions = tuple(_opinion(name, [row[0][place] for row in rows]) for place, name in enumerate(CAUSES))
    notes = tuple(note for row in rows for note in row[1])
    return Judged(opinions, notes, np.array([row[2] for row in rows], np.int64).reshape(len(rows), 2))


def judge(seen: Seen, normals: Sequence[BatteryNormal]) -> tuple[list[Opinion], list[Note]]:
    """Opinions and notes of some units: judge_whole without the onset.

    Args:
        seen: 14 days of some units up to now. normals: what was learned of each, [unit].
    """
    judged = judge_whole(seen, normals)
    return list(judged.opinions), list(judged.notes)


__all__ = ["LEAST_V", "Judged", "judge", "judge_whole"]
