"""When somebody visits a site: calendars and rules unrolled to visits.

In: a site's iCalendar file (a path beside the fleet file, or a web address) or its visit_rule. Out: visits, and the
deadline by which a finding would be looked at anyway. The wall clock stays the same across a change of daylight
saving, lengths are counted in UTC; all-day and floating events stand in the site's zone. May import: monitor.fleet,
monitor.rules, monitor.times, icalendar, recurring_ical_events, httpx. Reads the calendars it is pointed at and keeps a
copy of those that came over the network.
"""

import os
from bisect import bisect_right
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, datetime, time
from hashlib import blake2b
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Any
from zoneinfo import ZoneInfo

from monitor.fleet import Fleet, Visit
from monitor.rules import FREQUENCIES, rule_times
from monitor.times import DAY_NS, HOUR_NS, from_datetime, to_datetime

RULE_VISIT_NS = 2 * HOUR_NS  # the contract: by rule, the deadline is start + 2 h
ASSUMED_NS = 7 * DAY_NS  # the contract: no visit known, seven days are assumed
CALENDAR_BYTES_MAX = 5_000_000  # ten years of a busy calendar are some hundred kB
FETCH_TIMEOUT_S = 20.0  # for a single step
FETCH_S_MAX = 60.0  # for all of it
REDIRECTS_MAX = 5
CHUNK_NS = 400 * DAY_NS  # unrolled at a time: a year ahead serves months of questions
AHEAD_NS_MAX = 5 * 366 * DAY_NS  # how far ahead a next visit is looked for
VISIT_NS_MAX = 31 * DAY_NS  # a longer event is a season or an absence, no visit: it is left out
VISITS_MAX = 5_000  # a year in one calendar; more is no calendar of visits
FETCHES_AT_ONCE = 8
SEVEN_DAYS = "No visit is known, seven days are assumed."

TRIED_NS = 1_704_067_200_000_000_000  # 2024-01-01T00:00:00Z, where rules begin to count too

Fetch = Callable[[str], bytes]
"""Gives what stands at a web address. Raises OSError or ValueError, with a sentence, where it cannot."""
Unroll = Callable[[int, int], list[Visit]]
"""Gives the visits that begin in a span of time, ns."""


@dataclass(frozen=True, slots=True)
class _Unrolled:
    """Visits that begin in a span, sorted by their end, and the ends alone for bisecting."""

    from_ns: int
    to_ns: int
    visits: tuple[Visit, ...]
    ends: tuple[int, ...]


class _Site:
    """One site's visits, unrolled as far as they were asked for.

    The assessment and the pages ask from different threads: what is unrolled is one object that is replaced whole.
    """

    def __init__(self, unroll: Unroll) -> None:
        self._unroll = unroll
        self._lock = Lock()
        self._unrolled: _Unrolled | None = None

    def next(self, after_ns: int) -> Visit | None:
        """The first visit whose end lies after a moment; None: none within AHEAD_NS_MAX."""
        latest_ns = after_ns + AHEAD_NS_MAX
        to_ns = after_ns + VISIT_NS_MAX
        while True:
            known = self._covering(after_ns - VISIT_NS_MAX, to_ns)
            position = bisect_right(known.ends, after_ns)
            # One that ends beyond the span could be overtaken by one that begins beyond it and is not unrolled yet.
            if position < len(known.ends) and known.ends[position] <= min(known.to_ns, latest_ns):
                return known.visits[position]
            if known.to_ns >= latest_ns:
                return None
            to_ns = min(known.to_ns + CHUNK_NS, latest_ns)

    def last(self, before_ns: int) -> Visit | None:
        """The last visit that had ended at a moment; None: none in the CHUNK_NS before."""
        earliest_ns = before_ns - CHUNK_NS
        known = self._covering(earliest_ns - VISIT_NS_MAX, before_ns)
        position = bisect_right(known.ends, before_ns)
        return known.visits[position - 1] if position and known.ends[position - 1] > earliest_ns else None

    def between(self, from_ns: int, to_ns: int) -> tuple[Visit, ...]:
        """Visits that touch a span, by their end."""
        known = self._covering(from_ns - VISIT_NS_MAX, to_ns)
        return tuple(visit for visit in known.visits if visit.end_ns > from_ns and visit.start_ns < to_ns)

    def _covering(self, from_ns: int, to_ns: int) -> _Unrolled:
        known = self._unrolled
        if known is not None and known.from_ns <= from_ns and to_ns <= known.to_ns:
            return known
        with self._lock:
            known = self._unrolled
            if known is not None:
                from_ns, to_ns = min(from_ns, known.from_ns), max(to_ns, known.to_ns)
            # Whole chunks, so that a clock that moves on does not unroll at each question.
            from_ns, to_ns = from_ns // CHUNK_NS * CHUNK_NS, -(-to_ns // CHUNK_NS) * CHUNK_NS
            visits = tuple(sorted(self._unroll(from_ns, to_ns), key=lambda visit: (visit.end_ns, visit.start_ns)))
            self._unrolled = known = _Unrolled(from_ns, to_ns, visits, tuple(visit.end_ns for visit in visits))
        return known


@dataclass(frozen=True)
class VisitCalendar:
    """All sites' visits. notes: for sites whose calendar could not be read or is in doubt, one sentence each."""

    _sites: Mapping[str, _Site]
    notes: Mapping[str, str]

    def next_visit(self, site: str, at_ns: int) -> Visit | None:
        """The first visit whose deadline lies after a moment; None: no visit is known.

        Args:
            site: its id; one that is not in the fleet has no visits.
            at_ns: the moment, ns.
        """
        visits = self._sites.get(site)
        return None if visits is None else visits.next(at_ns)

    def last_visit(self, site: str, at_ns: int) -> Visit | None:
        """The last visit whose deadline had passed at a moment: the one that ought to have been recorded by then."""
        visits = self._sites.get(site)
        return None if visits is None else visits.last(at_ns)

    def visits(self, site: str, from_ns: int, to_ns: int) -> tuple[Visit, ...]:
        """Visits that touch a span, by their deadline."""
        visits = self._sites.get(site)
        return () if visits is None else visits.between(from_ns, to_ns)

    def deadline(self, site: str, at_ns: int) -> tuple[int, bool]:
        """By when somebody looks at the site anyway, and whether that is assumed.

        Args:
            site: its id.
            at_ns: the moment from which on, ns.
        Returns: the next visit's end, False; without a known visit seven days from then, True.
        """
        visit = self.next_visit(site, at_ns)
        return (at_ns + ASSUMED_NS, True) if visit is None else (visit.end_ns, False)


def load_visits(fleet: Fleet, *, copies: Path | None = None, fetch: Fetch | None = None) -> VisitCalendar:
    """The visits of every site of a fleet.

    A calendar that cannot be read stops nothing: its site has no known visit then, and a note says so.

    Args:
        fleet: paths in it begin at its folder.
        copies: where the last good copy of a fetched calendar is kept, for when the network is down; None: nowhere.
        fetch: for web addresses; None: none is fetched, only a kept copy is read.
    """
    sites: dict[str, _Site] = {}
    notes: dict[str, str] = {}
    pointed = list(dict.fromkeys(site.visits for site in fleet.sites.values() if site.visits is not None))
    with ThreadPoolExecutor(FETCHES_AT_ONCE) as threads:  # dead addresses cost their timeout together, not in turn
        found = dict(
            zip(
                pointed, threads.map(lambda visits: _content(visits, fleet.folder, copies, fetch), pointed), strict=True
            )
        )
    calendars: dict[tuple[str, str], _Calendar] = {}
    for site in fleet.sites.values():
        if site.visit_rule is not None:
            sites[site.id] = _Site(_rule_unroll(site.visit_rule, site.zone))
        elif site.visits is not None:
            shared = (site.visits, site.timezone)  # many sites may share a calendar; floating events depend on the zone
            if shared not in calendars:
                calendars[shared] = _parsed(found[site.visits], _bare(site.visits), site.zone)
            calendar = calendars[shared]
            if calendar.visits is not None:
                sites[site.id] = calendar.visits
            if calendar.note:
                notes[site.id] = calendar.note
    return VisitCalendar(sites, notes)


def fetch_calendar(url: str) -> bytes:
    """What stands at a web address, within FETCH_TIMEOUT_S and CALENDAR_BYTES_MAX.

    Raises:
        ConnectionError: the address does not answer, answers with an error, or with too much; one sentence.
    """
    import httpx

    give_up_at = monotonic() + FETCH_S_MAX
    found = bytearray()
    try:
        with (
            httpx.Client(timeout=FETCH_TIMEOUT_S, follow_redirects=True, max_redirects=REDIRECTS_MAX) as client,
            client.stream("GET", url) as response,
        ):
            response.raise_for_status()
            for part in response.iter_bytes():
                found += part
                if monotonic() > give_up_at:  # a server that drips never meets the timeout of a single read
                    raise ConnectionError(f"it takes longer than {FETCH_S_MAX:.0f} s")
                if len(found) > CALENDAR_BYTES_MAX:
                    raise ConnectionError(f"it gives more than {CALENDAR_BYTES_MAX // 1_000_000} MB")
    except httpx.HTTPStatusError as error:
        raise ConnectionError(f"it answers with status {error.response.status_code}") from None
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise ConnectionError(f"it does not answer ({type(error).__name__})") from None
    return bytes(found)


@dataclass(frozen=True, slots=True)
class _Content:
    """A calendar's bytes, None where there are none; note: what is in doubt about them, one sentence."""

    content: bytes | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Calendar:
    """A calendar's visits, None where it could not be read; note: what is in doubt about them, one sentence."""

    visits: _Site | None
    note: str = ""


def _content(visits: str, folder: Path, copies: Path | None, fetch: Fetch | None) -> _Content:
    calendar = f"The visit calendar {_bare(visits)}"
    if "://" not in visits:
        path = folder / visits
        try:
            if path.stat().st_size > CALENDAR_BYTES_MAX:
                return _Content(None, f"{calendar} is larger than {CALENDAR_BYTES_MAX // 1_000_000} MB. {SEVEN_DAYS}")
            return _Content(path.read_bytes())
        except OSError as error:
            return _Content(None, f"{calendar} cannot be read: {error.strerror}. {SEVEN_DAYS}")
    kept = None if copies is None else copies / f"{blake2b(visits.encode(), digest_size=12).hexdigest()}.ics"
    reason = "nothing is fetched here"
    if fetch is not None:
        try:
            content = fetch(visits)
            if b"BEGIN:VCALENDAR" not in content:  # a log-in page, say, which must not take the copy's place
                raise ValueError("it gives no calendar")
            if kept is not None:
                _keep(kept, content)
            return _Content(content)
        except (OSError, ValueError) as error:
            reason = str(error) or type(error).__name__
    if kept is not None and kept.exists():
        return _Content(kept.read_bytes(), f"{calendar} could not be fetched ({reason}); the last copy is used.")
    return _Content(None, f"{calendar} could not be fetched ({reason}), and no copy is kept. {SEVEN_DAYS}")


def _bare(url: str) -> str:
    """An address without what follows its path: calendar addresses often carry a secret there."""
    return url.partition("?")[0]


def _keep(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_suffix(".new")
    with beside.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def _rule_unroll(rule: str, zone: ZoneInfo) -> Unroll:
    def unroll(from_ns: int, to_ns: int) -> list[Visit]:
        return [Visit(start_ns, start_ns + RULE_VISIT_NS) for start_ns in rule_times(rule, zone, from_ns, to_ns)]

    return unroll


def _parsed(found: _Content, name: str, zone: ZoneInfo) -> _Calendar:
    """The visits of a calendar's bytes, with what is in doubt about them."""
    if found.content is None:
        return _Calendar(None, found.note)
    import icalendar
    import recurring_ical_events

    calendar = f"The visit calendar {name}"
    try:
        calendars = icalendar.Calendar.from_ical(found.content, multiple=True)
        events = [event for part in calendars for event in part.walk("VEVENT")]
        oftener = [event for event in events if not _bounded(event)]
        for part in calendars:
            part.subcomponents = [inner for inner in part.subcomponents if inner not in oftener]
        unroll = _event_unroll([recurring_ical_events.of(part) for part in calendars], zone)
        tried = unroll(TRIED_NS, TRIED_NS + CHUNK_NS)  # a broken event shows now, not in the middle of an assessment
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        IndexError,
        OverflowError,
    ) as error:  # what a parser may meet
        return _Calendar(None, f"{calendar} is no iCalendar file ({str(error)[:100]}). {SEVEN_DAYS}")
    if not events:
        return _Calendar(None, f"{calendar} holds no visit. {SEVEN_DAYS}")
    note = found.note
    if oftener:
        note = f'{calendar} repeats "{_summary(oftener[0])}" oftener than daily; that event is left out.'
    elif len(tried) > VISITS_MAX:
        return _Calendar(None, f"{calendar} has more than {VISITS_MAX} visits a year. {SEVEN_DAYS}")
    return _Calendar(_Site(unroll), note)


def _bounded(event: Any) -> bool:
    """Whether an event repeats daily at most; oftener is no round of visits, and costs without bound."""
    rules = event.get("RRULE", [])
    some = rules if isinstance(rules, list) else [rules]
    return all(str(rule.get("FREQ", [""])[0]).upper() in FREQUENCIES for rule in some)


def _event_unroll(queries: list[Any], zone: ZoneInfo) -> Unroll:
    def unroll(from_ns: int, to_ns: int) -> list[Visit]:
        # A day more on both sides: floating events are compared in a zone that is not the site's.
        span = to_datetime(from_ns - DAY_NS), to_datetime(to_ns + DAY_NS)
        visits: list[Visit] = []
        for event in (event for query in queries for event in query.between(*span)):
            visit = Visit(_moment(event.start, zone), _moment(event.end, zone))
            cancelled = str(event.get("STATUS", "")).upper() == "CANCELLED"
            lasts = 0 <= visit.end_ns - visit.start_ns <= VISIT_NS_MAX
            if lasts and not cancelled and from_ns <= visit.start_ns < to_ns:
                visits.append(visit)
        return visits

    return unroll


def _summary(event: Any) -> str:
    return str(event.get("SUMMARY", ""))[:80]


def _moment(when: date | datetime, zone: ZoneInfo) -> int:
    """ns of a moment in an event: floating times and whole days stand in the site's zone."""
    if not isinstance(when, datetime):
        when = datetime.combine(when, time())
    return from_datetime(when if when.tzinfo is not None else when.replace(tzinfo=zone))
