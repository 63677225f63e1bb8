"""What every operations store has to do: alarms and answers, the outbox, limits, visits."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from itertools import count

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.alarms.changes import EventType, changes_of
from monitor.alarms.lifecycle import (
    Alarm,
    Answer,
    Cause,
    Evidence,
    Finding,
    Kind,
    NotReady,
    Refused,
    Said,
    State,
    Urgency,
    alarm_id,
)
from monitor.stores.alarm_rows import ALARMS_A_PAGE_MAX
from monitor.stores.database import alembic_config
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.stores.protocols import AlarmQuery, CallOut, StoreUnavailable
from monitor.stores.tables import HEAD
from monitor.times import HOUR_NS, MINUTE_NS, SECOND_NS

NOON_NS = 1_767_268_800 * SECOND_NS  # 2026-01-01T12:00:00Z
SAID = Said(
    Urgency.BEFORE_VISIT,
    (Cause("heater_failed/element_open", 0.7), Cause("heater_failed/no_ac_supply", 0.2)),
    NotReady(NOON_NS + 5 * HOUR_NS, NOON_NS + 9 * HOUR_NS, None),
)
OCCURRENCE = count()  # each example of a law is an alarm of its own
EVIDENCE = Evidence("jacket_water_temperature", "Cel", 31.4, 40.1, 32.0, "limit", 3, "Water is 8.7 Cel below normal.")


def finding(kind, at_ns=NOON_NS, *, unit="pump-1", condition="heater_failed", urgency=Urgency.BEFORE_VISIT):
    return Finding(unit, condition, kind, at_ns, at_ns + 30 * SECOND_NS, replace(SAID, urgency=urgency), EVIDENCE)


def nobody(_changes, _told):
    return []


def call_out(alarm_id, *, key="key", event="raised", at_ns=NOON_NS, **more):
    return CallOut(key, (alarm_id,), event, "email", "ann@example.org", '{"type": "raised"}', at_ns, at_ns, **more)


def everybody(changes, _told):
    """One call-out a change, whose key says which change it is."""
    return [
        call_out(
            change.after.id,
            key=f"{change.after.id}/{change.event}/{change.at_ns}",
            event=change.event,
            at_ns=change.at_ns,
        )
        for change in changes
        if change.event
    ]


def assess(operations, *findings, plan=nobody):
    return operations.record_assessment(findings, max(each.noticed_ns for each in findings), plan)


def raise_one(operations, at_ns=NOON_NS, plan=nobody, **more) -> Alarm:
    """The alarm that one finding raises."""
    (change,) = assess(operations, finding(Kind.RAISED, at_ns, **more), plan=plan)
    return change.after


def acknowledge(operations, alarm, plan=nobody, answer=Answer.ACKNOWLEDGE, at_ns=NOON_NS + HOUR_NS, **more):
    return operations.record_answer(alarm.id, answer, by="Ann", note="on my way", at_ns=at_ns, plan=plan, **more)


# Alarms


def test_a_raised_alarm_is_kept_as_it_is_across_a_restart(open_operations, tmp_path):
    first = open_operations(tmp_path)
    alarm = raise_one(first)
    first.close()
    again = open_operations(tmp_path)
    assert again.alarm(alarm.id) == alarm
    assert again.standing() == [alarm]
    assert again.assessed_until_ns() == NOON_NS + 30 * SECOND_NS
    again.close()


def test_the_store_makes_of_findings_what_the_rules_in_memory_make(operations):
    """Live and replay: findings one at a time through the store, or at once in memory, give the same alarms."""
    findings = [
        finding(Kind.RAISED, NOON_NS),
        finding(Kind.RAISED, NOON_NS + 1 * MINUTE_NS, condition="vent_blocked", urgency=Urgency.AT_VISIT),
        finding(Kind.CHANGED, NOON_NS + 2 * MINUTE_NS, urgency=Urgency.NOW),
        finding(Kind.CLEARED, NOON_NS + 3 * MINUTE_NS, urgency=Urgency.NOW),
        finding(Kind.RAISED, NOON_NS + 4 * MINUTE_NS),
        finding(Kind.CLEARED, NOON_NS + 5 * MINUTE_NS, condition="vent_blocked"),
    ]
    standing, changes = changes_of({}, findings)
    assert [change for each in findings for change in assess(operations, each)] == changes
    assert sorted(operations.standing(), key=lambda alarm: alarm.id) == sorted(
        standing.values(), key=lambda alarm: alarm.id
    )
    for change in changes:
        last = [other.after for other in changes if other.after.id == change.after.id][-1]
        assert operations.alarm(change.after.id) == last


def test_an_alarm_that_changes_twice_in_one_assessment_is_kept_as_it_is_last(operations):
    changes = assess(operations, finding(Kind.RAISED), finding(Kind.CLEARED, NOON_NS + MINUTE_NS))
    assert [change.event for change in changes] == [EventType.RAISED, EventType.RETURNED]
    kept = operations.alarm(changes[0].after.id)
    assert (kept.state, kept.cleared_at_ns) == (State.RETURNED, NOON_NS + MINUTE_NS)


def test_findings_applied_before_a_restart_are_skipped(open_operations, tmp_path):
    findings = [finding(Kind.RAISED), finding(Kind.CHANGED, NOON_NS + MINUTE_NS, urgency=Urgency.NOW)]
    first = open_operations(tmp_path)
    assert len(assess(first, *findings, plan=everybody)) == 2
    first.close()
    again = open_operations(tmp_path)
    assert assess(again, *findings, plan=everybody) == []
    assert len(again.call_outs()) == 2
    later = finding(Kind.CLEARED, NOON_NS + 2 * MINUTE_NS)
    assert [change.event for change in assess(again, *findings, later)] == [EventType.RETURNED]
    again.close()


def test_history_judged_again_raises_nothing_twice(operations):
    """An import of older history makes the same findings come once more, noticed later."""
    gone = [finding(Kind.RAISED), finding(Kind.CLEARED, NOON_NS + MINUTE_NS)]
    assess(operations, *gone)
    alarm = operations.standing()[0]
    acknowledge(operations, alarm)
    kept = operations.alarm(alarm.id)
    again = [replace(each, noticed_ns=NOON_NS + 9 * HOUR_NS) for each in gone]
    assert assess(operations, *again, plan=everybody) == []
    assert operations.alarm(alarm.id) == kept
    assert operations.call_outs() == []


def test_a_returned_alarm_judged_again_still_waits_for_its_acknowledgement(operations):
    gone = [finding(Kind.RAISED), finding(Kind.CLEARED, NOON_NS + MINUTE_NS)]
    assess(operations, *gone)
    assess(operations, *[replace(each, noticed_ns=NOON_NS + 9 * HOUR_NS) for each in gone])
    assert [alarm.state for alarm in operations.standing()] == [State.RETURNED]


def test_progress_never_goes_back(operations):
    operations.record_assessment([], NOON_NS, nobody)
    operations.record_assessment([], NOON_NS - HOUR_NS, nobody)
    assert operations.assessed_until_ns() == NOON_NS


def test_nothing_was_assessed_before_the_first_assessment(operations):
    assert operations.assessed_until_ns() is None


def test_with_no_findings_the_plan_is_not_asked(operations):
    def never(_changes, _told):
        raise AssertionError("nothing changed, so nobody is to be told")

    assert operations.record_assessment([], NOON_NS, never) == []
    assert operations.assessed_until_ns() == NOON_NS


def test_a_plan_that_fails_undoes_the_assessment(operations):
    def failing(_changes, _told):
        raise LookupError("no rota")

    with pytest.raises(LookupError, match="no rota"):
        assess(operations, finding(Kind.RAISED), plan=failing)
    assert operations.standing() == []
    assert operations.assessed_until_ns() is None
    assert raise_one(operations).state is State.UNACKNOWLEDGED


@given(
    measured=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    probability=st.floats(0, 1),
    p50=st.none() | st.integers(0, 2**62),
    text=st.text(st.characters(exclude_categories=["Cs"]), max_size=30),
    at_ns=st.integers(0, 2**62),
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_an_alarm_says_comes_back_exactly(operations, measured, probability, p50, text, at_ns):
    said = Said(Urgency.NOW, (Cause("vent_blocked", probability),), NotReady(None, p50, None))
    evidence = Evidence(measured=measured, text=text)
    raised = Finding(f"unit-{next(OCCURRENCE)}", "vent_blocked", Kind.RAISED, at_ns, 2**62, said, evidence)
    (change,) = operations.record_assessment([raised], 0, nobody)
    assert operations.alarm(change.after.id) == change.after


# Pages of alarms


def test_alarms_come_newest_raised_first(operations):
    """Not last noticed first: a late batch brings an older alarm."""
    hours = {"pump-1": 1, "pump-3": 3, "pump-2": 2}
    assess(operations, *(finding(Kind.RAISED, NOON_NS + hour * HOUR_NS, unit=unit) for unit, hour in hours.items()))
    assert [alarm.unit for alarm in operations.alarms(AlarmQuery()).alarms] == ["pump-3", "pump-2", "pump-1"]
    assert [alarm.unit for alarm in operations.standing()] == ["pump-3", "pump-2", "pump-1"]


def test_pages_give_each_alarm_once_while_new_ones_are_raised(operations):
    """Five of them at the very same moment: there the id decides."""
    assess(operations, *(finding(Kind.RAISED, NOON_NS, unit=f"same-{number}") for number in range(5)))
    assess(operations, *(finding(Kind.RAISED, NOON_NS + number, unit=f"pump-{number}") for number in range(1, 5)))
    expected = [alarm.id for alarm in operations.alarms(AlarmQuery()).alarms]
    assert len(expected) == 9
    seen = []
    query: AlarmQuery | None = AlarmQuery(limit=2)
    while query is not None and len(seen) < 20:
        page = operations.alarms(query)
        seen += [alarm.id for alarm in page.alarms]
        raise_one(operations, NOON_NS + len(seen) * HOUR_NS, unit=f"newer-{len(seen)}")
        query = replace(query, cursor=page.next_cursor) if page.next_cursor else None
    assert seen == expected


@pytest.mark.parametrize(
    ("query", "units"),
    [
        (AlarmQuery(unit="pump-1"), ["pump-1"]),
        (AlarmQuery(units=("pump-1", "school")), ["school", "pump-1"]),
        (AlarmQuery(condition="vent_blocked"), ["school"]),
        (AlarmQuery(urgency="now"), ["pump-2"]),
        (AlarmQuery(state="acknowledged"), ["pump-1"]),
        (AlarmQuery(from_ns=NOON_NS + MINUTE_NS), ["school", "pump-2"]),
        (AlarmQuery(to_ns=NOON_NS + MINUTE_NS), ["pump-1"]),
        (AlarmQuery(unit="pump-1", urgency="now"), []),
        (AlarmQuery(), ["school", "pump-2", "pump-1"]),
    ],
)
def test_a_query_filters(operations, query, units):
    acknowledge(operations, raise_one(operations), at_ns=NOON_NS + 1)
    raise_one(operations, NOON_NS + MINUTE_NS, unit="pump-2", urgency=Urgency.NOW)
    raise_one(operations, NOON_NS + 2 * MINUTE_NS, unit="school", condition="vent_blocked")
    assert [alarm.unit for alarm in operations.alarms(query).alarms] == units


def test_a_page_is_bounded(operations):
    assess(operations, *(finding(Kind.RAISED, unit=f"pump-{n}") for n in range(ALARMS_A_PAGE_MAX + 5)))
    page = operations.alarms(AlarmQuery(limit=10**9))
    assert len(page.alarms) == ALARMS_A_PAGE_MAX
    assert len(operations.alarms(AlarmQuery(limit=10**9, cursor=page.next_cursor)).alarms) == 5


@pytest.mark.parametrize("cursor", ["nonsense", "12_", "_x", "1e5_x", "9" * 30 + "_x", "²_x"])
def test_a_cursor_that_no_page_gave_is_refused(operations, cursor):
    with pytest.raises(ValueError, match="is no cursor that a page of alarms gave"):
        operations.alarms(AlarmQuery(cursor=cursor))


# Answers


def test_an_answer_is_kept_with_who_gave_it_and_what_they_said(operations):
    alarm = raise_one(operations)
    change = acknowledge(operations, alarm)
    assert change.event is EventType.ACKNOWLEDGED
    assert operations.alarm(alarm.id) == change.after
    assert (change.after.state, change.after.acknowledged_by) == (State.ACKNOWLEDGED, "Ann")
    line = operations.alarm_events(alarm.id)[-1]
    assert (line.what, line.by, line.note, line.at_ns) == ("acknowledged", "Ann", "on my way", NOON_NS + HOUR_NS)


def test_an_alarms_history_tells_all_that_happened(operations):
    alarm = raise_one(operations)
    assess(operations, finding(Kind.CHANGED, NOON_NS + MINUTE_NS))  # the causes moved: no line
    assess(operations, finding(Kind.CHANGED, NOON_NS + 2 * MINUTE_NS, urgency=Urgency.NOW))
    acknowledge(operations, alarm, answer=Answer.FOUND)
    acknowledge(operations, alarm, answer=Answer.SHELVE, shelve_until_ns=NOON_NS + 2 * HOUR_NS)
    operations.unshelve_due(NOON_NS + 2 * HOUR_NS, nobody)
    assess(operations, finding(Kind.CLEARED, NOON_NS + 3 * HOUR_NS))
    assess(operations, finding(Kind.RAISED, NOON_NS + 4 * HOUR_NS))
    assert [(line.what, line.note) for line in operations.alarm_events(alarm.id)] == [
        ("raised", "before_visit"),
        ("urgency_changed", "before_visit to now"),
        ("found", "on my way"),
        ("shelved", "on my way"),
        ("shelf_ended", ""),
        ("returned", ""),
        ("superseded", ""),
    ]


def test_an_answer_to_an_unknown_alarm_is_refused(operations):
    with pytest.raises(KeyError, match="no alarm has the id"):
        operations.record_answer("nothing", Answer.FOUND, by="Ann", note="", at_ns=NOON_NS, plan=nobody)


def test_an_answer_that_does_not_fit_changes_nothing(operations):
    alarm = raise_one(operations)
    with pytest.raises(Refused, match="does not take 'unshelve'"):
        acknowledge(operations, alarm, answer=Answer.UNSHELVE)
    assert operations.alarm(alarm.id) == alarm
    assert [line.what for line in operations.alarm_events(alarm.id)] == ["raised"]


def test_an_alarm_off_its_shelf_asks_anew(operations):
    alarm = raise_one(operations)
    acknowledge(operations, alarm, answer=Answer.SHELVE, shelve_until_ns=NOON_NS + 3 * HOUR_NS)
    assert operations.unshelve_due(NOON_NS + 3 * HOUR_NS - 1, everybody) == []
    (change,) = operations.unshelve_due(NOON_NS + 3 * HOUR_NS, everybody)
    assert (change.after.state, change.event) == (State.UNACKNOWLEDGED, EventType.RAISED)
    assert operations.unshelve_due(NOON_NS + 3 * HOUR_NS, everybody) == []
    assert [each.event for each in operations.call_outs()] == ["raised"]


def test_answers_and_assessments_at_once_lose_neither(operations):
    """An answer is applied to the alarm as it stands, an assessment too: urgency and acknowledgement both are there."""
    units = [f"pump-{number}" for number in range(12)]
    assess(operations, *(finding(Kind.RAISED, unit=unit) for unit in units))

    def answer(unit):
        return acknowledge(operations, operations.alarm(alarm_id(unit, "heater_failed", NOON_NS)), everybody)

    def judge(unit):
        each = finding(Kind.CHANGED, NOON_NS + HOUR_NS, unit=unit, urgency=Urgency.AT_VISIT)  # a fall asks nobody anew
        return operations.record_assessment([each], NOON_NS + MINUTE_NS, everybody)

    with ThreadPoolExecutor(8) as threads:
        work = [threads.submit(each, unit) for unit in units for each in (answer, judge)]
        for done in work:
            done.result()
    for alarm in operations.standing():
        assert (alarm.state, alarm.urgency) == (State.ACKNOWLEDGED, Urgency.AT_VISIT)
        assert {line.what for line in operations.alarm_events(alarm.id)} == {
            "raised",
            "acknowledged",
            "urgency_changed",
        }
    assert len(operations.standing()) == 12
    assert len(operations.call_outs()) == 24


def test_two_openings_of_one_place_lose_no_answer(open_operations, tmp_path):
    """As a command beside the running program would: each reads the alarm only once it may write."""
    one, other = open_operations(tmp_path), open_operations(tmp_path)
    alarms = [raise_one(one, NOON_NS + number * HOUR_NS, unit=f"pump-{number}") for number in range(10)]
    with ThreadPoolExecutor(4) as threads:
        shelf = {"answer": Answer.SHELVE, "shelve_until_ns": NOON_NS + 20 * HOUR_NS, "at_ns": NOON_NS + 10 * HOUR_NS}
        work = [threads.submit(acknowledge, one, alarm, answer=Answer.FOUND) for alarm in alarms]
        work += [threads.submit(acknowledge, other, alarm, **shelf) for alarm in alarms]
        for done in work:
            done.result()
    for alarm in one.standing():
        assert alarm.state is State.SHELVED
        assert {line.what for line in other.alarm_events(alarm.id)} == {"raised", "found", "shelved"}
    one.close()
    other.close()


# Call-outs


def test_a_call_out_is_put_into_the_outbox_with_the_change_that_asks_for_it(operations):
    alarm = raise_one(operations, plan=everybody)
    (waiting,) = operations.call_outs_due(NOON_NS, 10)
    assert (waiting.alarm_id, waiting.event, waiting.outcome) == (alarm.id, "raised", "waiting")


def test_the_plan_is_told_the_greatest_urgency_anybody_heard_of(operations):
    heard = []

    def listening(changes, told):
        heard.append({change.after.id: told[change.after.id] for change in changes})
        return everybody(changes, told)

    alarm = raise_one(operations, plan=listening)
    assess(operations, finding(Kind.CHANGED, NOON_NS + MINUTE_NS, urgency=Urgency.NOW), plan=listening)
    assess(operations, finding(Kind.CHANGED, NOON_NS + 2 * MINUTE_NS, urgency=Urgency.AT_VISIT), plan=listening)
    assess(operations, finding(Kind.CLEARED, NOON_NS + 3 * MINUTE_NS), plan=listening)
    assert heard == [{alarm.id: ""}, {alarm.id: "before_visit"}, {alarm.id: "now"}, {alarm.id: "now"}]


def test_whoever_was_not_reached_was_not_told(operations):
    alarm = raise_one(operations, plan=everybody)
    assert operations.call_outs_dropped(alarm.id, "it returned to normal before anybody was called", NOON_NS + 1) == 1
    heard = []
    assess(operations, finding(Kind.CLEARED, NOON_NS + MINUTE_NS), plan=lambda _, told: heard.append(dict(told)) or [])
    assert heard == [{alarm.id: ""}]


def test_the_same_key_again_puts_nothing_into_the_outbox(operations):
    alarm = raise_one(operations, plan=everybody)
    (waiting,) = operations.call_outs()
    operations.record_try(replace(waiting, outcome="delivered", tries=1, delivered_ns=NOON_NS + 5))
    acknowledge(operations, alarm, plan=lambda _changes, _told: [replace(waiting, body="other")])
    (kept,) = operations.call_outs()
    assert (kept.outcome, kept.body) == ("delivered", waiting.body)


def test_only_what_is_due_is_given_out_the_longest_due_first(operations):
    keys = {"late": 30, "first": 10, "second": 20, "not_yet": 90}

    def plan(changes, _told):
        alarm = changes[0].after
        return [replace(call_out(alarm.id, key=key), not_before_ns=NOON_NS + wait) for key, wait in keys.items()]

    raise_one(operations, plan=plan)
    assert [each.key for each in operations.call_outs_due(NOON_NS + 30, 10)] == ["first", "second", "late"]
    assert [each.key for each in operations.call_outs_due(NOON_NS + 30, 2)] == ["first", "second"]


def test_the_outcome_of_a_try_is_kept(operations):
    raise_one(operations, plan=everybody)
    (waiting,) = operations.call_outs()
    failed = replace(
        waiting,
        outcome="failed",
        tries=1,
        last_try_ns=NOON_NS,
        last_error="421 busy",
        not_before_ns=NOON_NS + MINUTE_NS,
    )
    operations.record_try(failed)
    assert operations.call_outs() == [failed]
    assert operations.call_outs_due(NOON_NS, 10) == []
    assert operations.call_outs_due(NOON_NS + MINUTE_NS, 10) == [failed]
    delivered = replace(failed, outcome="delivered", tries=2, delivered_ns=NOON_NS + 2 * MINUTE_NS)
    operations.record_try(delivered)
    operations.record_try(failed)  # a slow second sender reports late
    assert operations.call_outs()[0].outcome == "delivered"
    assert operations.call_outs_due(NOON_NS + HOUR_NS, 10) == []


def test_a_try_of_what_is_not_in_the_outbox_is_refused(operations):
    with pytest.raises(KeyError, match="call-out nothing is not in the outbox"):
        operations.record_try(call_out("alarm", key="nothing"))


def test_dropped_call_outs_are_not_sent_and_what_the_answer_itself_sends_is(operations):
    alarm = raise_one(operations, plan=everybody)
    acknowledge(operations, alarm, plan=everybody)
    assert operations.call_outs_dropped(alarm.id, "Ann acknowledged", NOON_NS + HOUR_NS) == 1
    assert [each.event for each in operations.call_outs_due(NOON_NS + 9 * HOUR_NS, 10)] == ["acknowledged"]
    raised = operations.call_outs(alarm.id)[-1]
    assert (raised.outcome, raised.last_error) == ("given_up", "Ann acknowledged")
    operations.record_try(replace(raised, outcome="failed", tries=1))  # a try that was under way
    assert len(operations.call_outs_due(NOON_NS + 9 * HOUR_NS, 10)) == 1
    assert operations.alarm_events(alarm.id)[-1].what == "call_outs_dropped"


def test_call_outs_come_newest_first_and_by_alarm(operations):
    one = raise_one(operations, plan=everybody)
    other = raise_one(operations, NOON_NS + HOUR_NS, unit="school", plan=everybody)
    assert [each.alarm_id for each in operations.call_outs()] == [other.id, one.id]
    assert [each.alarm_id for each in operations.call_outs(one.id)] == [one.id]
    assert len(operations.call_outs(limit=1)) == 1


def raise_two(operations, plan=nobody) -> tuple[Alarm, Alarm]:
    one, other = assess(operations, finding(Kind.RAISED), finding(Kind.RAISED, unit="school"), plan=plan)
    return one.after, other.after


def for_all(changes, _told):
    """One call-out that speaks for every alarm that has changed, in the order of their changes."""
    ids = tuple(change.after.id for change in changes)
    return [replace(call_out(ids[0], key="/".join(ids), event=changes[0].event), alarm_ids=ids)]


def test_a_call_out_stands_under_every_alarm_that_it_speaks_for(operations):
    alarms = raise_two(operations, for_all)
    (kept,) = operations.call_outs()
    assert kept.alarm_ids == tuple(alarm.id for alarm in alarms)
    assert kept.alarm_id == alarms[0].id
    for alarm in alarms:
        assert operations.call_outs(alarm.id) == [kept]
    assert operations.call_outs_due(NOON_NS, 10) == [kept]
    assert operations.call_outs("none-such") == []


def test_the_alarms_of_a_call_out_keep_their_order(operations):
    raise_two(operations, lambda changes, told: for_all(changes[::-1], told))
    (kept,) = operations.call_outs()
    units = [operations.alarm(alarm_id).unit for alarm_id in kept.alarm_ids]
    assert units == ["school", "pump-1"]


def test_a_call_out_tells_of_each_alarm_how_urgent_that_one_was(operations):
    heard = {}
    now = finding(Kind.RAISED, unit="school", urgency=Urgency.NOW)
    one, other = assess(operations, finding(Kind.RAISED), now, plan=for_all)
    cleared = [finding(Kind.CLEARED, NOON_NS + MINUTE_NS), finding(Kind.CLEARED, NOON_NS + MINUTE_NS, unit="school")]
    assess(operations, *cleared, plan=lambda _, told: heard.update(told) or [])
    assert heard == {one.after.id: "before_visit", other.after.id: "now"}


def test_the_same_key_again_speaks_for_no_more_alarms(operations):
    one, other = raise_two(operations, lambda changes, told: for_all(changes[:1], told))
    repeated = replace(operations.call_outs()[0], alarm_ids=(one.id, other.id))
    acknowledge(operations, one, plan=lambda _changes, _told: [repeated])
    assert [each.alarm_ids for each in operations.call_outs()] == [(one.id,)]
    assert operations.call_outs(other.id) == []


def test_a_call_out_for_several_is_given_up_once_none_of_its_alarms_needs_it(operations):
    one, other = raise_two(operations, for_all)
    assert operations.call_outs_dropped(one.id, "Ann acknowledged", NOON_NS + 1) == 0
    assert [each.outcome for each in operations.call_outs()] == ["waiting"]
    assert operations.alarm_events(one.id)[-1].what == "raised"
    assert operations.call_outs_dropped(one.id, "Ann acknowledged", NOON_NS + 1) == 0, "a second time changes nothing"
    assert operations.call_outs_dropped(other.id, "Ben acknowledged", NOON_NS + 1) == 1
    (kept,) = operations.call_outs(one.id)
    assert (kept.outcome, kept.last_error) == ("given_up", "Ben acknowledged")
    assert operations.alarm_events(other.id)[-1].what == "call_outs_dropped"


def test_whoever_was_not_reached_was_told_of_none_of_several(operations):
    one, other = raise_two(operations, for_all)
    (waiting,) = operations.call_outs()
    heard = []
    clear = [finding(Kind.CLEARED, NOON_NS + MINUTE_NS), finding(Kind.CLEARED, NOON_NS + MINUTE_NS, unit="school")]
    operations.record_try(replace(waiting, outcome="given_up", tries=1))
    assess(operations, *clear, plan=lambda _, told: heard.append(dict(told)) or [])
    assert heard == [{one.id: "", other.id: ""}]


def test_beside_a_call_out_stands_what_its_receiver_hears_of_any_of_its_alarms(operations):
    def plan(changes, _told):
        one, other = (change.after.id for change in changes)
        both = replace(call_out("", key="both"), alarm_ids=(one, other))
        return [
            both,
            call_out(one, key="one", at_ns=NOON_NS + 1),
            call_out(other, key="other", at_ns=NOON_NS + 2),
            call_out("third", key="third"),
            replace(call_out(other, key="for another"), recipient="ben@example.org"),
            replace(call_out(other, key="over another channel"), channel="webhook"),
        ]

    raise_two(operations, plan)
    kept = {each.key: each for each in operations.call_outs()}

    def beside(key, limit=10):
        return [each.key for each in operations.call_outs_beside(kept[key], limit)]

    assert beside("both") == ["other", "one", "both"]
    assert beside("one") == ["one", "both"]
    assert beside("other", limit=1) == ["other"]
    assert beside("third") == ["third"]


def test_a_call_out_speaks_for_one_alarm_at_least_and_for_each_once():
    for alarm_ids in ((), ("one", "one")):
        with pytest.raises(AssertionError):
            replace(call_out("one"), alarm_ids=alarm_ids)


# Limits and visits


def test_limits_get_a_new_version_where_their_text_differs(operations):
    assert operations.limits_versions() == []
    same = {"author": "Ann", "at_ns": NOON_NS}
    assert operations.publish_limits(text="", reason="start", **same).version == 0
    assert operations.limits_versions() == []
    first = operations.publish_limits(text="a = 1", reason="cold site", justified_by="replay 12", **same)
    assert operations.publish_limits(text="a = 1", reason="again", **same) == first
    second = operations.publish_limits(text="", reason="back to defaults", **same)
    assert (first.version, second.version) == (1, 2)
    assert operations.limits_versions() == [second, first]


def test_the_last_visit_is_the_newest_one(operations):
    assert operations.last_visit_ns("pump-house") is None
    for at_ns in (NOON_NS + HOUR_NS, NOON_NS):
        operations.record_visit("pump-house", at_ns=at_ns, by="Ann", found="hose cracked")
    operations.record_visit("school", at_ns=NOON_NS + 9 * HOUR_NS, by="Ben", found="")
    assert operations.last_visit_ns("pump-house") == NOON_NS + HOUR_NS


def test_a_closed_store_says_so(open_operations, tmp_path):
    operations = open_operations(tmp_path)
    operations.close()
    operations.close()
    with pytest.raises(StoreUnavailable, match="closed"):
        operations.record_assessment([], NOON_NS, nobody)
    with pytest.raises(StoreUnavailable, match="closed"):
        operations.standing()


# SQL alone


def test_the_migrations_make_the_tables_that_the_code_knows(tmp_path):
    """alembic compares the database with the tables; a column without its migration would show here."""
    from alembic import command
    from alembic.script import ScriptDirectory

    operations = SqlOperations(tmp_path / FILE_NAME)
    with operations._database.writing() as connection:
        config = alembic_config(connection)
        command.check(config)
        assert ScriptDirectory.from_config(config).get_current_head() == HEAD
    operations.close()


def test_the_way_back_leaves_nothing(tmp_path):
    from alembic import command

    operations = SqlOperations(tmp_path / FILE_NAME)
    with operations._database.writing() as connection:
        command.downgrade(alembic_config(connection), "base")
    operations.close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as shell:
        tables = shell.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    assert tables == [("alembic_version",)]


def test_tables_of_a_newer_program_are_left_alone(tmp_path):
    SqlOperations(tmp_path / FILE_NAME).close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as shell:
        shell.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreUnavailable, match="version 9999"):
        SqlOperations(tmp_path / FILE_NAME)


def test_a_url_that_is_none_is_refused():
    with pytest.raises(ValueError, match="is no database URL"):
        SqlOperations("://")


def test_every_commit_reaches_the_disk(tmp_path):
    operations = SqlOperations(f"sqlite:///{tmp_path / FILE_NAME}")
    with operations._database.writing() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
    operations.close()
