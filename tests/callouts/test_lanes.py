"""What is done with a call-out beside the others of its lane, and when it is tried again. Pure, in event time."""

from dataclasses import replace

import pytest

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Urgency
from monitor.callouts.channels import Ending, Tried
from monitor.callouts.lanes import (
    NOBODY_TOLD,
    OVERTAKEN,
    TRIES_MAX,
    Decision,
    Schedule,
    Verdict,
    after_try,
    decide,
)
from monitor.settings import CallOuts

SECOND = 1_000_000_000
SEND = Decision(Verdict.SEND)
OVER = Decision(Verdict.DROP, reason=OVERTAKEN)
UNHEARD = Decision(Verdict.DROP, reason=NOBODY_TOLD)


@pytest.fixture
def lane(build):
    """Call-outs of one lane, a minute apart: raised, changed, acknowledged, fallen, returned, as far as asked for."""

    def make(*names, **states):
        events = {
            "raised": (EventType.RAISED, Urgency.BEFORE_VISIT),
            "risen": (EventType.URGENCY_CHANGED, Urgency.NOW),
            "acknowledged": (EventType.ACKNOWLEDGED, Urgency.NOW),
            "fallen": (EventType.URGENCY_CHANGED, Urgency.AT_VISIT),
            "returned": (EventType.RETURNED, Urgency.NOW),
        }
        made = []
        for minute, name in enumerate(names):
            event, urgency = events[name]
            one = build.call_out(name, event, at_ns=build.T0 + minute * build.MINUTE, urgency=urgency)
            made.append(replace(one, **states.get(name, {})))
        return made

    return make


DELIVERED = {"outcome": "delivered", "tries": 1}
FAILED = {"outcome": "failed", "tries": 2}
GIVEN_UP = {"outcome": "given_up", "tries": 9}


def verdict(lane, name):
    return decide(next(one for one in lane if one.key == name), lane)


def test_what_stands_alone_is_sent(lane):
    assert verdict(lane("raised"), "raised") == SEND


def test_a_rise_overtakes_the_call_that_was_not_delivered_yet(lane):
    made = lane("raised", "risen", raised=FAILED)
    assert verdict(made, "raised") == OVER
    assert verdict(made, "risen") == SEND


def test_after_a_return_the_call_is_never_sent(lane):
    for state in ({}, FAILED):
        assert verdict(lane("raised", "returned", raised=state), "raised") == OVER
    assert verdict(lane("raised", "returned", raised=FAILED, returned=DELIVERED), "raised") == OVER


@pytest.mark.parametrize(
    ("raised", "expected"),
    [
        (DELIVERED, SEND),
        (FAILED, SEND),  # a failed try may have arrived all the same
        ({**GIVEN_UP, "last_error": OVERTAKEN}, SEND),  # and so may one that is not repeated because of this very news
        ({"outcome": "given_up", "last_error": OVERTAKEN}, UNHEARD),
        ({}, UNHEARD),
        (GIVEN_UP, UNHEARD),
    ],
)
@pytest.mark.parametrize("ending", ["returned", "fallen"])
def test_what_calls_off_goes_to_whoever_may_have_been_called(lane, ending, raised, expected):
    assert verdict(lane("raised", ending, raised=raised), ending) == expected


def test_one_delivered_call_among_several_is_enough_to_be_told_of_the_return(lane):
    made = lane("raised", "risen", "returned", raised=DELIVERED, risen=GIVEN_UP)
    assert verdict(made, "returned") == SEND


def test_a_return_without_a_call_is_sent_for_its_address_may_have_changed_since(lane):
    assert verdict(lane("returned"), "returned") == SEND


def test_an_acknowledgement_waits_for_the_call_that_it_answers(build, lane):
    again_ns = build.T0 + build.HOUR
    made = lane("raised", "acknowledged", raised={**FAILED, "not_before_ns": again_ns})
    assert verdict(made, "acknowledged") == Decision(Verdict.WAIT, until_ns=again_ns)
    assert verdict(lane("raised", "acknowledged", raised=DELIVERED), "acknowledged") == SEND
    assert verdict(lane("raised", "acknowledged", raised=GIVEN_UP), "acknowledged") == UNHEARD


def test_an_acknowledgement_overtakes_nothing_and_is_overtaken(lane):
    assert verdict(lane("raised", "acknowledged"), "raised") == SEND
    assert verdict(lane("raised", "acknowledged", "returned", raised=DELIVERED), "acknowledged") == OVER


def test_a_fall_and_a_new_rise_leave_only_the_newest(lane):
    made = lane("raised", "fallen", "risen", raised=DELIVERED)
    assert verdict(made, "fallen") == OVER
    assert verdict(made, "risen") == SEND


def test_of_equal_moments_the_call_comes_before_the_return(build):
    raised = build.call_out("z", EventType.RAISED)
    returned = build.call_out("a", EventType.RETURNED)
    assert decide(raised, [returned, raised]) == OVER
    assert decide(returned, [returned, raised]) == UNHEARD


# Several alarms


@pytest.fixture
def several(build):
    """Call-outs a minute apart, each as (event, alarms, outcome and tries); keys are their letters, a first."""

    def make(*described):
        return [
            replace(
                build.call_out(
                    "abcdef"[minute],
                    event,
                    at_ns=build.T0 + minute * build.MINUTE,
                    alarm_ids=tuple(alarms),
                    urgency=Urgency.BEFORE_VISIT,
                ),
                **state,
            )
            for minute, (event, alarms, state) in enumerate(described)
        ]

    return make


RAISED, CHANGED, SEEN, RETURNED = (
    EventType.RAISED,
    EventType.URGENCY_CHANGED,
    EventType.ACKNOWLEDGED,
    EventType.RETURNED,
)


@pytest.mark.parametrize(
    ("later", "expected"),
    [
        ([(RETURNED, "12", {})], OVER),
        ([(RETURNED, "1", {}), (RETURNED, "2", {})], OVER),
        ([(RETURNED, "2", {}), (CHANGED, "1", DELIVERED)], OVER),
        ([(RETURNED, "123", {})], OVER),
        ([(RETURNED, "1", {})], SEND),  # it is the only word on the other
        ([(RETURNED, "1", {}), (SEEN, "2", {})], SEND),
        ([(RETURNED, "1", DELIVERED)], SEND),
    ],
)
def test_a_call_for_several_is_overtaken_once_there_is_later_news_of_each(several, later, expected):
    assert verdict(several((RAISED, "12", {}), *later), "a") == expected


def test_a_return_of_some_waits_while_the_call_will_still_be_sent(build, several):
    made = several((RAISED, "12", {**FAILED, "not_before_ns": build.T0 + build.HOUR}), (RETURNED, "2", {}))
    assert verdict(made, "b") == Decision(Verdict.WAIT, until_ns=build.T0 + build.HOUR)


def test_a_return_does_not_wait_for_a_call_that_will_never_be_sent(several):
    made = several((RAISED, "12", FAILED), (RETURNED, "1", {}), (RETURNED, "2", {}))
    assert (verdict(made, "b"), verdict(made, "c")) == (SEND, SEND)


def test_a_call_waits_for_nothing(several):
    assert verdict(several((RAISED, "12", FAILED), (CHANGED, "2", {})), "b") == SEND


@pytest.mark.parametrize(
    ("calls", "expected"),
    [
        ([(RAISED, "12", GIVEN_UP)], UNHEARD),
        ([(RAISED, "1", GIVEN_UP), (RAISED, "2", GIVEN_UP)], UNHEARD),
        ([(RAISED, "1", GIVEN_UP), (RAISED, "2", DELIVERED)], SEND),
        ([(RAISED, "12", GIVEN_UP), (CHANGED, "2", DELIVERED)], SEND),
        ([(RAISED, "123", DELIVERED)], SEND),
    ],
)
def test_a_return_of_several_goes_to_whoever_may_know_of_any(several, calls, expected):
    made = several(*calls, (RETURNED, "12", {}))
    assert verdict(made, made[-1].key) == expected


# The schedule


SCHEDULE = Schedule.of(CallOuts())


def test_pauses_double_up_to_the_greatest():
    pauses = [SCHEDULE.pause_ns(tries) / SECOND for tries in range(1, 12)]
    assert pauses == [5, 10, 20, 40, 80, 160, 320, 640, 900, 900, 900]
    assert SCHEDULE.pause_ns(10_000) == 900 * SECOND


def test_the_last_try_comes_when_give_up_after_has_passed():
    pauses = [SCHEDULE.pause_ns(tries) for tries in range(1, SCHEDULE.tries_max)]
    assert sum(pauses) >= 86_400 * SECOND
    assert sum(pauses[:-1]) < 86_400 * SECOND


@pytest.mark.parametrize(
    ("settings", "tries"),
    [
        ({"give_up_after": 0}, 1),
        ({"retry_first": 10, "retry_greatest": 10, "give_up_after": 30}, 4),
        ({"retry_first": 0, "retry_greatest": 0, "give_up_after": 3}, 4),  # never less than a second between two
        ({"retry_greatest": 5, "give_up_after": 1e9}, TRIES_MAX),
    ],
)
def test_tries_are_bounded_whatever_the_settings(settings, tries):
    assert Schedule.of(CallOuts(**settings)).tries_max == tries


def test_a_try_is_written_into_the_call_out(build):
    call_out = build.call_out("k")
    failed = after_try(call_out, Tried(Ending.LATER, "no answer"), build.T0 + SECOND, SCHEDULE)
    assert (failed.outcome, failed.tries, failed.last_error) == ("failed", 1, "no answer")
    assert (failed.last_try_ns, failed.not_before_ns) == (build.T0 + SECOND, build.T0 + 6 * SECOND)
    delivered = after_try(failed, Tried(Ending.DELIVERED), build.T0 + 6 * SECOND, SCHEDULE)
    assert (delivered.outcome, delivered.tries, delivered.last_error) == ("delivered", 2, "")
    assert delivered.delivered_ns == build.T0 + 6 * SECOND
    refused = after_try(call_out, Tried(Ending.NEVER, "gone"), build.T0, SCHEDULE)
    assert (refused.outcome, refused.tries, refused.last_error) == ("given_up", 1, "gone")


def test_after_the_last_try_it_is_given_up(build):
    short = Schedule.of(CallOuts(retry_first=10, retry_greatest=10, give_up_after=20))
    call_out, at_ns, outcomes = build.call_out("k"), build.T0, []
    while call_out.outcome in ("waiting", "failed"):
        call_out = after_try(call_out, Tried(Ending.LATER, "down"), at_ns, short)
        outcomes.append((call_out.outcome, (at_ns - build.T0) // SECOND))
        at_ns = call_out.not_before_ns
    assert outcomes == [("failed", 0), ("failed", 10), ("given_up", 20)]
