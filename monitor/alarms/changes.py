"""From findings to changed alarms, in memory: the part of the alarm system that live and replay share.

In: the alarms that stand and findings in the order in which they were noticed. Out: changes, before and after.
Pure: the operations store keeps what comes out, a replay just collects it. May import: monitor.alarms.lifecycle.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from monitor.alarms import lifecycle
from monitor.alarms.lifecycle import Alarm, Finding, Kind, State


class EventType(StrEnum):
    """What a push says has happened; the contract's event types."""

    RAISED = "raised"
    URGENCY_CHANGED = "urgency_changed"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class Change:
    """One alarm before (None: it is new) and after, and what that is called; "" where nobody need be told."""

    before: Alarm | None
    after: Alarm
    event: EventType | None
    at_ns: int
    noticed_ns: int


Key = tuple[str, str]
"""Unit and condition: at most one alarm of each stands."""


def changes_of(standing: Mapping[Key, Alarm], findings: Iterable[Finding]) -> tuple[dict[Key, Alarm], list[Change]]:
    """What findings make of the alarms that stand.

    Args:
        standing: every alarm whose condition is present or that waits for an acknowledgement, by unit and condition.
        findings: in the order noticed. One that does not fit (a condition cleared that does not stand, one raised
            that stands) was applied before a restart and changes nothing.
    Returns: standing as it then is, and the changes in order; an alarm can change several times.
    """
    now = dict(standing)
    changes: list[Change] = []
    for finding in findings:
        key = (finding.unit, finding.condition)
        alarm = now.get(key)
        if finding.kind is Kind.RAISED:
            if alarm is not None and alarm.present:
                continue
            if alarm is not None and alarm.state is State.RETURNED:
                changes.append(Change(alarm, lifecycle.superseded(alarm), None, finding.at_ns, finding.noticed_ns))
            now[key] = lifecycle.raised(finding)
            said = None if finding.suppressed else EventType.RAISED
            changes.append(Change(None, now[key], said, finding.at_ns, finding.noticed_ns))
            continue
        if alarm is None or not alarm.present:
            continue
        after = lifecycle.after_finding(alarm, finding)
        changes.append(Change(alarm, after, _event_of(alarm, after), finding.at_ns, finding.noticed_ns))
        if after.state is State.NORMAL:
            del now[key]
        else:
            now[key] = after
    return now, changes


def _event_of(before: Alarm, after: Alarm) -> EventType | None:
    """What a later finding made of an alarm is called; of a suppressed one nobody need be told."""
    if after.state is State.SUPPRESSED:
        return None
    if not after.present:
        return None if before.state is State.SUPPRESSED else EventType.RETURNED
    if before.state is State.SUPPRESSED:
        return EventType.RAISED
    return EventType.URGENCY_CHANGED if after.urgency is not before.urgency else None
