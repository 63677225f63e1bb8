"""Recurrence rules against the examples of RFC 5545 section 3.8.5.3.

Left out by name: examples that repeat oftener than daily (HOURLY, MINUTELY), which the fleet file refuses; those that
COUNT from a DTSTART of 1997 or have a span that only it explains are given in a calendar, where DTSTART can be said.
The zone is the RFC's, America/New_York.
"""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.fleet import load_fleet
from monitor.rules import rule_fault, rule_times
from monitor.times import from_rfc3339, to_datetime
from monitor.visits import load_visits

NEW_YORK = ZoneInfo("America/New_York")

# Rule, DTSTART, begin and end of the span looked at, the days on which it falls (all at 09:00 local time).
EXAMPLES = [
    ("FREQ=DAILY;COUNT=10", "19970902", "1997-09-02 1997-09-03 1997-09-04 1997-09-05 1997-09-06 1997-09-07 1997-09-08 "
     "1997-09-09 1997-09-10 1997-09-11"),
    ("FREQ=DAILY;INTERVAL=10;COUNT=5", "19970902", "1997-09-02 1997-09-12 1997-09-22 1997-10-02 1997-10-12"),
    ("FREQ=WEEKLY;COUNT=10", "19970902", "1997-09-02 1997-09-09 1997-09-16 1997-09-23 1997-09-30 1997-10-07 1997-10-14 "
     "1997-10-21 1997-10-28 1997-11-04"),
    ("FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", "19970902", "1997-09-02 1997-09-04 1997-09-09 "
     "1997-09-11 1997-09-16 1997-09-18 1997-09-23 1997-09-25 1997-09-30 1997-10-02"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "19970902", "1997-09-02 1997-09-04 1997-09-16 1997-09-18 "
     "1997-09-30 1997-10-02 1997-10-14 1997-10-16"),
    ("FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "19970905", "1997-09-05 1997-10-03 1997-11-07 1997-12-05 1998-01-02 1998-02-06 "
     "1998-03-06 1998-04-03 1998-05-01 1998-06-05"),
    ("FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", "19970907", "1997-09-07 1997-09-28 1997-11-02 1997-11-30 "
     "1998-01-04 1998-01-25 1998-03-01 1998-03-29 1998-05-03 1998-05-31"),
    ("FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "19970922", "1997-09-22 1997-10-20 1997-11-17 1997-12-22 1998-01-19 "
     "1998-02-16"),
    ("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15", "19970902", "1997-09-02 1997-09-15 1997-10-02 1997-10-15 1997-11-02 "
     "1997-11-15 1997-12-02 1997-12-15 1998-01-02 1998-01-15"),
    ("FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "19970930", "1997-09-30 1997-10-01 1997-10-31 1997-11-01 1997-11-30 "
     "1997-12-01 1997-12-31 1998-01-01 1998-01-31 1998-02-01"),
    ("FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "19970910", "1997-09-10 1997-09-11 1997-09-12 "
     "1997-09-13 1997-09-14 1997-09-15 1999-03-10 1999-03-11 1999-03-12 1999-03-13"),
    ("FREQ=YEARLY;COUNT=10;BYMONTH=6,7", "19970610", "1997-06-10 1997-07-10 1998-06-10 1998-07-10 1999-06-10 "
     "1999-07-10 2000-06-10 2000-07-10 2001-06-10 2001-07-10"),
    ("FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", "19970101", "1997-01-01 1997-04-10 1997-07-19 2000-01-01 "
     "2000-04-09 2000-07-18 2003-01-01 2003-04-10 2003-07-19 2006-01-01"),
    ("FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "19970904", "1997-09-04 1997-10-07 1997-11-06"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "19970805", "1997-08-05 1997-08-10 1997-08-19 1997-08-24"),
    ("FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "19970805", "1997-08-05 1997-08-17 1997-08-19 1997-08-31"),
    ("FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "20070115", "2007-01-15 2007-01-30 2007-02-15 2007-03-15 2007-03-30"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "begin", "days"), EXAMPLES)
def test_a_calendar_falls_on_the_days_of_the_rfcs_example(tmp_path: Path, rule: str, begin: str, days: str):
    """Source: RFC 5545 section 3.8.5.3, the example with this rule."""
    (tmp_path / "visits.ics").write_text(
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nBEGIN:VEVENT\r\nUID:example\r\n"
        "DTSTAMP:19970101T000000Z\r\n"
        f"DTSTART;TZID=America/New_York:{begin}T090000\r\nDURATION:PT1H\r\nRRULE:{rule}\r\n"
        "END:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    (tmp_path / "fleet.toml").write_text('[sites.s]\nvisits = "visits.ics"\n[units.u]\nsite = "s"\n')
    calendar = load_visits(load_fleet(tmp_path / "fleet.toml"))
    visits = calendar.visits("s", from_rfc3339("1997-01-01T00:00:00Z"), from_rfc3339("2010-01-01T00:00:00Z"))
    starts = [to_datetime(visit.start_ns).astimezone(NEW_YORK) for visit in visits]
    assert [f"{start:%Y-%m-%d}" for start in starts] == days.split()
    assert {f"{start:%H:%M}" for start in starts} == {"09:00"}, "the wall clock stays across 26 October 1997"


# Examples without COUNT and DTSTART mean the same wherever one begins to look; here from 2024 on, by the calendar.
RULES = [
    ("FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;BYHOUR=9", "every Friday the 13th", "2024-09-13 2024-12-13 2025-06-13 "
     "2026-02-13 2026-03-13"),
    ("FREQ=YEARLY;BYDAY=20MO;BYHOUR=9", "every 20th Monday of the year", "2024-05-13 2025-05-19 2026-05-18"),
    ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;BYHOUR=9", "Monday of week number 20", "2024-05-13 2025-05-12 2026-05-11"),
    ("FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13;BYHOUR=9;BYMONTH=1,2", "the first Saturday that follows the "
     "first Sunday of the month", "2024-01-13 2024-02-10 2025-01-11 2025-02-08 2026-01-10 2026-02-07"),
    ("FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;BYHOUR=9", "every 4 years, the first Tuesday "
     "after a Monday in November", "2024-11-05"),
    ("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2;BYHOUR=9;UNTIL=20240430T000000Z", "the second-to-last weekday of "
     "the month", "2024-01-30 2024-02-28 2024-03-28 2024-04-29"),
    ("FREQ=MONTHLY;BYMONTHDAY=-3;BYHOUR=9;UNTIL=20240501T000000Z", "the third-to-the-last day of the month",
     "2024-01-29 2024-02-27 2024-03-29 2024-04-28"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "means", "days"), RULES)
def test_a_visit_rule_means_what_the_rfc_says_of_it(rule: str, means: str, days: str):
    """Source: RFC 5545 section 3.8.5.3 for the rule and its meaning; days counted off a calendar of 2024 to 2026."""
    assert rule_fault(rule) is None
    moments = rule_times(rule, NEW_YORK, from_rfc3339("2024-01-01T00:00:00Z"), from_rfc3339("2026-06-01T00:00:00Z"))
    local = [to_datetime(moment).astimezone(NEW_YORK) for moment in moments]
    assert [f"{moment:%Y-%m-%d}" for moment in local] == days.split(), means
    assert {f"{moment:%H:%M}" for moment in local} == {"09:00"}


@pytest.mark.parametrize(
    "rule", ["FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z", "FREQ=MINUTELY;INTERVAL=15;COUNT=6", "FREQ=SECONDLY"]
)
def test_what_repeats_oftener_than_daily_is_refused_in_words(rule: str):
    """Source: RFC 5545 section 3.8.5.3 has such examples; no round of visits or runs is like that."""
    fault = rule_fault(rule)
    assert fault is not None
    assert "must begin with FREQ= and one of DAILY, WEEKLY, MONTHLY, YEARLY" in fault
