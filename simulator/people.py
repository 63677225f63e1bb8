"""People at the units: weekly visits with open doors and the switch turned off, and what they exchange or set anew.

In: visit rules, sites, units, faults; why units are not ready. Out: visits; open doors and switched-off controls [unit,
t]; faults that end because somebody was called out. May import: numpy, simulator. Touches nothing.

Nothing is mended, exchanged or set anew but by somebody who is there: doors open, switch off, for the time of the work.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulator.chance import SECOND_NS, Bool, Int64, even, keys
from simulator.faults import WORK_NS, Fault
from simulator.fleet import Site, Unit
from simulator.running import rule_times
from simulator.truth import Reasons, explained

LATE_S = 40 * 60.0  # after the hour that the calendar says, at most
SWITCHED_OFF_SHARE = 0.4  # of visits in which a technician works on a unit, the others only look
MINUTE_NS = 60 * SECOND_NS
DAY_NS = 1440 * MINUTE_NS
TIDY_NS = 3 * MINUTE_NS  # from the end of a work until the doors are shut
CALL_LEAST_S, CALL_MOST_S = (
    3 * 3600.0,
    22 * 3600.0,
)  # from not ready until somebody who was called is there (our choice)


@dataclass(frozen=True, slots=True)
class Visit:
    """Somebody at one unit, ns UTC. door: its doors stand open. off: its switch stands off; empty where from is to."""

    site: str
    unit: int
    door_from_ns: int
    door_to_ns: int
    off_from_ns: int
    off_to_ns: int

    @property
    def from_ns(self) -> int:
        """When it begins, ns UTC."""
        return self.door_from_ns

    @property
    def to_ns(self) -> int:
        """When it ends, ns UTC."""
        return self.door_to_ns


def visits(
    rule: str, timezone: str, *, site: str, units: Sequence[tuple[int, str]], seed: int, from_ns: int, to_ns: int
) -> list[Visit]:
    """The visits to one site's units: one round a moment of the rule, the units one after the other.

    Args:
        units: rows and ids of the units there. from_ns, to_ns: within which rounds are due.
    """
    due = rule_times(rule, timezone, from_ns=from_ns, to_ns=to_ns)
    late = 0.5 + 0.5 * even(keys(seed, [site], "late"), due)[0]
    arrived = (due + np.floor(late * LATE_S / 60.0).astype(np.int64) * MINUTE_NS).tolist()
    found: list[Visit] = []
    ids = [unit_id for _, unit_id in units]
    lengths = 14.0 + 8.0 * even(keys(seed, ids, "visit"), due)  # minutes a unit
    worked = 0.5 + 0.5 * even(keys(seed, ids, "work"), due) < SWITCHED_OFF_SHARE
    for turn, at in enumerate(arrived):
        begin = at
        for row, (unit, _) in enumerate(units):
            minutes = round(float(lengths[row, turn]))
            end = begin + minutes * MINUTE_NS
            off_from = begin + 2 * MINUTE_NS
            off_to = off_from + max(minutes // 2, 3) * MINUTE_NS if worked[row, turn] else off_from
            found.append(Visit(site, unit, begin, end, off_from, off_to))
            begin = end + 2 * MINUTE_NS  # to the next unit
    return found


def rounds(sites: Sequence[Site], units: Sequence[Unit], *, seed: int, from_ns: int, to_ns: int) -> list[Visit]:
    """All visits that the rules of sites bring about, by their beginning.

    Args:
        from_ns, to_ns: within which rounds are due.
    """
    found: list[Visit] = []
    for site in sites:
        here = [(row, unit.id) for row, unit in enumerate(units) if unit.site == site.id]
        if site.visit_rule and here:
            found += visits(
                site.visit_rule, site.timezone, site=site.id, units=here, seed=seed, from_ns=from_ns, to_ns=to_ns
            )
    return sorted(found, key=_order)


def work(site: str, unit: int, done_ns: int) -> Visit:
    """Somebody at work on a unit.

    Args:
        unit: its row. done_ns: when what was wrong is mended or exchanged and the switch is put back, ns.
    """
    begin_ns = done_ns - WORK_NS
    return Visit(site, unit, begin_ns, done_ns + TIDY_NS, begin_ns + 2 * MINUTE_NS, done_ns)


def works(units: Sequence[Unit], faults: Sequence[Fault], exchanged: Sequence[tuple[str, int]]) -> list[Visit]:
    """Who mends faults at visits, exchanges things and sets them anew, by the beginning.

    Args:
        exchanged: units, and when something of them is new, ns.
    """
    row_of = {unit.id: row for row, unit in enumerate(units)}
    mended = [(fault.unit, fault.to_ns) for fault in faults if fault.at_visit and fault.to_ns is not None]
    found = [work(units[row_of[unit]].site, row_of[unit], at_ns) for unit, at_ns in (*mended, *exchanged)]
    return sorted(found, key=_order)


def called_out(
    faults: Sequence[Fault], units: Sequence[Unit], time_ns: Int64, reasons: Reasons, *, seed: int, begin_ns: int
) -> tuple[tuple[Fault, ...], list[Visit]]:
    """Faults after a day or a part of it, and the visits of those who were called out because a unit was not ready.

    Somebody comes within a day of the moment, but no sooner than the day is over, of which the world may have been told
    already; so it is all one into which parts a day is cut. Who comes anyway is not called.

    Args:
        time_ns: minutes, [minute]. reasons: why units were not ready, bits of truth.Reason, [unit, minute].
        begin_ns: of the scenario, from which days count, ns.
    """
    row_of = {unit.id: row for row, unit in enumerate(units)}
    after, came = list(faults), []
    for place, fault in enumerate(faults):
        explains = explained(fault.kind)
        if not fault.called_out or not explains or fault.from_ns > time_ns[-1]:
            continue
        row = row_of[fault.unit]
        shown = np.flatnonzero((reasons[row] & int(explains) > 0) & (time_ns >= fault.from_ns))
        if not len(shown):
            continue
        part = 0.5 + 0.5 * float(even(keys(seed, [fault.unit], "called out"), np.array([fault.from_ns]))[0, 0])
        hour_ns = int(CALL_LEAST_S + part * (CALL_MOST_S - CALL_LEAST_S)) // 60 * MINUTE_NS
        moment_ns = int(time_ns[shown[0]])
        over_ns = begin_ns - (begin_ns - moment_ns) // DAY_NS * DAY_NS
        come_ns = max(moment_ns + hour_ns, over_ns + MINUTE_NS)
        if fault.to_ns is not None and fault.to_ns <= come_ns + WORK_NS:
            continue
        after[place] = replace(fault, to_ns=come_ns + WORK_NS, called_out=False)
        came.append(work(units[row].site, row, come_ns + WORK_NS))
    return tuple(after), came


@dataclass(frozen=True, slots=True)
class Called:
    """That somebody was called out. unit, kind, from_ns: of the fault; to_ns: when it is mended, ns."""

    unit: str
    kind: str
    from_ns: int
    to_ns: int


def newly_called(before: Sequence[Fault], after: Sequence[Fault]) -> tuple[Called, ...]:
    """For which faults somebody was called out, of those before and after called_out looked at them."""
    return tuple(
        Called(new.unit, new.kind.value, new.from_ns, new.to_ns)
        for old, new in zip(before, after, strict=True)
        if old.called_out and not new.called_out and new.to_ns is not None
    )


def recalled(
    faults: Sequence[Fault], units: Sequence[Unit], called: Sequence[Called]
) -> tuple[tuple[Fault, ...], list[Visit]]:
    """Faults as a scenario has them, and who had been called out for some: those faults with their end, and the visits.

    Args:
        called: what is remembered. A fault that is not there any more calls nobody.
    """
    row_of = {unit.id: row for row, unit in enumerate(units)}
    ends = {(one.unit, one.kind, one.from_ns): one.to_ns for one in called}
    after, came = list(faults), []
    for place, fault in enumerate(faults):
        to_ns = ends.get((fault.unit, fault.kind.value, fault.from_ns))
        if to_ns is not None:
            row = row_of[fault.unit]
            after[place] = replace(fault, to_ns=to_ns, called_out=False)
            came.append(work(units[row].site, row, to_ns))
    return tuple(after), came


def _order(visit: Visit) -> tuple[int, int]:
    return visit.from_ns, visit.unit


def door_open(found: Sequence[Visit], units: int, time_ns: Int64) -> Bool:
    """Whether somebody has a unit's doors open, [unit, t]."""
    shown = np.zeros((units, len(time_ns)), np.bool_)
    for visit in found:
        shown[visit.unit, (time_ns >= visit.door_from_ns) & (time_ns < visit.door_to_ns)] = True
    return shown


def switched_off(found: Sequence[Visit], units: int, time_ns: Int64) -> Bool:
    """Whether somebody holds a unit's control switch off, [unit, t]."""
    shown = np.zeros((units, len(time_ns)), np.bool_)
    for visit in found:
        shown[visit.unit, (time_ns >= visit.off_from_ns) & (time_ns < visit.off_to_ns)] = True
    return shown
