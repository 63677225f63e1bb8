"""Alarms that come and go: three times in a week, and the next end is one after a quiet day (our choice)."""

import pytest

from monitor.alarms.changes import EventType, changes_of
from monitor.alarms.lifecycle import Evidence, State, Urgency
from monitor.assessment.state import MODEL, Turned, UnitState
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS
from tests.assessment.bench import BEGIN_NS, STEADY, Bench

WATER = "jacket_water_temperature"
LOW = "low_water_temperature"
COOL = {WATER: 37.0}  # so near that its rise from a dip is no run
DAY_MIN = 1440.0


def dips(*begins_min: float, level: float = 33.0, minutes: float = 40.0, days: float = 3.0) -> Bench:
    """Water that sinks to a level for a while, again and again; 33 Cel is a warning, 31 Cel a limit, until learned."""
    one = Bench(minutes=days * DAY_MIN, every_s=300.0, visit_in_h=20.0, steady=STEADY | COOL)
    return one.stands(WATER).reports(WATER, *((begin, begin + minutes, level) for begin in begins_min))


def told(one: Bench) -> list[tuple[str, str, float]]:
    """Kind, urgency and hour of what is said of the low water."""
    return [(kind, urgency, round(at / 60.0, 2)) for condition, kind, urgency, at in one.said() if condition == LOW]


def test_twice_is_twice():
    assert [kind for kind, *_ in told(dips(120.0, 360.0))] == ["raised", "cleared"] * 2


def test_from_the_third_time_on_it_stands_until_it_was_quiet_for_a_day():
    said = told(dips(120.0, 360.0, 600.0, 840.0, 1080.0))
    assert [kind for kind, *_ in said] == ["raised", "cleared", "raised", "cleared", "raised", "cleared"]
    assert said[-1][2] == pytest.approx(
        (1080.0 + 40.0 + 15.0) / 60.0 + 24.0, abs=0.01
    )  # as by an off-delay of a day more


def test_it_is_noticed_as_long_after_as_it_is_quiet():
    last = [finding for finding in dips(120.0, 360.0, 600.0).findings() if finding.condition == LOW][-1]
    assert (last.kind.value, last.noticed_ns - last.at_ns) == ("cleared", 0)


def test_what_comes_three_times_in_more_than_a_week_ends_as_ever():
    said = told(dips(120.0, 120.0 + 4 * DAY_MIN, 120.0 + 8 * DAY_MIN, days=9.0))
    assert [kind for kind, *_ in said] == ["raised", "cleared"] * 3


def test_what_comes_each_day_is_one_alarm_for_good():
    said = told(dips(*(120.0 + day * DAY_MIN for day in range(10)), days=12.0))
    assert [kind for kind, *_ in said] == ["raised", "cleared"] * 3
    assert said[-1][2] > 9 * 24.0


def test_a_rise_of_urgency_passes_at_once_and_a_fall_waits_once_it_came_often():
    one = Bench(minutes=3 * DAY_MIN, every_s=300.0, visit_in_h=20.0, steady=STEADY | COOL).stands(WATER)
    one.reports(WATER, *((begin, begin + 40.0, 33.0) for begin in (120.0, 360.0, 600.0)), (840.0, 880.0, 31.0))
    assert told(one)[4:] == [
        ("raised", "at_visit", 10.25),
        ("changed", "before_visit", 14.08),
        ("changed", "at_visit", 14.92),  # the limit came once: it ends as ever
        ("cleared", "at_visit", 38.92),
    ]


def test_the_program_that_did_not_listen_does_not_end_it():
    """What ends while nobody listens is noticed when somebody does."""
    one = dips(120.0, 360.0, 600.0)
    deaf_from, deaf_to = 600.0 + 55.0 + DAY_MIN - 10.0, 600.0 + 55.0 + DAY_MIN + 50.0
    one.says("listening_again", deaf_to, (deaf_to - deaf_from) * 60.0)
    last = [finding for finding in one.findings() if finding.condition == LOW][-1]
    assert (last.noticed_ns - BEGIN_NS) / MINUTE_NS == pytest.approx(deaf_to, abs=0.1)


def test_silence_that_comes_and_goes_is_one_note():
    one = Bench(minutes=4 * DAY_MIN, visit_in_h=20.0)
    lost = [(begin, begin + 75.0) for begin in range(300, 2000, 240)]
    edges = [0.0, *[edge for span in lost for edge in span], one.minutes]
    for signal in one.steady:
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            one.reports(signal, from_min=begin, to_min=end)
    said = [row[1] for row in one.said() if row[0] == "readings_missing"]
    assert said == ["raised", "cleared"] * 3


# --- beside causes ---


def turn(hour: float, condition: str, active: bool, *, source: str = MODEL, level: str = "") -> Turned:
    at = BEGIN_NS + round(hour * HOUR_NS)
    return Turned(at, at, condition, source, active, Urgency.AT_VISIT, Evidence(level=level))


def lived(*turns: Turned, until_h: float) -> tuple[UnitState, list]:
    """The findings of turns, and where the unit stands then."""
    state, found = UnitState(), []
    for one in turns:
        found += state.let_go("mill-1", one.noticed_ns)
        found += state.apply("mill-1", [one])
    return state, found + state.let_go("mill-1", BEGIN_NS + round(until_h * HOUR_NS))


def on_and_off(condition: str, *hours: float, **kwargs) -> list[Turned]:
    return [turn(hour + place, condition, place == 0, **kwargs) for hour in hours for place in (0, 1)]


def test_an_opinion_that_wavers_stands_on_too():
    state, found = lived(*on_and_off("heater_weak", 1, 5, 9, 13), until_h=30.0)
    assert [finding.kind.value for finding in found] == ["raised", "cleared"] * 2 + ["raised", "changed"]
    assert state.reasons == {}
    assert [finding.condition for finding in state.standing("mill-1")] == ["heater_weak"]
    assert state.let_go("mill-1", BEGIN_NS + 14 * HOUR_NS + DAY_NS) == []
    (last,) = state.let_go("mill-1", BEGIN_NS + 14 * HOUR_NS + DAY_NS + 1)
    assert (last.kind.value, last.at_ns) == ("cleared", BEGIN_NS + 14 * HOUR_NS + DAY_NS)


def test_a_limit_that_flutters_under_its_cause_asks_nobody_when_the_cause_ends():
    low = on_and_off(LOW, 2, 4, 6, 8, source="low", level="warning")
    state, found = lived(turn(0, "heater_weak", True), *low, turn(9.5, "heater_weak", False), until_h=100.0)
    assert (state.lasting, state.reasons) == ({}, {})
    _, changes = changes_of({}, found)
    assert [change.event for change in changes if change.event] == [EventType.RAISED, EventType.RETURNED]
    assert changes[-1].after.state in (State.NORMAL, State.RETURNED)


def test_what_stands_on_speaks_for_a_limit_that_it_explains():
    low = turn(15, LOW, True, source="low", level="warning")
    _, found = lived(*on_and_off("heater_weak", 1, 5, 9), low, until_h=16.0)
    assert (found[-1].condition, found[-1].suppressed) == (LOW, True)
