"""Exercise runs of the invented units: when they start."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from simulator.chance import SECOND_NS
from simulator.units import TIMEZONE, UNITS, Unit, run_starts_ns


def at_ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * SECOND_NS


def local(start_ns: int) -> datetime:
    return datetime.fromtimestamp(start_ns // SECOND_NS, ZoneInfo(TIMEZONE))


def starts(unit: Unit, first: str, last: str) -> list[datetime]:
    return [local(int(start)) for start in run_starts_ns(unit, seed=1, from_ns=at_ns(first), to_ns=at_ns(last))]


def test_a_weekly_run_starts_on_its_day_within_a_minute_of_its_hour_through_the_change_of_clocks():
    runs = starts(Unit("a", "A", "school", weekday=1, hour=10), "2026-03-01", "2026-04-01")
    assert [run.day for run in runs] == [3, 10, 17, 24, 31]
    assert all(run.hour == 10 and run.minute == 0 for run in runs)


def test_a_monthly_run_starts_on_the_first_such_day_of_each_month():
    runs = starts(Unit("a", "A", "school", weekday=1, hour=7, week=1), "2026-01-01", "2026-05-01")
    assert [(run.month, run.day) for run in runs] == [(1, 6), (2, 3), (3, 3), (4, 7)]


def test_a_span_is_the_sum_of_its_parts():
    unit = UNITS[0]
    whole = starts(unit, "2026-01-01", "2026-03-01")
    middle = whole[3].astimezone(UTC).replace(tzinfo=None).isoformat()  # a cut at the very start of a run
    assert starts(unit, "2026-01-01", middle) + starts(unit, middle, "2026-03-01") == whole
    assert len(starts(unit, "2026-01-01", middle)) == 3


@pytest.mark.parametrize("field", ["id", "name"])
def test_no_two_units_share_a_name(field):
    assert len({getattr(unit, field) for unit in UNITS}) == len(UNITS)
