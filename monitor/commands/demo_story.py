"""What goes wrong in the demo, and when: the same story at each start, on units for which it is believable.

In: the moment of a start, what an earlier start left behind. Out: faults of simulated units, visits to them. May
import: simulator, monitor.rules, monitor.times. Touches one small file in the demo's folder, so that the next start
goes on where this one ended.

Three faults stand already when the demo starts, on three signals; when the first page is loaded, a fourth begins
before the visitor's eyes. The gas main of that one comes back by itself.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path

from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS
from simulator.faults import Fault, FaultKind
from simulator.fleet import Unit
from simulator.running import exercise_runs, rule_times
from simulator.scenario import Scenario, load_scenario

FILE_NAME = "demo.json"
FORMAT = 2
VALLEY = "demo-valley"  # a ready-made scenario, in which nothing goes wrong
SPAN_NS = 400 * DAY_NS  # visits and runs are planned so far: for a demo that is left running
HISTORY_NS = 21 * DAY_NS
GAP_NS_MAX = 14 * DAY_NS  # after a longer absence the valley starts over
AGE_NS_MAX = 56 * DAY_NS  # and when it has grown this old: by then what stands broken is believed no longer
RENEW_AFTER_NS = 36 * HOUR_NS  # after such an absence the heater has been repaired, and has failed again
HEATER_AGE_NS = 14 * HOUR_NS
OUTAGE_NS = 20 * MINUTE_NS
OUTAGE_SEVERITY = 0.99  # next to nothing left in the street
# How long ago each standing fault began: long enough that its limit has been passed by the time of the start. The
# longest first: fewest units were left alone for so long.
STANDING = (
    (FaultKind.SEAT_LEAK, 36 * HOUR_NS),  # judged by the least of a day
    (FaultKind.CHARGER_NO_AC, 30 * HOUR_NS),
    (FaultKind.HEATER_ELEMENT_OPEN, HEATER_AGE_NS),
)
FOUND = {
    FaultKind.HEATER_ELEMENT_OPEN: "heater element open, the new one is on order.",
    FaultKind.CHARGER_NO_AC: "no supply at the charger, the electrician is told.",
    FaultKind.SEAT_LEAK: "regulator does not lock up, the fitter is told.",
    FaultKind.GAS_SUPPLY_LOW: "no gas from the street, the supplier is told.",
}
# Limits rest for hours after a run, so a fault is put where no run is near.
QUIET_BEFORE_NS = 30 * HOUR_NS
QUIET_BEFORE_LIVE_NS = 8 * HOUR_NS
QUIET_AFTER_LIVE_NS = HOUR_NS
LOOK_AHEAD_NS = 62 * DAY_NS  # a monthly run lies within it
VISIT_NS = 2 * HOUR_NS  # by the contract, a visit by rule lasts so long


@dataclass(frozen=True, slots=True)
class Story:
    """Since when the valley has a history, ns UTC, and every fault in it, oldest first."""

    began_ns: int
    faults: tuple[Fault, ...]

    @property
    def scenario(self) -> Scenario:
        """The valley since then, and what goes wrong in it."""
        return replace(valley(), from_ns=self.began_ns, to_ns=self.began_ns + SPAN_NS, faults=self.faults)


@cache
def valley() -> Scenario:
    """The invented valley: its sites and units."""
    return load_scenario(VALLEY)


def begun(now_ns: int) -> Story:
    """A new story whose present is the minute of now."""
    now_ns -= now_ns % MINUTE_NS
    units, faults = valley().units, list[Fault]()
    for kind, age_ns in STANDING:
        taken = {fault.unit for fault in faults}
        free = [unit for unit in units if unit.id not in taken and not _runs(unit, now_ns - QUIET_BEFORE_NS, now_ns)]
        # Nobody has been there since it began: they would have mended it.
        unseen = [unit for unit in free if not _visits(unit.site, now_ns - age_ns - VISIT_NS, now_ns)]
        # The unit that runs last of all: its fault stays in sight through later starts too.
        unit = max(unseen or free, key=lambda unit: _next_run_ns(unit, now_ns))
        faults.append(Fault(unit.id, kind, now_ns - age_ns))
    return Story(now_ns - HISTORY_NS, tuple(sorted(faults, key=_from_ns)))


def continued(story: Story, *, kept_until_ns: int, now_ns: int) -> Story | None:
    """The story at a later start: what began live has been repaired meanwhile.

    Args:
        kept_until_ns: time of the newest reading that was kept, before now.
    Returns: None where the absence was too long, or the clock went back: the valley starts over.
    """
    gap_ns = now_ns - kept_until_ns
    if not 0 <= gap_ns <= GAP_NS_MAX or now_ns - story.began_ns > AGE_NS_MAX:
        return None
    repaired_ns = kept_until_ns + min(gap_ns // 2, 10 * MINUTE_NS)
    faults: list[Fault] = []
    for fault in story.faults:
        old = fault.from_ns < kept_until_ns  # else the first filling was broken off before it
        if fault.kind is FaultKind.GAS_SUPPLY_LOW and (fault.to_ns is None or fault.to_ns > repaired_ns):
            faults.append(replace(fault, to_ns=max(repaired_ns, fault.from_ns)))
        elif fault.kind is FaultKind.HEATER_ELEMENT_OPEN and fault.to_ns is None and gap_ns > RENEW_AFTER_NS and old:
            faults.append(replace(fault, to_ns=kept_until_ns + 4 * HOUR_NS))
            faults.append(Fault(fault.unit, fault.kind, now_ns - HEATER_AGE_NS))
        else:
            faults.append(fault)
    return Story(story.began_ns, tuple(sorted(faults, key=_from_ns)))


def outage(story: Story, now_ns: int) -> Fault:
    """The fault that begins before the visitor's eyes: a unit loses its gas supply.

    It takes a unit that is sound and not near a run; of those the one for which it is longest ago.
    """
    standing = {fault.unit for fault in story.faults if fault.kind is not FaultKind.GAS_SUPPLY_LOW}
    sound = [unit for unit in valley().units if unit.id not in standing]
    calm = [u for u in sound if not _runs(u, now_ns - QUIET_BEFORE_LIVE_NS, now_ns + QUIET_AFTER_LIVE_NS)]
    last_ns = {fault.unit: fault.from_ns for fault in story.faults if fault.kind is FaultKind.GAS_SUPPLY_LOW}
    unit = min(calm or sound, key=lambda unit: last_ns.get(unit.id, 0))
    begin_ns = now_ns - now_ns % SECOND_NS + SECOND_NS  # a whole second, so that the file keeps it exactly
    return Fault(unit.id, FaultKind.GAS_SUPPLY_LOW, begin_ns, begin_ns + OUTAGE_NS, OUTAGE_SEVERITY)


def with_fault(story: Story, fault: Fault) -> Story:
    """The story with one more fault."""
    return replace(story, faults=(*story.faults, fault))


def visits_made(story: Story, site: str, *, from_ns: int, to_ns: int) -> list[tuple[int, str]]:
    """Visits to a site that began and ended in a span: when, ns UTC, and what was found."""
    here = {unit.id: unit.name for unit in valley().units if unit.site == site}
    made: list[tuple[int, str]] = []
    for start_ns in _visits(site, from_ns, to_ns - VISIT_NS):
        at_ns = start_ns + VISIT_NS // 2
        open_ = [
            f"{here[fault.unit]}: {FOUND[fault.kind]}"
            for fault in story.faults
            if fault.unit in here and fault.from_ns <= at_ns and (fault.to_ns is None or fault.to_ns > at_ns)
        ]
        made.append((at_ns, " ".join(open_) or "Nothing to note."))
    return made


def load(directory: Path) -> Story | None:
    """The story kept in a folder; None where there is none that can be read: it is told anew then."""
    try:
        kept = json.loads((directory / FILE_NAME).read_text(encoding="utf-8"))
        if kept["format"] != FORMAT:
            return None
        return Story(int(kept["began_ns"]), tuple(_fault(row) for row in kept["faults"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def save(story: Story, directory: Path) -> None:
    """Keep the story in a folder, whole or not at all."""
    text = json.dumps({"format": FORMAT, **asdict(story)}, indent=1)
    path = directory / FILE_NAME
    beside = path.with_suffix(".new")
    beside.write_text(text, encoding="utf-8")
    os.replace(beside, path)


def _fault(row: dict[str, object]) -> Fault:
    """A fault as it was kept. Raises ValueError, KeyError or TypeError where it is none."""
    unit, from_ns, to_ns, severity = row["unit"], row["from_ns"], row["to_ns"], row["severity"]
    if unit not in valley().unit_ids or not isinstance(unit, str) or not isinstance(severity, float):
        raise ValueError("no fault")
    if not isinstance(from_ns, int) or not isinstance(to_ns, int | None):
        raise TypeError("no times")
    return Fault(unit, FaultKind(str(row["kind"])), from_ns, to_ns, severity)


def _runs(unit: Unit, from_ns: int, to_ns: int) -> Sequence[int]:
    """When exercise runs of a unit begin."""
    runs = exercise_runs(
        unit.exercise_rule,
        _timezone(unit.site),
        unit=valley().unit_ids.index(unit.id),
        unit_id=unit.id,
        load=unit.exercise_load,
        seed=valley().seed,
        from_ns=from_ns,
        to_ns=to_ns,
    )
    return [run.start_ns for run in runs]


def _visits(site: str, from_ns: int, to_ns: int) -> list[int]:
    """When visits to a site are due."""
    rule = next(one.visit_rule for one in valley().sites if one.id == site)
    due: list[int] = rule_times(rule, _timezone(site), from_ns=from_ns, to_ns=to_ns).tolist()
    return due


def _timezone(site: str) -> str:
    return next(one.timezone for one in valley().sites if one.id == site)


def _next_run_ns(unit: Unit, now_ns: int) -> int:
    return min(_runs(unit, now_ns, now_ns + LOOK_AHEAD_NS), default=now_ns + LOOK_AHEAD_NS)


def _from_ns(fault: Fault) -> int:
    return fault.from_ns
