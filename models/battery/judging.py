"""Opinions on battery and charger at one instant, from what is seen and what was learned.

In: what is seen of some units over 14 days, their normals. Out: opinions, notes, when charging was lost. May import:
numpy, models. Touches nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.battery import evidence, high
from models.battery.charging import (
    FAILED_CAUSES,
    WEAK_CAUSES,
    WORTH_FORECAST,
    Said,
    charger,
    forecast,
    lost_hours,
    onset_of,
)
from models.battery.chemistry import Chemistry, chemistry_of
from models.battery.cranking import Cranking, cranking_of
from models.battery.evidence import chance
from models.battery.facts import OFF_H_LEAST, Facts, facts_of
from models.battery.forecast import LEAST_V
from models.battery.hours import HOUR_NS, Hours, hours_of
from models.battery.normal import DAY_NS, BatteryNormal
from models.battery.recharge import ways_back
from models.opinion import Note, Opinion
from models.seen import Seen
from models.windows import Int64

FAILED, WEAK, BATTERY_WEAK, OVERCHARGED = "charger_failed", "charger_weak", "battery_weak", "battery_overcharged"
CAUSES: Mapping[str, tuple[str, ...]] = {
    FAILED: FAILED_CAUSES,
    WEAK: WEAK_CAUSES,
    BATTERY_WEAK: ("battery_weak/risen_resistance", "battery_weak/shorted_cell"),
    OVERCHARGED: ("battery_overcharged",),
}
BATTERY_PRIOR = -4.5  # log odds: a battery lasts 3-5 years, and is judged at each of its cranks
STALE_H = 36  # without a voltage for longer nothing is said of it
CELL_OUT_V = 2.1  # V that a shorted cell takes from the battery (shared trade facts, section 4)
# One crank says it alone where it fell short by this: a cell that is out takes 2.1 V at rest and, of a crank, what the
# divider leaves of it. A loose post takes more, a hung engine seldom as much (our choice).
LONE_V, LONE_SDS, LONE_LOG_ODDS = 1.2, 4.0, 2.5
NOTE_NS = 14 * DAY_NS
SHORT_SHIFT = (0.7, 1.1)  # of the log dip ratio: 2.1 V deeper on a dip of 2-2.5 V of 12.7 V gives 0.75-0.9


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


def _battery(facts: Facts, hours: Hours, lost_h: float, chemistry: Chemistry, said: Cranking, short: float) -> Said:
    """What is said of battery_weak."""
    crank = BATTERY_PRIOR + min(said.weaker, 14.0)
    if said.recent == 1 and not (said.expected - said.least > LONE_V and said.beyond_sds > LONE_SDS):
        crank = min(crank, -0.6)  # one crank may have met a hung engine; the next one tells
    elif said.recent == 1:
        crank = max(crank, LONE_LOG_ODDS)
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
    return Said(
        probability,
        said.least if p_crank >= p_short else facts.volts,
        said.expected if p_crank >= p_short else chemistry.rest,
        {CAUSES[BATTERY_WEAK][0]: p_crank * (1.0 - share), CAUSES[BATTERY_WEAK][1]: max(p_short, p_crank * share)},
        text,
        forecast(
            facts,
            hours,
            lost_h,
            said,
            chemistry,
            1.0 if facts.off_h >= OFF_H_LEAST else 0.0,
            missing_volts=CELL_OUT_V if p_short > max(p_crank, 0.5) else 0.0,
        )
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


def _judged(seen: Seen, unit: int, normal: BatteryNormal) -> tuple[list[Said], list[Note], tuple[int, int]]:
    """All that is said of one unit, conditions in the order of CAUSES."""
    chemistry = chemistry_of(seen.battery_type[unit])
    hours = hours_of(seen, unit, normal.lag_h)
    facts = facts_of(hours, normal, chemistry)
    since_day = normal.battery_since_ns / DAY_NS
    lost_h = lost_hours(facts, hours, normal)
    cranks = seen.cranks[unit]
    if facts.off_h >= OFF_H_LEAST:  # later dips are deeper by the charge that is lost, not by age
        lost_ns = hours.end_ns - int(lost_h * HOUR_NS)
        cranks = tuple(crank for crank in cranks if crank.at_ns < lost_ns)
    said = cranking_of(normal.cranks, cranks, seen.battery_type[unit], since_day)
    if facts.age_h > STALE_H:
        unknown = "no battery voltage for more than a day" if facts.known.any() else ""
        return [Said(np.nan, text=unknown)] * len(CAUSES), [], (0, 0)
    if not chemistry.tells_charge and not facts.learned:
        own = Said(np.nan, text="nickel-cadmium is judged by its own float only, which is not learned yet")
        return [own, own, _battery(facts, hours, lost_h, chemistry, said, evidence.PRIOR), own], [], (0, 0)
    short = evidence.shorted_log_odds(facts, hours, chemistry) if chemistry.tells_charge else evidence.PRIOR
    ways = ways_back(seen, unit, hours, normal)
    failed, weak = charger(facts, hours, lost_h, normal, chemistry, said, short, ways)
    over = high.overcharged(facts, hours, normal, chemistry)
    p_over = chance(over.log_odds)
    over_text = ""
    if over.for_h:
        kind = "longer than any meant charge"
        if over.for_h <= over.allowed_h:
            kind = "may be an equalise" if chemistry.equalised else "may be absorption; this type is never equalised"
        over_text = f"battery {facts.volts:.2f} V, float {facts.expected:.2f} V: over it for {over.for_h} h, {kind}"
    overcharged = Said(p_over, facts.volts, facts.expected, {CAUSES[OVERCHARGED][0]: p_over}, over_text)
    battery = _battery(facts, hours, lost_h, chemistry, said, short)
    notes = _notes(unit, seen, facts, hours, normal, chemistry, said)
    return [failed, weak, battery, overcharged], notes, onset_of(seen, unit, facts, normal, chemistry)


def _opinion(condition: str, said: Sequence[Said]) -> Opinion:
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
