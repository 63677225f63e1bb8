"""Visits: from calendars and rules to the next visit and its deadline."""

from collections.abc import Callable
from pathlib import Path
from zlib import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.fleet import Visit, load_fleet, parse_fleet
from monitor.times import DAY_NS, HOUR_NS, SECOND_NS, from_rfc3339, to_rfc3339
from monitor.visits import CHUNK_NS, VisitCalendar, load_visits

THURSDAYS = 'visit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9;BYMINUTE=0"'


def event(*lines: str) -> str:
    return "\r\n".join(
        ("BEGIN:VEVENT", f"UID:{crc32(repr(lines).encode())}", "DTSTAMP:20240101T000000Z", *lines, "END:VEVENT")
    )


def calendar_text(*events: str) -> str:
    return "\r\n".join(("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//tests//EN", *events, "END:VCALENDAR", ""))


def visits_of(
    folder: Path, lines: str, text: str | None = None, fetch: Callable[[str], bytes] | None = None
) -> VisitCalendar:
    if text is not None:
        (folder / "visits.ics").write_bytes(text.encode())
    (folder / "fleet.toml").write_text(
        f'[sites.mill]\ntimezone = "America/Denver"\n{lines}\n[units.mill-1]\nsite = "mill"\n'
    )
    return load_visits(load_fleet(folder / "fleet.toml"), copies=folder / "calendars", fetch=fetch)


def next_visit(calendar: VisitCalendar, after: str) -> tuple[str, str] | None:
    visit = calendar.next_visit("mill", from_rfc3339(after))
    return None if visit is None else (to_rfc3339(visit.start_ns), to_rfc3339(visit.end_ns))


def test_a_rule_gives_its_start_and_two_hours(tmp_path: Path):
    calendar = visits_of(tmp_path, THURSDAYS)
    assert next_visit(calendar, "2026-01-13T00:00:00Z") == ("2026-01-15T16:00:00Z", "2026-01-15T18:00:00Z")


def test_a_visit_counts_until_its_deadline(tmp_path: Path):
    calendar = visits_of(tmp_path, THURSDAYS)
    assert next_visit(calendar, "2026-01-15T17:59:59Z") == ("2026-01-15T16:00:00Z", "2026-01-15T18:00:00Z")
    assert next_visit(calendar, "2026-01-15T18:00:00Z") == ("2026-01-22T16:00:00Z", "2026-01-22T18:00:00Z")


def test_the_wall_clock_stays_when_clocks_change(tmp_path: Path):
    """In Denver clocks go forward on 8 March 2026 and back on 1 November 2026."""
    calendar = visits_of(tmp_path, THURSDAYS)
    assert next_visit(calendar, "2026-03-04T00:00:00Z") == ("2026-03-05T16:00:00Z", "2026-03-05T18:00:00Z")
    assert next_visit(calendar, "2026-03-11T00:00:00Z") == ("2026-03-12T15:00:00Z", "2026-03-12T17:00:00Z")
    assert next_visit(calendar, "2026-11-04T00:00:00Z") == ("2026-11-05T16:00:00Z", "2026-11-05T18:00:00Z")


def test_a_time_that_clocks_skip_is_meant_in_the_offset_before(tmp_path: Path):
    """Source: RFC 5545 section 3.3.5: 02:30 on such a day means 03:30 by the new time."""
    calendar = visits_of(tmp_path, 'visit_rule = "FREQ=DAILY;BYHOUR=2;BYMINUTE=30"')
    assert next_visit(calendar, "2026-03-08T09:00:00Z") == ("2026-03-08T09:30:00Z", "2026-03-08T11:30:00Z")
    # From 03:10 by the new time, 02:30 on the wall still lies ahead.
    visits = calendar.visits("mill", from_rfc3339("2026-03-08T09:10:00Z"), from_rfc3339("2026-03-08T09:40:00Z"))
    assert to_rfc3339(visits[-1].start_ns) == "2026-03-08T09:30:00Z"


def test_absent_parts_of_a_rule_are_zero(tmp_path: Path):
    calendar = visits_of(tmp_path, 'visit_rule = "FREQ=WEEKLY;BYDAY=TH"')
    assert next_visit(calendar, "2026-01-13T00:00:00Z") == ("2026-01-15T07:00:00Z", "2026-01-15T09:00:00Z")


def test_an_interval_counts_from_2024(tmp_path: Path):
    """2024-01-01 is a Monday; every second week from there on: 2026-01-12 is 106 weeks later, 2026-01-05 105."""
    calendar = visits_of(tmp_path, 'visit_rule = "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO;BYHOUR=9"')
    assert next_visit(calendar, "2026-01-04T00:00:00Z") == ("2026-01-12T16:00:00Z", "2026-01-12T18:00:00Z")


def test_until_in_utc_ends_a_rule(tmp_path: Path):
    calendar = visits_of(tmp_path, 'visit_rule = "FREQ=DAILY;BYHOUR=9;UNTIL=20260115T160000Z"')
    assert next_visit(calendar, "2026-01-15T00:00:00Z") == ("2026-01-15T16:00:00Z", "2026-01-15T18:00:00Z")
    assert next_visit(calendar, "2026-01-15T18:00:00Z") is None


def test_an_events_end_is_the_deadline_in_its_own_zone(tmp_path: Path):
    text = calendar_text(
        event("DTSTART;TZID=Europe/Berlin:20260115T090000", "DTEND;TZID=Europe/Berlin:20260115T113000", "SUMMARY:Round")
    )
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', text)
    assert next_visit(calendar, "2026-01-01T00:00:00Z") == ("2026-01-15T08:00:00Z", "2026-01-15T10:30:00Z")


def test_floating_and_all_day_events_stand_in_the_sites_zone(tmp_path: Path):
    floating = event("DTSTART:20260115T090000", "DURATION:PT3H")
    all_day = event("DTSTART;VALUE=DATE:20260120")
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(floating, all_day))
    assert next_visit(calendar, "2026-01-01T00:00:00Z") == ("2026-01-15T16:00:00Z", "2026-01-15T19:00:00Z")
    assert next_visit(calendar, "2026-01-16T00:00:00Z") == ("2026-01-20T07:00:00Z", "2026-01-21T07:00:00Z")


def test_a_weekly_event_keeps_its_exceptions_moves_and_cancellations(tmp_path: Path):
    weekly = "\r\n".join(
        (
            "BEGIN:VEVENT",
            "UID:round",
            "DTSTAMP:20240101T000000Z",
            "DTSTART;TZID=America/Denver:20260108T090000",
            "DTEND;TZID=America/Denver:20260108T110000",
            "RRULE:FREQ=WEEKLY;BYDAY=TH",
            "EXDATE;TZID=America/Denver:20260115T090000",
            "END:VEVENT",
            "BEGIN:VEVENT",
            "UID:round",
            "DTSTAMP:20240101T000000Z",
            "RECURRENCE-ID;TZID=America/Denver:20260122T090000",
            "DTSTART;TZID=America/Denver:20260123T130000",
            "DTEND;TZID=America/Denver:20260123T150000",
            "END:VEVENT",
            "BEGIN:VEVENT",
            "UID:round",
            "DTSTAMP:20240101T000000Z",
            "RECURRENCE-ID;TZID=America/Denver:20260129T090000",
            "DTSTART;TZID=America/Denver:20260129T090000",
            "DTEND;TZID=America/Denver:20260129T110000",
            "STATUS:CANCELLED",
            "END:VEVENT",
        )
    )
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(weekly))
    starts = [
        to_rfc3339(visit.start_ns)
        for visit in calendar.visits("mill", from_rfc3339("2026-01-01T00:00:00Z"), from_rfc3339("2026-02-10T00:00:00Z"))
    ]
    assert starts == ["2026-01-08T16:00:00Z", "2026-01-23T20:00:00Z", "2026-02-05T16:00:00Z"]


def test_a_short_visit_inside_a_long_one_comes_first(tmp_path: Path):
    """The next deadline counts, whichever visit began first."""
    long = event("DTSTART:20260112T000000Z", "DTEND:20260117T000000Z")
    short = event("DTSTART:20260113T090000Z", "DTEND:20260113T100000Z")
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(long, short))
    assert next_visit(calendar, "2026-01-12T12:00:00Z") == ("2026-01-13T09:00:00Z", "2026-01-13T10:00:00Z")
    assert next_visit(calendar, "2026-01-13T10:00:00Z") == ("2026-01-12T00:00:00Z", "2026-01-17T00:00:00Z")


def test_a_visit_three_years_ahead_is_found_and_one_beyond_five_is_not(tmp_path: Path):
    far = event("DTSTART:20290115T090000Z", "DTEND:20290115T100000Z")
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(far))
    assert next_visit(calendar, "2026-01-13T00:00:00Z") == ("2029-01-15T09:00:00Z", "2029-01-15T10:00:00Z")
    assert next_visit(calendar, "2023-01-01T00:00:00Z") is None


def test_without_a_known_visit_seven_days_are_assumed_and_that_is_said(tmp_path: Path):
    calendar = visits_of(tmp_path, "")
    at_ns = from_rfc3339("2026-01-13T00:00:00Z")
    assert calendar.deadline("mill", at_ns) == (at_ns + 7 * DAY_NS, True)
    with_rule = visits_of(tmp_path, THURSDAYS)
    assert with_rule.deadline("mill", at_ns) == (from_rfc3339("2026-01-15T18:00:00Z"), False)


def test_the_last_visit_is_the_one_that_ought_to_be_recorded(tmp_path: Path):
    calendar = visits_of(tmp_path, THURSDAYS)
    assert calendar.last_visit("mill", from_rfc3339("2026-01-15T18:00:00Z")) == Visit(
        from_rfc3339("2026-01-15T16:00:00Z"), from_rfc3339("2026-01-15T18:00:00Z")
    )
    assert calendar.last_visit("mill", from_rfc3339("2026-01-15T17:59:00Z")) == Visit(
        from_rfc3339("2026-01-08T16:00:00Z"), from_rfc3339("2026-01-08T18:00:00Z")
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "The visit calendar visits.ics cannot be read: No such file or directory."),
        ("not a calendar", "The visit calendar visits.ics is no iCalendar file"),
        (calendar_text(), "The visit calendar visits.ics holds no visit."),
        (calendar_text(event("DTSTART:20260115T0900", "DTEND:20260115T110000Z")), "is no iCalendar file"),
    ],
)
def test_a_calendar_that_cannot_be_read_stops_nothing_and_is_said(tmp_path: Path, text: str | None, sentence: str):
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', text)
    assert sentence in calendar.notes["mill"]
    assert calendar.notes["mill"].endswith("No visit is known, seven days are assumed.")
    assert calendar.next_visit("mill", 0) is None


def test_an_event_that_repeats_oftener_than_daily_is_left_out(tmp_path: Path):
    tick = event("DTSTART:20260101T000000Z", "RRULE:FREQ=SECONDLY", "SUMMARY:tick")
    visit = event("DTSTART:20260115T090000Z", "DTEND:20260115T100000Z")
    calendar = visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(tick, visit))
    assert 'repeats "tick" oftener than daily; that event is left out' in calendar.notes["mill"]
    assert next_visit(calendar, "2026-01-01T00:00:00Z") == ("2026-01-15T09:00:00Z", "2026-01-15T10:00:00Z")


def test_an_absence_of_a_season_is_no_visit(tmp_path: Path):
    season = event("DTSTART;VALUE=DATE:20260101", "DTEND;VALUE=DATE:20260401")
    assert (
        next_visit(visits_of(tmp_path, 'visits = "visits.ics"', calendar_text(season)), "2026-01-02T00:00:00Z") is None
    )


WEB = 'visits = "https://calendar.example/round.ics?key=secret"'
ONE_VISIT = calendar_text(event("DTSTART:20260115T090000Z", "DTEND:20260115T100000Z"))


def offline(url: str) -> bytes:
    raise ConnectionError("it does not answer (ConnectError)")


def test_a_fetched_calendar_serves_again_when_the_network_is_down(tmp_path: Path):
    asked: list[str] = []

    def online(url: str) -> bytes:
        asked.append(url)
        return ONE_VISIT.encode()

    first = visits_of(tmp_path, WEB, fetch=online)
    assert asked == ["https://calendar.example/round.ics?key=secret"]
    assert first.notes == {}
    second = visits_of(tmp_path, WEB, fetch=offline)
    found = next_visit(second, "2026-01-01T00:00:00Z")
    assert found == next_visit(first, "2026-01-01T00:00:00Z") == ("2026-01-15T09:00:00Z", "2026-01-15T10:00:00Z")
    assert second.notes["mill"].endswith("(it does not answer (ConnectError)); the last copy is used.")
    assert "secret" not in second.notes["mill"]


def test_a_page_that_is_no_calendar_does_not_take_the_copys_place(tmp_path: Path):
    visits_of(tmp_path, WEB, fetch=lambda url: ONE_VISIT.encode())
    log_in_page = visits_of(tmp_path, WEB, fetch=lambda url: b"<html>Please log in</html>")
    assert "(it gives no calendar); the last copy is used" in log_in_page.notes["mill"]
    assert next_visit(log_in_page, "2026-01-01T00:00:00Z") is not None


def test_without_copy_and_network_no_visit_is_known(tmp_path: Path):
    calendar = visits_of(tmp_path, WEB, fetch=offline)
    assert "and no copy is kept. No visit is known, seven days are assumed." in calendar.notes["mill"]
    assert next_visit(calendar, "2026-01-01T00:00:00Z") is None


def test_sites_that_share_a_calendar_share_one_fetch():
    asked: list[str] = []

    def online(url: str) -> bytes:
        asked.append(url)
        return ONE_VISIT.encode()

    fleet = parse_fleet(f'[sites.a]\n{WEB}\n[sites.b]\n{WEB}\n[units.u]\nsite = "a"\n')
    calendar = load_visits(fleet, fetch=online)
    assert len(asked) == 1
    assert calendar.next_visit("a", 0) is None  # beyond five years from 1970
    at_ns = from_rfc3339("2026-01-01T00:00:00Z")
    assert calendar.next_visit("a", at_ns) == calendar.next_visit("b", at_ns)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(0, 3 * CHUNK_NS // SECOND_NS), min_size=1, max_size=8))
def test_the_order_of_questions_changes_no_answer(seconds: list[int]):
    """Law: what was unrolled for one question does not show in another's answer; a fresh calendar is the oracle."""
    fleet = parse_fleet(f'[sites.mill]\ntimezone = "America/Denver"\n{THURSDAYS}\n[units.u]\nsite = "mill"\n')
    begin_ns = from_rfc3339("2024-06-01T00:00:00Z")
    asked = load_visits(fleet)
    for second in seconds:
        at_ns = begin_ns + second * SECOND_NS
        found = asked.next_visit("mill", at_ns)
        assert found == load_visits(fleet).next_visit("mill", at_ns)
        assert found is not None
        assert at_ns < found.end_ns <= at_ns + 7 * DAY_NS + HOUR_NS, (
            "weekly: never further than a week and a clock change"
        )
