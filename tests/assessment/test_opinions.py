"""What models say becomes findings in time, once, and without flapping."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from monitor.alarms.lifecycle import Evidence, Urgency
from monitor.assessment.opinions import INSTANT_NS, Heard, Thresholds, explains_a_limit, judged, with_kept_supply
from monitor.assessment.state import Held, Turned, UnitState
from monitor.times import DAY_NS, HOUR_NS

BEGIN_NS = 1_770_000_000 * 10**9 // INSTANT_NS * INSTANT_NS
HOUR = Thresholds(0.9, 0.3, HOUR_NS, 2 * HOUR_NS)
NO_FORECAST = (np.nan, np.nan, np.nan)
WEEK_H = 7 * 24.0


def heard(probability, hours=NO_FORECAST, causes=(), condition="heater_failed"):
    return Heard(condition, probability, tuple(causes), hours, Evidence(), 0)


def told(*opinions, deadline_h=WEEK_H, thresholds=HOUR, visit_every=True):
    """What is said of one opinion an instant: (hours since the begin, active, urgency, turn)."""
    held, said = Held(), []
    for place, opinion in enumerate(opinions):
        now = BEGIN_NS + place * INSTANT_NS
        deadline = (now if visit_every else BEGIN_NS) + int(deadline_h * HOUR_NS)
        held, turn = judged(held, opinion, thresholds, instant_ns=now, deadline_ns=deadline)
        if turn is not None:
            said.append((place * 0.5, turn.active, turn.urgency.value, turn))
    return said


def short(said):
    return [turn[:3] for turn in said]


def test_an_opinion_is_raised_once_it_stood_for_its_delay():
    assert short(told(*[heard(0.95)] * 10)) == [(1.0, True, "before_visit")]
    assert short(told(*[heard(0.95)] * 2)) == []
    assert short(told(heard(0.95), heard(0.95), heard(0.89), heard(0.95), heard(0.95))) == []


def test_without_a_delay_it_is_raised_at_once():
    assert short(told(heard(0.95), thresholds=replace(HOUR, on_delay_ns=0))) == [(0.0, True, "before_visit")]


def test_beside_a_limit_that_it_explains_what_is_likelier_than_not_is_said_after_its_delay():
    beside = HOUR.beside_limit()
    assert short(told(heard(0.55))) == []
    assert short(told(*[heard(0.55)] * 3, thresholds=beside)) == [(1.0, True, "before_visit")]
    assert short(told(*[heard(0.55)] * 2, thresholds=beside)) == []
    assert short(told(*[heard(0.45)] * 9, thresholds=beside)) == []
    lenient = Thresholds(0.4, 0.2, HOUR_NS, HOUR_NS)
    assert lenient.beside_limit() == lenient


def test_only_a_limit_that_calls_and_still_stands_is_explained():
    def turn(hour, source, active=True, condition="low_water_temperature"):
        at = BEGIN_NS + hour * HOUR_NS
        return Turned(at, at, condition, source, active, Urgency.AT_VISIT, Evidence(level=source.split()[-1]))

    def explains(*turns, hour=5, condition="heater_failed", reasons=MappingProxyType({})):
        return explains_a_limit(condition, reasons, turns, BEGIN_NS + hour * HOUR_NS)

    assert explains(turn(1, "low limit"))
    assert explains(turn(1, "low not_ready"))
    assert not explains(turn(1, "low warning"))
    assert not explains(turn(6, "low limit"))
    assert not explains(turn(1, "low limit"), condition="charger_failed")
    assert not explains(turn(2, "low limit", active=False), turn(1, "low limit"))
    state = UnitState()
    state.apply("mill-1", [turn(0, "low limit")])
    assert explains(reasons=state.reasons)
    assert not explains(turn(1, "low limit", active=False), reasons=state.reasons)


def test_what_cannot_be_judged_raises_and_clears_nothing():
    sure, unknown, gone = heard(0.95), heard(np.nan), heard(0.1)
    assert short(told(sure, unknown, sure, unknown, unknown, sure)) == [(2.5, True, "before_visit")]
    said = told(*[sure] * 3, *[unknown] * 50, *[gone] * 4, unknown, gone)
    assert short(said) == [(1.0, True, "before_visit"), (29.0, False, "at_visit")]


def test_between_the_two_thresholds_nothing_turns():
    sure, doubt, gone = heard(0.95), heard(0.5), heard(0.3)
    said = told(*[sure] * 3, *[doubt] * 40, *[gone] * 4, doubt, *[gone] * 5)
    assert short(said) == [(1.0, True, "before_visit"), (26.0, False, "at_visit")]


@pytest.mark.parametrize(
    ("hours", "urgency"),
    [
        ((0.0, 0.0, 0.0), "now"),
        ((0.0, 3.0, 9.0), "before_visit"),
        ((100.0, 200.0, 300.0), "before_visit"),
        ((WEEK_H + 1, 200.0, 300.0), "at_visit"),
        ((np.inf, np.inf, np.inf), "at_visit"),
        (NO_FORECAST, "before_visit"),
    ],
)
def test_the_forecast_decides_how_soon_somebody_is_needed(hours, urgency):
    assert told(*[heard(0.95, hours)] * 3)[0][2] == urgency


@pytest.mark.parametrize(
    ("condition", "deadline_h", "urgency"),
    [
        ("charger_failed", 23.0, "at_visit"),
        ("charger_failed", 25.0, "before_visit"),
        ("battery_overcharged", 25.0, "before_visit"),
        ("battery_weak", 25.0, "at_visit"),
        ("coolant_circulation_restricted", 25.0, "before_visit"),
    ],
)
def test_without_a_forecast_the_condition_does(condition, deadline_h, urgency):
    assert told(*[heard(0.95, condition=condition)] * 3, deadline_h=deadline_h)[0][2] == urgency


def test_quantiles_are_moments_and_beyond_thirty_days_nothing_is_said():
    turn = told(*[heard(0.95, (10.0, 100.5, np.inf))] * 3)[0][3]
    now = BEGIN_NS + HOUR_NS
    assert (turn.not_ready_at.p10, turn.not_ready_at.p50) == (now + 10 * HOUR_NS, now + 100 * HOUR_NS + HOUR_NS // 2)
    assert turn.not_ready_at.p90 is None
    far = told(*[heard(0.95, (31 * 24.0,) * 3)] * 3)[0][3]
    assert (far.not_ready_at.p10, far.not_ready_at.p90) == (None, None)


def test_not_ready_already_is_the_moment_at_which_that_was_said_first():
    said = told(*[heard(0.95, (0.0, 0.0, 0.0))] * 12)
    assert [turn[0] for turn in said] == [1.0]  # nothing new for five hours
    assert said[0][3].not_ready_at.p50 == BEGIN_NS + HOUR_NS


def test_a_rise_is_said_at_once_and_a_fall_with_a_margin_after_a_while():
    rising = [heard(0.95, (200.0, 300.0, 400.0))] * 3 + [heard(0.95, (160.0, 300.0, 400.0))]
    assert short(told(*rising)) == [(1.0, True, "at_visit"), (1.5, True, "before_visit")]
    near = [heard(0.95, (WEEK_H + 11, 300.0, 400.0))] * 20  # ready until the visit, but only just
    assert short(told(*rising, *near))[-1] == (1.5, True, "before_visit")
    far = [heard(0.95, (WEEK_H + 13, 300.0, 400.0))] * 6
    assert short(told(*rising, *far))[-1] == (4.0, True, "at_visit")
    flap = [heard(0.95, (WEEK_H + 13, 300.0, 400.0)), heard(0.95, (WEEK_H - 1, 300.0, 400.0))] * 10
    assert short(told(*rising, *flap))[-1] == (1.5, True, "before_visit")


def test_the_forecast_is_said_anew_only_where_its_median_moved_and_not_within_the_hour():
    steady = [heard(0.95, (40.0 - place / 2, 50.0 - place / 2, 60.0 - place / 2)) for place in range(20)]
    assert len(told(*steady)) == 1  # the same moment, ever nearer
    later = [heard(0.95, (50.0, 65.0, 80.0))] * 4
    said = told(*steady[:3], *later)
    assert [turn[0] for turn in said] == [1.0, 2.0]
    assert said[-1][3].not_ready_at.p50 == BEGIN_NS + 67 * HOUR_NS


def test_another_first_cause_is_said_but_not_for_a_hair():
    one, two = "heater_failed/element_open", "heater_failed/no_ac_supply"
    first = [heard(0.95, causes=[(one, 0.6), (two, 0.3)])] * 5
    hair = [heard(0.95, causes=[(one, 0.48), (two, 0.5)])] * 5
    other = [heard(0.95, causes=[(one, 0.2), (two, 0.7)])] * 5
    said = told(*first, *hair, *other)
    assert [(turn[0], turn[3].causes[0].cause) for turn in said] == [(1.0, one), (5.0, two)]
    assert [cause.probability for cause in said[0][3].causes] == [0.6, 0.3]


def test_a_finer_name_is_said_instead_of_the_conditions_own_and_what_is_unlikely_is_not():
    causes = [("heater_failed", 0.95), ("heater_failed/no_ac_supply", 0.6), ("heater_failed/element_open", 0.01)]
    assert [c.cause for c in told(*[heard(0.95, causes=causes)] * 3)[0][3].causes] == [
        "heater_failed/no_ac_supply",
    ]
    vague = [("heater_failed", 0.95), ("heater_failed/no_ac_supply", 0.4)]
    assert [c.cause for c in told(*[heard(0.95, causes=vague)] * 3)[0][3].causes] == [
        "heater_failed",
        "heater_failed/no_ac_supply",
    ]


def test_a_supply_that_was_lost_stays_the_cause_after_its_beginning_has_left_the_windows():
    name = "charger_failed/no_ac_supply"
    early = heard(0.98, causes=[("charger_failed/no_output", 0.0), (name, 0.97)], condition="charger_failed")
    late = heard(0.98, causes=[("charger_failed/no_output", 0.98), (name, 0.0)], condition="charger_failed")
    _, share = with_kept_supply(early, Held(active=True), together=True)
    kept, _ = with_kept_supply(late, Held(active=True, supply_share=share), together=True)
    assert dict(kept.causes) == {name: pytest.approx(0.97), "charger_failed/no_output": pytest.approx(0.01)}
    alone, forgotten = with_kept_supply(late, Held(active=True, supply_share=share), together=False)
    assert (alone, forgotten) == (late, 0.0)  # the charger was mended, or the heater: it was not the supply


def test_what_is_on_its_way_out_is_not_said_anew():
    sure = [heard(0.95, (100.0, 120.0, 140.0), [("heater_failed", 0.95)])] * 3
    said = told(*sure, *[heard(0.1)] * 5)
    assert short(said) == [(1.0, True, "before_visit"), (3.5, False, "at_visit")]


def test_a_visit_that_passes_may_make_it_urgent():
    """The next one is further off: what kept until Thursday does not keep until the Thursday after."""
    held = Held()
    opinion = heard(0.95, (60.0, 90.0, 120.0))
    urgencies = []
    for place in range(5):
        now = BEGIN_NS + place * INSTANT_NS
        deadline = BEGIN_NS + (DAY_NS if place < 4 else 8 * DAY_NS)
        held, turn = judged(held, opinion, HOUR, instant_ns=now, deadline_ns=deadline)
        urgencies.append(turn.urgency if turn else None)
    assert urgencies == [None, None, Urgency.AT_VISIT, None, Urgency.BEFORE_VISIT]
