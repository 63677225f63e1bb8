"""The life of an alarm, held against the tables of ISA-18.2: every state with every event."""

from dataclasses import replace

import pytest

from monitor.alarms import lifecycle
from monitor.alarms.changes import EventType, changes_of
from monitor.alarms.lifecycle import (
    AFTER_ANSWER,
    AFTER_WINDOW,
    SHELF_NS_MAX,
    Alarm,
    Answer,
    Evidence,
    Finding,
    Kind,
    NotReady,
    Refused,
    Said,
    State,
    Urgency,
)
from monitor.times import DAY_NS, HOUR_NS, from_rfc3339

RAISED_NS = from_rfc3339("2026-01-13T04:00:00Z")
CLEARED_NS = RAISED_NS + HOUR_NS
ANSWERED_NS = RAISED_NS + 2 * HOUR_NS


def finding(kind=Kind.RAISED, urgency=Urgency.BEFORE_VISIT, at_ns=RAISED_NS, unit="mill-1", noticed_ns=None):
    return Finding(unit, "low_gas_pressure", kind, at_ns, at_ns if noticed_ns is None else noticed_ns, Said(urgency))


def alarm(state=State.UNACKNOWLEDGED, urgency=Urgency.BEFORE_VISIT, cleared_at_ns=None) -> Alarm:
    shelf = RAISED_NS + DAY_NS if state is State.SHELVED else None
    fresh = lifecycle.raised(finding(urgency=urgency))
    return replace(fresh, state=state, cleared_at_ns=cleared_at_ns, shelved_until_ns=shelf)


def answered(before: Alarm, answer: Answer, **kwargs) -> Alarm:
    words = {"by": "Ines", "note": "on my way", "at_ns": ANSWERED_NS, **kwargs}
    if answer is Answer.SHELVE:
        words = {"shelve_until_ns": ANSWERED_NS + DAY_NS, **words}
    return lifecycle.after_answer(before, answer, **words)


# ISA-18.2: what the tables must say, written down again from the standard's diagram, not from the code.
ONCE_ABSENT = {
    State.UNACKNOWLEDGED: State.RETURNED,
    State.ACKNOWLEDGED: State.NORMAL,
    State.SHELVED: State.NORMAL,
    State.SUPPRESSED: State.NORMAL,
    State.OUT_OF_SERVICE: State.OUT_OF_SERVICE,
    State.NORMAL: State.NORMAL,
    State.RETURNED: State.RETURNED,
}
AFTER = {
    (State.UNACKNOWLEDGED, Answer.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Answer.SHELVE): State.SHELVED,
    (State.UNACKNOWLEDGED, Answer.FOUND): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Answer.SHELVE): State.SHELVED,
    (State.ACKNOWLEDGED, Answer.FOUND): State.ACKNOWLEDGED,
    (State.RETURNED, Answer.ACKNOWLEDGE): State.NORMAL,
    (State.RETURNED, Answer.FOUND): State.NORMAL,
    (State.SHELVED, Answer.UNSHELVE): State.UNACKNOWLEDGED,
    (State.SHELVED, Answer.FOUND): State.SHELVED,
    (State.NORMAL, Answer.FOUND): State.NORMAL,
}


@pytest.mark.parametrize("state", list(State))
def test_every_state_once_its_condition_is_gone(state):
    after = lifecycle.after_finding(alarm(state), finding(Kind.CLEARED, at_ns=CLEARED_NS, noticed_ns=CLEARED_NS + 5))
    assert after.state is ONCE_ABSENT[state]
    assert (after.cleared_at_ns, after.cleared_noticed_ns, after.shelved_until_ns) == (CLEARED_NS, CLEARED_NS + 5, None)
    assert not after.present


@pytest.mark.parametrize("state", list(State))
@pytest.mark.parametrize("answer", list(Answer))
def test_every_state_takes_an_answer_or_refuses_it_in_words(state, answer):
    before = alarm(state)
    if (state, answer) in AFTER:
        assert answered(before, answer).state is AFTER[state, answer]
    else:
        with pytest.raises(Refused, match=rf"is {state.value.replace('_', ' ')}: it does not take '{answer.value}'"):
            answered(before, answer)


def test_the_tables_have_no_row_that_was_not_walked():
    assert dict(AFTER_ANSWER) == AFTER
    assert {state: pair[1] for state, pair in AFTER_WINDOW.items()} == ONCE_ABSENT


@pytest.mark.parametrize("state", [State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED])
def test_what_is_explained_keeps_what_it_said_until_it_asks_anew(state):
    more_urgent = finding(Kind.CHANGED, Urgency.NOW, at_ns=CLEARED_NS)
    explained = lifecycle.after_finding(alarm(state, Urgency.AT_VISIT), replace(more_urgent, suppressed=True))
    assert (explained.state, explained.urgency) == (State.SUPPRESSED, Urgency.AT_VISIT)
    alone = lifecycle.after_finding(explained, more_urgent)
    assert (alone.state, alone.urgency) == (State.UNACKNOWLEDGED, Urgency.NOW)


@pytest.mark.parametrize(
    ("state", "from_urgency", "to_urgency", "becomes"),
    [
        (State.UNACKNOWLEDGED, Urgency.AT_VISIT, Urgency.NOW, State.UNACKNOWLEDGED),
        (State.ACKNOWLEDGED, Urgency.AT_VISIT, Urgency.BEFORE_VISIT, State.UNACKNOWLEDGED),
        (State.ACKNOWLEDGED, Urgency.BEFORE_VISIT, Urgency.NOW, State.UNACKNOWLEDGED),
        (State.ACKNOWLEDGED, Urgency.NOW, Urgency.BEFORE_VISIT, State.ACKNOWLEDGED),
        (State.ACKNOWLEDGED, Urgency.NOW, Urgency.NOW, State.ACKNOWLEDGED),
        (State.SHELVED, Urgency.AT_VISIT, Urgency.BEFORE_VISIT, State.SHELVED),
        (State.SHELVED, Urgency.BEFORE_VISIT, Urgency.NOW, State.UNACKNOWLEDGED),
        (State.SHELVED, Urgency.NOW, Urgency.AT_VISIT, State.SHELVED),
        (State.OUT_OF_SERVICE, Urgency.AT_VISIT, Urgency.NOW, State.OUT_OF_SERVICE),
    ],
)
def test_a_rise_in_urgency_asks_anew_and_past_a_shelf_only_when_needed_now(state, from_urgency, to_urgency, becomes):
    before = alarm(state, from_urgency)
    after = lifecycle.after_finding(before, finding(Kind.CHANGED, to_urgency, at_ns=CLEARED_NS))
    assert after.state is becomes
    assert after.urgency is to_urgency
    assert after.present
    assert after.shelved_until_ns == (before.shelved_until_ns if becomes is State.SHELVED else None)


def test_the_history_of_urgency_has_each_change_once():
    one = alarm(urgency=Urgency.AT_VISIT)
    for hour, urgency in enumerate((Urgency.NOW, Urgency.NOW, Urgency.AT_VISIT), start=1):
        one = lifecycle.after_finding(one, finding(Kind.CHANGED, urgency, at_ns=RAISED_NS + hour * HOUR_NS))
    assert one.urgency_history == (
        (RAISED_NS, Urgency.AT_VISIT),
        (RAISED_NS + HOUR_NS, Urgency.NOW),
        (RAISED_NS + 3 * HOUR_NS, Urgency.AT_VISIT),
    )
    assert one.first_said == Said(Urgency.AT_VISIT)


def test_what_was_first_said_stays_and_what_was_last_said_follows():
    first = lifecycle.raised(finding(urgency=Urgency.AT_VISIT))
    now = NotReady(CLEARED_NS, CLEARED_NS, CLEARED_NS)
    later = replace(
        finding(Kind.CHANGED, at_ns=CLEARED_NS), said=Said(Urgency.NOW, (), now), evidence=Evidence("gas_pressure")
    )
    after = lifecycle.after_finding(first, later)
    assert after.first_said == Said(Urgency.AT_VISIT)
    assert after.said == Said(Urgency.NOW, (), now)
    assert after.evidence.signal == "gas_pressure"


def test_an_alarm_is_never_cleared_before_it_was_raised():
    after = lifecycle.after_finding(alarm(), finding(Kind.CLEARED, at_ns=RAISED_NS - HOUR_NS))
    assert after.cleared_at_ns == RAISED_NS


def test_the_same_history_gives_the_same_ids():
    assert lifecycle.raised(finding()).id == lifecycle.raised(finding(urgency=Urgency.NOW)).id
    assert (
        lifecycle.raised(finding()).id == "fa0d23e5-8f74-5db3-9bc0-deb5cc5ff277"
    )  # kept in databases and links: it never changes
    others = {lifecycle.raised(one).id for one in (finding(), finding(unit="mill-2"), finding(at_ns=RAISED_NS + 1))}
    assert len(others) == 3


def test_who_answers_says_who_they_are():
    for nobody in ("", "  "):
        with pytest.raises(Refused, match="Say who you are"):
            answered(alarm(), Answer.ACKNOWLEDGE, by=nobody)


@pytest.mark.parametrize("until_ns", [None, ANSWERED_NS, ANSWERED_NS - 1, ANSWERED_NS + SHELF_NS_MAX + 1])
def test_a_shelf_needs_an_end_within_a_week(until_ns):
    with pytest.raises(Refused, match="A shelf needs an end after now and not after 2026-01-20T06:00:00Z"):
        answered(alarm(), Answer.SHELVE, shelve_until_ns=until_ns)


def test_a_shelf_of_a_whole_week_is_taken():
    after = answered(alarm(), Answer.SHELVE, shelve_until_ns=ANSWERED_NS + 7 * DAY_NS)
    assert (after.state, after.shelved_until_ns) == (State.SHELVED, ANSWERED_NS + 7 * DAY_NS)


def test_the_first_to_acknowledge_is_kept():
    after = answered(
        answered(alarm(), Answer.ACKNOWLEDGE), Answer.FOUND, by="Tom", note="fuse", at_ns=CLEARED_NS + DAY_NS
    )
    assert (after.acknowledged_by, after.acknowledged_at_ns, after.note) == ("Ines", ANSWERED_NS, "fuse")


def test_off_the_shelf_what_still_stands_asks_anew():
    after = lifecycle.off_shelf(alarm(State.SHELVED))
    assert (after.state, after.shelved_until_ns) == (State.UNACKNOWLEDGED, None)


# --- from findings to changes ---


def events(changes):
    return [(change.event, change.after.state) for change in changes]


def test_raised_changed_returned_each_tell():
    standing, changes = changes_of(
        {},
        [
            finding(urgency=Urgency.AT_VISIT),
            finding(Kind.CHANGED, Urgency.NOW, at_ns=RAISED_NS + 1),
            finding(Kind.CLEARED, Urgency.NOW, at_ns=RAISED_NS + 2),
        ],
    )
    assert events(changes) == [
        (EventType.RAISED, State.UNACKNOWLEDGED),
        (EventType.URGENCY_CHANGED, State.UNACKNOWLEDGED),
        (EventType.RETURNED, State.RETURNED),
    ]
    assert list(standing) == [("mill-1", "low_gas_pressure")]


def test_a_change_that_changes_no_urgency_tells_nobody():
    _, changes = changes_of({}, [finding(), finding(Kind.CHANGED, at_ns=RAISED_NS + 1)])
    assert events(changes) == [(EventType.RAISED, State.UNACKNOWLEDGED), (None, State.UNACKNOWLEDGED)]


def test_acknowledged_and_returned_no_longer_stands():
    key = ("mill-1", "low_gas_pressure")
    standing, _ = changes_of({key: alarm(State.ACKNOWLEDGED)}, [finding(Kind.CLEARED, at_ns=CLEARED_NS)])
    assert standing == {}


def test_raised_anew_while_the_last_one_waits_for_its_acknowledgement_the_new_one_asks():
    key = ("mill-1", "low_gas_pressure")
    waiting = alarm(State.RETURNED, cleared_at_ns=CLEARED_NS)
    standing, changes = changes_of({key: waiting}, [finding(at_ns=CLEARED_NS + HOUR_NS)])
    assert events(changes) == [(None, State.NORMAL), (EventType.RAISED, State.UNACKNOWLEDGED)]
    assert changes[0].after.id == waiting.id
    assert standing[key].id != waiting.id


def test_findings_that_were_applied_before_change_nothing():
    key = ("mill-1", "low_gas_pressure")
    assert changes_of({key: alarm()}, [finding()]) == ({key: alarm()}, [])
    assert changes_of({}, [finding(Kind.CLEARED), finding(Kind.CHANGED)]) == ({}, [])
    returned = {key: alarm(State.RETURNED, cleared_at_ns=CLEARED_NS)}
    assert changes_of(returned, [finding(Kind.CLEARED, at_ns=CLEARED_NS + 1)]) == (returned, [])


def test_units_do_not_touch_each_other():
    standing, changes = changes_of({}, [finding(), finding(unit="mill-2"), finding(Kind.CLEARED, unit="mill-2")])
    assert standing["mill-1", "low_gas_pressure"].present
    assert [change.after.unit for change in changes] == ["mill-1", "mill-2", "mill-2"]


def test_urgencies_rise_from_visit_to_now_and_the_visit_calls_nobody():
    assert [urgency.rank for urgency in (Urgency.AT_VISIT, Urgency.BEFORE_VISIT, Urgency.NOW)] == [0, 1, 2]
    assert [urgency.calls for urgency in Urgency] == [False, True, True]
