"""What goes wrong in the demo: believable at any hour of the week, and new at each start."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.commands import demo_story
from monitor.commands.demo_story import (
    FORMAT,
    GAP_NS_MAX,
    Story,
    begun,
    continued,
    outage,
    valley,
    visits_made,
    with_fault,
)
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from simulator.faults import Fault, FaultKind
from simulator.running import rule_times

YEAR_2027_S = int(datetime(2027, 1, 1, tzinfo=UTC).timestamp())
BY_ID = {unit.id: unit for unit in valley().units}
TIMEZONE = "America/Denver"
NOW = YEAR_2027_S * SECOND_NS
FAULT = '{"unit": "%s", "kind": "seat_leak", "from_ns": 0, "to_ns": null, "severity": 1.0}'
any_moment = st.integers(0, 366 * 86_400).map(lambda second: (YEAR_2027_S + second) * SECOND_NS)


def runs(unit: str, from_ns: int, to_ns: int) -> list[int]:
    """Within a minute after these."""
    return rule_times(BY_ID[unit].exercise_rule, TIMEZONE, from_ns=from_ns, to_ns=to_ns).tolist()


@settings(deadline=None, max_examples=50)  # a moment takes 40 ms, on a busy machine much longer
@given(any_moment)
def test_at_any_moment_three_units_stand_with_faults_on_three_signals_and_no_run_hides_them(now_ns):
    story = begun(now_ns)
    assert len({fault.unit for fault in story.faults}) == 3
    assert {fault.kind for fault in story.faults} == {
        FaultKind.HEATER_ELEMENT_OPEN,
        FaultKind.CHARGER_NO_AC,
        FaultKind.SEAT_LEAK,
    }
    for fault in story.faults:
        assert story.began_ns < fault.from_ns < now_ns
        assert fault.from_ns % MINUTE_NS == 0
        assert not runs(fault.unit, now_ns - 30 * HOUR_NS, now_ns)
        assert not visits_made(story, BY_ID[fault.unit].site, from_ns=fault.from_ns, to_ns=now_ns)


@settings(deadline=None, max_examples=50)  # a moment takes 40 ms, on a busy machine much longer
@given(any_moment)
def test_at_any_moment_the_outage_comes_to_a_sound_unit_that_is_not_near_a_run(now_ns):
    story = begun(now_ns)
    fault = outage(story, now_ns)
    assert fault.unit not in {standing.unit for standing in story.faults}
    assert not runs(fault.unit, now_ns - 8 * HOUR_NS, now_ns + HOUR_NS)
    assert 0 < fault.from_ns - now_ns <= SECOND_NS
    assert fault.to_ns is not None


def test_each_start_has_its_outage_at_another_unit_until_all_had_one():
    story, seen = begun(NOW), []
    for start in range(4):
        now_ns = NOW + start * 2 * MINUTE_NS
        going_on = continued(story, kept_until_ns=now_ns - 10 * SECOND_NS, now_ns=now_ns)
        assert going_on is not None
        fault = outage(going_on, now_ns)
        seen.append(fault.unit)
        story = with_fault(going_on, fault)
    assert len(set(seen)) == 4


def test_the_outage_of_the_last_start_has_been_repaired_by_the_next():
    story = with_fault(begun(NOW), Fault("quay-crane", FaultKind.GAS_SUPPLY_LOW, NOW, NOW + 20 * MINUTE_NS))
    later = continued(story, kept_until_ns=NOW + MINUTE_NS, now_ns=NOW + 3 * MINUTE_NS)
    assert later is not None
    outages = [fault for fault in later.faults if fault.kind is FaultKind.GAS_SUPPLY_LOW]
    assert [(fault.from_ns, fault.to_ns) for fault in outages] == [(NOW, NOW + 2 * MINUTE_NS)]


def test_an_outage_that_had_ended_by_itself_stays_as_it_was():
    story = with_fault(begun(NOW), Fault("quay-crane", FaultKind.GAS_SUPPLY_LOW, NOW, NOW + 20 * MINUTE_NS))
    later = continued(story, kept_until_ns=NOW + HOUR_NS, now_ns=NOW + 2 * HOUR_NS)
    assert later is not None
    assert later.faults == story.faults


def test_after_two_days_the_heater_was_repaired_and_has_failed_again():
    story = begun(NOW)
    now_ns = NOW + 2 * DAY_NS
    later = continued(story, kept_until_ns=NOW, now_ns=now_ns)
    assert later is not None
    heater = [fault for fault in later.faults if fault.kind is FaultKind.HEATER_ELEMENT_OPEN]
    assert [(fault.from_ns, fault.to_ns) for fault in heater] == [
        (NOW - 14 * HOUR_NS, NOW + 4 * HOUR_NS),
        (now_ns - 14 * HOUR_NS, None),
    ]


@pytest.mark.parametrize(
    ("kept_until_ns", "now_ns"),
    [
        (NOW, NOW + GAP_NS_MAX + 1),  # away too long
        (NOW, NOW - 1),  # the clock went back
        (NOW + 60 * DAY_NS, NOW + 60 * DAY_NS + 1),  # grown too old
    ],
)
def test_the_valley_starts_over_where_it_cannot_go_on(kept_until_ns, now_ns):
    assert continued(begun(NOW), kept_until_ns=kept_until_ns, now_ns=now_ns) is None


def test_visits_are_made_by_the_rule_and_say_what_was_found():
    """Each Thursday at 9, the first one after the heater at the waterworks has failed."""
    monday = from_rfc3339("2027-01-04T12:00:00Z")
    story = Story(monday - 21 * DAY_NS, (Fault("filter-hall", FaultKind.HEATER_ELEMENT_OPEN, monday),))
    made = visits_made(story, "waterworks", from_ns=monday - 7 * DAY_NS, to_ns=monday + 7 * DAY_NS)
    assert made == [
        (from_rfc3339("2026-12-31T17:00:00Z"), "Nothing to note."),
        (from_rfc3339("2027-01-07T17:00:00Z"), "Filter hall: heater element open, the new one is on order."),
    ]


def test_a_visit_under_way_is_not_made_yet():
    story = Story(NOW - 21 * DAY_NS, ())
    under_way = from_rfc3339("2027-01-07T17:30:00Z")
    assert visits_made(story, "waterworks", from_ns=under_way - DAY_NS, to_ns=under_way) == []


def test_a_story_is_read_back_as_it_was_kept(tmp_path):
    story = with_fault(begun(NOW), outage(begun(NOW), NOW))
    demo_story.save(story, tmp_path)
    assert demo_story.load(tmp_path) == story


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"format": 99}',
        f'{{"format": {FORMAT}, "began_ns": 0, "faults": [{{}}]}}',
        f'{{"format": {FORMAT}, "began_ns": 0, "faults": [{FAULT % "nobody"}]}}',
        f'{{"format": {FORMAT}, "began_ns": "0", "faults": [{FAULT % "quay-crane"}], "began_ns": null}}',
    ],
)
def test_a_story_that_cannot_be_read_is_none(tmp_path, text):
    (tmp_path / demo_story.FILE_NAME).write_text(text)
    assert demo_story.load(tmp_path) is None


def test_there_is_no_story_in_an_empty_folder(tmp_path):
    assert demo_story.load(tmp_path) is None
    assert isinstance(begun(NOW), Story)
