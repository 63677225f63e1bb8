"""The life of an alarm, ISA-18.2 / IEC 62682: states, answers, and what follows on what.

In: an alarm and what the assessment found or a person answered. Out: the alarm as it then is, or a refusal in words.
Pure: no clock, no store. May import: nothing of ours but monitor.times.

One Alarm is one occurrence: from raised to returned. Its id follows from unit, condition and moment, so that judging
the same history again finds the same alarm and raises nothing twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from uuid import NAMESPACE_URL, uuid5

from monitor.times import HOUR_NS, to_rfc3339


class State(StrEnum):
    """Alarm states as the contract writes them."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


class Urgency(StrEnum):
    """How soon a person is needed; rank orders them."""

    AT_VISIT = "at_visit"
    BEFORE_VISIT = "before_visit"
    NOW = "now"

    @property
    def rank(self) -> int:
        """0 for at_visit, 1 for before_visit, 2 for now."""
        return list(Urgency).index(self)

    @property
    def calls(self) -> bool:
        """Whether somebody is called for it."""
        return self is not Urgency.AT_VISIT


class Answer(StrEnum):
    """What a person can say to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    FOUND = "found"


class Kind(StrEnum):
    """What the assessment can say of a condition."""

    RAISED = "raised"
    CHANGED = "changed"
    CLEARED = "cleared"


class Refused(ValueError):
    """An answer that the alarm's state does not take; the text says why and what to do."""


# ISA-18.2-2016, alarm state transition diagram (from memory); suppression by design is decided before an alarm speaks.
AFTER_WINDOW: Mapping[State, tuple[State, State]] = MappingProxyType(
    {  # state: (while the condition is present, once it is absent)
        State.NORMAL: (State.UNACKNOWLEDGED, State.NORMAL),
        State.UNACKNOWLEDGED: (State.UNACKNOWLEDGED, State.RETURNED),
        State.ACKNOWLEDGED: (State.ACKNOWLEDGED, State.NORMAL),
        State.RETURNED: (State.UNACKNOWLEDGED, State.RETURNED),
        State.SHELVED: (State.SHELVED, State.NORMAL),
        State.SUPPRESSED: (State.SUPPRESSED, State.NORMAL),
        State.OUT_OF_SERVICE: (State.OUT_OF_SERVICE, State.OUT_OF_SERVICE),
    }
)
AFTER_ANSWER: Mapping[tuple[State, Answer], State] = MappingProxyType(
    {  # what is absent is refused, in words, never ignored
        (State.UNACKNOWLEDGED, Answer.ACKNOWLEDGE): State.ACKNOWLEDGED,
        (State.RETURNED, Answer.ACKNOWLEDGE): State.NORMAL,
        (State.UNACKNOWLEDGED, Answer.SHELVE): State.SHELVED,
        (State.ACKNOWLEDGED, Answer.SHELVE): State.SHELVED,
        # Our reading: off the shelf, what still stands asks anew.
        (State.SHELVED, Answer.UNSHELVE): State.UNACKNOWLEDGED,
        # What was found is an answer too: whoever says what it was has seen the alarm.
        (State.UNACKNOWLEDGED, Answer.FOUND): State.ACKNOWLEDGED,
        (State.ACKNOWLEDGED, Answer.FOUND): State.ACKNOWLEDGED,
        (State.RETURNED, Answer.FOUND): State.NORMAL,
        (State.SHELVED, Answer.FOUND): State.SHELVED,
        (State.NORMAL, Answer.FOUND): State.NORMAL,
    }
)
SHELF_NS_MAX = 7 * 24 * HOUR_NS  # ISA-18.2 wants a shelf to end; a week is the usual round of visits (our choice)


@dataclass(frozen=True, slots=True)
class Cause:
    """A possible cause and the chance that it is present, 0..1."""

    cause: str
    probability: float


@dataclass(frozen=True, slots=True)
class NotReady:
    """When the unit stops being ready: quantiles, ns UTC; None: not within 30 days."""

    p10: int | None
    p50: int | None
    p90: int | None


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of a condition at one moment."""

    urgency: Urgency
    causes: tuple[Cause, ...] = ()
    not_ready_at: NotReady | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was measured against what was expected.

    signal: whose reading; "" where silence is the evidence. symbol: its measure. measured: last judged value.
    expected: the learned normal, None until learned. limit: the bound that was passed. level: warning, limit or
    not_ready; "" where the condition has no levels. limits_version: of the record that raised it, 0: defaults only.
    text: one plain sentence.
    """

    signal: str = ""
    symbol: str = ""
    measured: float | None = None
    expected: float | None = None
    limit: float | None = None
    level: str = ""
    limits_version: int = 0
    text: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """What the assessment says of one condition of one unit.

    at_ns: when it became so, on the readings' own times. noticed_ns: when the program could know it, time of arrival.
    suppressed: an open condition explains it (monitor.alarms.explaining), so that one speaks for both.
    """

    unit: str
    condition: str
    kind: Kind
    at_ns: int
    noticed_ns: int
    said: Said
    evidence: Evidence = Evidence()
    suppressed: bool = False


@dataclass(frozen=True, slots=True)
class Alarm:
    """One occurrence of one condition at one unit. Times ns UTC; None: not yet."""

    id: str
    unit: str
    condition: str
    state: State
    raised_at_ns: int
    noticed_at_ns: int
    first_said: Said
    said: Said
    evidence: Evidence
    urgency_history: tuple[tuple[int, Urgency], ...]
    cleared_at_ns: int | None = None
    cleared_noticed_ns: int | None = None
    acknowledged_at_ns: int | None = None
    acknowledged_by: str = ""
    note: str = ""
    shelved_until_ns: int | None = None

    @property
    def urgency(self) -> Urgency:
        """As last said."""
        return self.said.urgency

    @property
    def present(self) -> bool:
        """Whether the condition stands, whatever anybody answered."""
        return self.cleared_at_ns is None


def alarm_id(unit: str, condition: str, raised_at_ns: int) -> str:
    """The id of an occurrence: the same whenever the same history is judged."""
    return str(uuid5(NAMESPACE_URL, f"stillready:{unit}:{condition}:{raised_at_ns}"))


def raised(finding: Finding) -> Alarm:
    """The alarm that a finding of kind RAISED begins."""
    assert finding.kind is Kind.RAISED, "only a raised condition begins an alarm"
    return Alarm(
        id=alarm_id(finding.unit, finding.condition, finding.at_ns),
        unit=finding.unit,
        condition=finding.condition,
        state=State.SUPPRESSED if finding.suppressed else AFTER_WINDOW[State.NORMAL][0],
        raised_at_ns=finding.at_ns,
        noticed_at_ns=finding.noticed_ns,
        first_said=finding.said,
        said=finding.said,
        evidence=finding.evidence,
        urgency_history=((finding.at_ns, finding.said.urgency),),
    )


def after_finding(alarm: Alarm, finding: Finding) -> Alarm:
    """The alarm after a later finding on its condition.

    A rise in urgency makes an acknowledged alarm unacknowledged; a shelved one comes off its shelf only where it is
    needed now. What is explained from now on is suppressed, and keeps what it said last until it asks anew.
    """
    assert finding.kind is not Kind.RAISED, "a new occurrence is a new alarm"
    if finding.kind is Kind.CLEARED:
        return replace(
            alarm,
            state=AFTER_WINDOW[alarm.state][1],
            cleared_at_ns=max(finding.at_ns, alarm.raised_at_ns),
            cleared_noticed_ns=finding.noticed_ns,
            shelved_until_ns=None,
        )
    urgency = finding.said.urgency
    state = _after_explanation(alarm.state, suppressed=finding.suppressed)
    if state is State.SUPPRESSED:
        return replace(alarm, state=state, shelved_until_ns=None)
    history = alarm.urgency_history
    if urgency is not alarm.urgency:
        history = (*history, (finding.at_ns, urgency))
    if urgency.rank > alarm.urgency.rank:
        past_shelf = state is State.SHELVED and urgency is Urgency.NOW
        if state is State.ACKNOWLEDGED or past_shelf:
            state = State.UNACKNOWLEDGED
    return replace(
        alarm,
        state=state,
        said=finding.said,
        evidence=finding.evidence,
        urgency_history=history,
        shelved_until_ns=alarm.shelved_until_ns if state is State.SHELVED else None,
    )


def _after_explanation(state: State, *, suppressed: bool) -> State:
    """An alarm's state once it is, or is not, explained by another one, which is not out of service by that."""
    if suppressed and state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.SHELVED):
        return State.SUPPRESSED
    if not suppressed and state is State.SUPPRESSED:
        return State.UNACKNOWLEDGED
    return state


def after_answer(
    alarm: Alarm, answer: Answer, *, by: str, note: str, at_ns: int, shelve_until_ns: int | None = None
) -> Alarm:
    """The alarm after a person's answer.

    Args:
        by: name of who answers, not empty. note: their words, may be empty. at_ns: when they said it.
        shelve_until_ns: end of the shelf, only and always for SHELVE; after at_ns, at most SHELF_NS_MAX later.
    Raises:
        Refused: the state does not take this answer, or the name or the shelf's end is missing or out of range.
    """
    if not by.strip():
        raise Refused("Say who you are: the name of whoever answers is kept with the alarm.")
    state = AFTER_ANSWER.get((alarm.state, answer))
    if state is None:
        raise Refused(f"This alarm is {alarm.state.value.replace('_', ' ')}: it does not take '{answer.value}'.")
    if answer is Answer.SHELVE:
        if shelve_until_ns is None or not at_ns < shelve_until_ns <= at_ns + SHELF_NS_MAX:
            latest = to_rfc3339(at_ns + SHELF_NS_MAX)
            raise Refused(f"A shelf needs an end after now and not after {latest}, for example tomorrow morning.")
        return replace(alarm, state=state, shelved_until_ns=shelve_until_ns, acknowledged_by=by, note=note)
    if answer is Answer.UNSHELVE:
        return replace(alarm, state=state, shelved_until_ns=None)
    first = alarm.acknowledged_at_ns is None
    return replace(
        alarm,
        state=state,
        acknowledged_at_ns=at_ns if first else alarm.acknowledged_at_ns,
        acknowledged_by=by if first else alarm.acknowledged_by,
        note=note or alarm.note,
    )


def superseded(alarm: Alarm) -> Alarm:
    """An occurrence that waits for its acknowledgement while the condition is raised anew: the new one asks for it."""
    assert alarm.state is State.RETURNED, "only what has returned can be raised anew"
    return replace(alarm, state=State.NORMAL)


def off_shelf(alarm: Alarm) -> Alarm:
    """A shelved alarm whose shelf has ended: what still stands asks anew."""
    assert alarm.state is State.SHELVED, "only a shelved alarm has a shelf to leave"
    return replace(alarm, state=State.UNACKNOWLEDGED, shelved_until_ns=None)
