"""Exercise rules of simulated units against the expansions that RFC 5545 section 3.8.5.3 prints beside its examples.

The wall clock there is America/New_York; the begin of an example is its DTSTART.
"""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from simulator.running import rule_times

SECOND_NS = 1_000_000_000
ZONE = "America/New_York"


def ns(*parts: int) -> int:
    return int(datetime(*parts, tzinfo=ZoneInfo(ZONE)).timestamp()) * SECOND_NS


def nine(year: int, month: int, day: int) -> datetime:
    return datetime(year, month, day, 9)  # noqa: DTZ001  on the wall


def days(rule: str, begin: datetime, to: tuple[int, ...]) -> list[tuple[int, int, int]]:
    moments = rule_times(rule, ZONE, from_ns=ns(*begin.timetuple()[:6]), to_ns=ns(*to), counted_from=begin)
    local = [datetime.fromtimestamp(int(at) // SECOND_NS, ZoneInfo(ZONE)) for at in moments]
    assert {(one.hour, one.minute) for one in local} == {(9, 0)}, "nine on the wall, summer and winter"
    return [(one.year, one.month, one.day) for one in local]


@pytest.mark.parametrize(
    ("rule", "begin", "expanded"),
    [
        (  # "Weekly on Tuesday and Thursday for five weeks"
            "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH",
            nine(1997, 9, 2),
            [(1997, 9, day) for day in (2, 4, 9, 11, 16, 18, 23, 25, 30)] + [(1997, 10, 2)],
        ),
        (  # "Every other week on Monday, Wednesday, and Friday until December 24, 1997"
            "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            nine(1997, 9, 1),
            [(1997, 9, day) for day in (1, 3, 5, 15, 17, 19, 29)]
            + [(1997, 10, day) for day in (1, 3, 13, 15, 17, 27, 29, 31)]
            + [(1997, 11, day) for day in (10, 12, 14, 24, 26, 28)]
            + [(1997, 12, day) for day in (8, 10, 12, 22)],
        ),
        (  # "Monthly on the first Friday for 10 occurrences"
            "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            nine(1997, 9, 5),
            [
                (1997, 9, 5),
                (1997, 10, 3),
                (1997, 11, 7),
                (1997, 12, 5),
                (1998, 1, 2),
                (1998, 2, 6),
                (1998, 3, 6),
                (1998, 4, 3),
                (1998, 5, 1),
                (1998, 6, 5),
            ],
        ),
        (  # "Monthly on the second-to-last Monday of the month for 6 months"
            "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
            nine(1997, 9, 22),
            [(1997, 9, 22), (1997, 10, 20), (1997, 11, 17), (1997, 12, 22), (1998, 1, 19), (1998, 2, 16)],
        ),
        (  # "The second-to-last weekday of the month"
            "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
            nine(1997, 9, 29),
            [
                (1997, 9, 29),
                (1997, 10, 30),
                (1997, 11, 27),
                (1997, 12, 30),
                (1998, 1, 29),
                (1998, 2, 26),
                (1998, 3, 30),
            ],
        ),
    ],
)
def test_a_rule_comes_about_on_the_days_that_the_standard_prints(rule, begin, expanded):
    """Source: RFC 5545 section 3.8.5.3, examples."""
    last = expanded[-1]
    assert days(rule, begin, (*last, 23)) == expanded


def test_a_week_is_a_week_also_when_the_clocks_change():
    """Tuesdays at ten about 29 March 2026 and 1 November 2026 in America/Denver: an hour less, an hour more."""
    hour_ns = 3600 * SECOND_NS
    moments = rule_times(
        "FREQ=WEEKLY;BYDAY=TU;BYHOUR=10",
        "America/Denver",
        from_ns=1_772_323_200 * SECOND_NS,  # 2026-03-01
        to_ns=1_773_532_800 * SECOND_NS,  # 2026-03-15, clocks go forward on 8 March
    )
    assert [int(at) for at in moments] == [
        1_772_557_200 * SECOND_NS,  # 3 March 17:00 UTC
        1_772_557_200 * SECOND_NS + 7 * 24 * hour_ns - hour_ns,
    ]
