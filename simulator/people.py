"""People at the units: weekly visits with open doors and the switch turned off, and what they exchange or set anew.

In: visit rules, sites, events of a scenario. Out: visits; open doors and switched-off controls [unit, t]. May import:
numpy, simulator.chance, simulator.running. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Bool, Int64, even, keys
from simulator.running import rule_times

LATE_S = 40 * 60.0  # after the hour that the calendar says, at most
SWITCHED_OFF_SHARE = 0.4  # of visits in which a technician works on a unit, the others only look
MINUTE_NS = 60 * SECOND_NS


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
