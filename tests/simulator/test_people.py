"""People at simulated units: how long they are there, and what they leave open and off."""

import numpy as np

from simulator.people import Visit, door_open, switched_off, visits

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
DAY_NS = 1440 * MINUTE_NS
BEGIN_NS = 1_767_571_200 * SECOND_NS  # Monday, 2026-01-05


def year() -> list[Visit]:
    return visits(
        "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9",
        "America/Denver",
        site="school",
        units=[(4, "a"), (7, "b")],
        seed=3,
        from_ns=BEGIN_NS,
        to_ns=BEGIN_NS + 364 * DAY_NS,
    )


def test_each_week_each_unit_is_visited_one_after_the_other():
    found = year()
    assert len(found) == 104
    for first, second in zip(found[::2], found[1::2], strict=True):
        assert (first.unit, second.unit) == (4, 7)
        assert first.to_ns < second.from_ns < first.to_ns + 10 * MINUTE_NS
        assert (first.from_ns // SECOND_NS) % 60 == 0, "on whole minutes, as the world steps"


def test_people_come_late_but_on_their_day():
    due_ns = BEGIN_NS + 3 * DAY_NS + 16 * 3600 * SECOND_NS  # Thursday 9:00 at UTC-7
    first = year()[0]
    assert 0 <= first.from_ns - due_ns <= 40 * MINUTE_NS


def test_the_switch_stands_off_for_minutes_at_some_visits_and_only_while_somebody_is_there():
    found = year()
    worked = [visit for visit in found if visit.off_to_ns > visit.off_from_ns]
    assert 0.2 < len(worked) / len(found) < 0.6
    for visit in worked:
        assert visit.from_ns < visit.off_from_ns < visit.off_to_ns < visit.to_ns
        assert 3 * MINUTE_NS <= visit.off_to_ns - visit.off_from_ns <= 11 * MINUTE_NS


def test_doors_and_switch_are_seen_minute_by_minute_at_the_right_unit():
    visit = Visit("s", 1, 10 * MINUTE_NS, 15 * MINUTE_NS, 12 * MINUTE_NS, 14 * MINUTE_NS)
    time_ns = MINUTE_NS * np.arange(20, dtype=np.int64)
    doors, off = door_open([visit], 3, time_ns), switched_off([visit], 3, time_ns)
    assert np.flatnonzero(doors[1]).tolist() == [10, 11, 12, 13, 14]
    assert np.flatnonzero(off[1]).tolist() == [12, 13]
    assert not doors[[0, 2]].any()
    assert not off[[0, 2]].any()
