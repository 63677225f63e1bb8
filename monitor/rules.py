"""Recurrence rules: the moments that an RRULE of RFC 5545 names, in a site's own time.

In: a rule as the fleet file writes it, a time zone, a span. Out: moments, ns UTC. A rule counts from
2024-01-01T00:00:00 site time, so parts that it leaves out (hour, minute) are 0. The wall clock stays the same across a
change of daylight saving. May import: dateutil, zoneinfo, monitor.times. Touches nothing.
"""

import re
from datetime import UTC, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from dateutil.rrule import rrule, rrulestr

from monitor.times import HOUR_NS, from_datetime, to_datetime

BEGIN = datetime(2024, 1, 1)  # noqa: DTZ001  a wall clock time, it gets the site's zone when moments are made of it
EXAMPLE = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9;BYMINUTE=0"
FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")  # oftener is no round of visits or runs, and costs without bound
PARTS = frozenset(
    (
        *("FREQ", "UNTIL", "COUNT", "INTERVAL", "WKST", "BYSETPOS"),
        *("BYSECOND", "BYMINUTE", "BYHOUR", "BYDAY", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYMONTH"),
    )
)
MOMENTS_MAX = 100_000  # in one span; a daily rule makes 365 a year
# Where clocks skip an hour, 02:30 on the wall comes after 03:10: the order of wall clock times holds but for this much.
SKIPPED_MAX = timedelta(hours=3)
SKIPPED_MAX_NS = 3 * HOUR_NS


def rule_fault(rule: str) -> str | None:
    """What is wrong with a rule, in words that go on a sentence 'visit_rule is "…"'; None where nothing is."""
    parts = dict(part.partition("=")[::2] for part in rule.upper().removeprefix("RRULE:").split(";"))
    unknown = [name for name in parts if name not in PARTS]
    if unknown:
        return f'which has "{unknown[0]}", no part of an iCalendar rule (RFC 5545). Write it like "{EXAMPLE}".'
    if parts.get("FREQ") not in FREQUENCIES:
        return f'which must begin with FREQ= and one of {", ".join(FREQUENCIES)}. Write it like "{EXAMPLE}".'
    try:
        first = next(iter(_parsed(rule, ZoneInfo("UTC"))), None)
    except (ValueError, TypeError, AttributeError, KeyError, IndexError) as error:  # whatever dateutil meets in it
        return f'which cannot be read as an iCalendar rule ({error}). Write it like "{EXAMPLE}".'
    if first is None:
        return "which never comes about. Correct its days or its UNTIL."
    return None


def rule_times(rule: str, zone: ZoneInfo, from_ns: int, to_ns: int) -> list[int]:
    """Moments of a rule with from_ns <= moment < to_ns, sorted, ns UTC.

    Args:
        rule: one that rule_fault has nothing against.
        zone: the site's.
        from_ns, to_ns: the span, ns UTC.
    Returns: a time that the clocks skip is meant in the offset before (RFC 5545 section 3.3.5), one that comes twice
        is the first of the two.
    """
    begin = to_datetime(from_ns).astimezone(zone).replace(tzinfo=None) - SKIPPED_MAX
    moments: list[int] = []
    for moment in islice(_parsed(rule, zone).xafter(begin, inc=True), MOMENTS_MAX):
        moment_ns = from_datetime(moment.replace(tzinfo=zone))
        if moment_ns >= to_ns + SKIPPED_MAX_NS:
            break
        if from_ns <= moment_ns < to_ns:
            moments.append(moment_ns)
    return sorted(moments)


def _parsed(rule: str, zone: ZoneInfo) -> rrule:
    text = rule.upper().removeprefix("RRULE:")
    until = re.search(r"UNTIL=(\d{8}T\d{6})Z", text)
    if until:  # UTC in the rule, wall clock inside: dateutil refuses the two together
        moment = datetime.strptime(until.group(1), "%Y%m%dT%H%M%S").replace(tzinfo=UTC).astimezone(zone)
        text = text.replace(until.group(0), f"UNTIL={moment:%Y%m%dT%H%M%S}")
    parsed = rrulestr(text, dtstart=BEGIN)
    assert isinstance(parsed, rrule), "one rule in, one rule out"
    return parsed
