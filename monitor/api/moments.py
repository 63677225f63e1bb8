"""Times and spans as people read them, in the site's own zone and with its name.

In: ns UTC and a zone's name. Out: text. May import: monitor.times, and the names
of days that the pushes use. Touches nothing: the present is an argument.
"""

from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.callouts.wording import MONTHS, WEEKDAYS  # not strftime's: those follow the machine's locale
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, to_datetime

WEEK_NS = 7 * DAY_NS


def local(time_ns: int, timezone: str) -> datetime:
    """The moment on the site's wall clock."""
    return to_datetime(time_ns).astimezone(ZoneInfo(timezone))


def zone_name(time_ns: int, timezone: str) -> str:
    """What the zone is called at that moment: "MST"; an offset such as "UTC-03:00" where it has no letters."""
    name = local(time_ns, timezone).strftime("%Z")
    if name[:1] in "+-":
        sign, digits = name[0], name[1:].ljust(4, "0")
        return f"UTC{sign}{digits[:2]}:{digits[2:4]}"
    return name or timezone


def clock_text(time_ns: int, timezone: str, now_ns: int) -> str:
    """A moment as it is spoken of now: "today 14:20 MST", "Thu 15 Jan 09:00 MST", with its year where not this one."""
    then, now = local(time_ns, timezone), local(now_ns, timezone)
    days = (then.date() - now.date()).days
    if days == 0:
        day = "today"
    elif days == -1:
        day = "yesterday"
    elif days == 1:
        day = "tomorrow"
    else:
        day = f"{WEEKDAYS[then.weekday()]} {then.day} {MONTHS[then.month - 1]}"
        if then.year != now.year:
            day += f" {then.year}"
    return f"{day} {then:%H:%M} {zone_name(time_ns, timezone)}"


def span_text(span_ns: int) -> str:
    """A length of time in at most two measures: "45 s", "12 min", "3 h 20 min", "2 d 4 h", "16 d"."""
    span_ns = max(span_ns, 0)
    if span_ns < MINUTE_NS:
        return f"{span_ns // SECOND_NS} s"
    if span_ns < HOUR_NS:
        return f"{span_ns // MINUTE_NS} min"
    if span_ns < DAY_NS:
        hours, rest_ns = divmod(span_ns, HOUR_NS)
        return f"{hours} h {rest_ns // MINUTE_NS} min" if rest_ns >= MINUTE_NS else f"{hours} h"
    days, rest_ns = divmod(span_ns, DAY_NS)
    if days < 4 and rest_ns >= HOUR_NS:
        return f"{days} d {rest_ns // HOUR_NS} h"
    return f"{days} d"


def midnights(from_ns: int, to_ns: int, timezone: str) -> list[int]:
    """Each local midnight inside a span, ns; across a change of summer time a day has 23 or 25 hours."""
    zone = ZoneInfo(timezone)
    day = local(from_ns, timezone).date()
    found: list[int] = []
    while len(found) < 400:  # a strip of more than a year would be drawn as a grey area; the caller keeps it shorter
        day = day.fromordinal(day.toordinal() + 1)
        at_ns = int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()) * SECOND_NS
        if at_ns >= to_ns:
            break
        found.append(at_ns)
    return found
