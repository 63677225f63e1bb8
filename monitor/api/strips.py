"""The week strip: a unit's time from the last visit to the next, as geometry.

In: a stretch, alarms, runs, the present. Out: places in per cent of the strip's width, lanes for what overlaps. Pure.
May import: monitor.alarms.lifecycle, monitor.api.moments, monitor.api.views.

Nothing is drawn that is not known: a limit without a forecast gets a bar and no band.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from monitor.alarms.lifecycle import Alarm, NotReady, State
from monitor.api.moments import WEEK_NS, clock_text, local, midnights
from monitor.api.views import Stretch
from monitor.callouts.wording import MONTHS, WEEKDAYS
from monitor.times import HOUR_NS

LANES_MAX = 4  # more would hide the rest of the fleet; the list under the strip names them all
PER_CENT = 100.0
LABELS_MAX = 7  # more stand on each other on a phone
LABEL_LAST = 92.0  # per cent: a label that begins beyond it would not fit
DATED_FROM = 15  # days from which on a weekday could mean one of three

Place = Callable[[int], float]
"""Where a moment stands on the strip, 0..100."""


@dataclass(frozen=True, slots=True)
class Band:
    """Where the unit would stop being ready: from the 10 % quantile to the 90 %, with the middle marked."""

    left: float
    width: float
    middle: float | None


@dataclass(frozen=True, slots=True)
class Bar:
    """One alarm, from when it was raised to now or to when it cleared.

    kind: urgency, or "gone". clipped: it began before the strip does. band: None without a forecast inside the strip.
    """

    left: float
    width: float
    lane: int
    kind: str
    clipped: bool
    band: Band | None
    alarm_id: str
    title: str


@dataclass(frozen=True, slots=True)
class Tick:
    """A local midnight, and the day that begins there."""

    at: float
    day: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One strip. begin, end: what stands at its two ends, in words. summary: the whole of it in words."""

    now: float
    visit: float
    ticks: tuple[Tick, ...]
    bars: tuple[Bar, ...]
    runs: tuple[tuple[float, float], ...]
    lanes: int
    begin: str
    end: str
    summary: str


def strip(
    stretch: Stretch,
    alarms: Iterable[tuple[Alarm, str]],
    runs: Sequence[tuple[int, int | None]],
    *,
    timezone: str,
    now_ns: int,
) -> Strip:
    """The strip of one unit.

    Args:
        alarms: those that stand and those that cleared within the stretch, each with its title, the most urgent first.
        runs: start and end, None while it runs.
    """
    from_ns = stretch.last_ns if stretch.last_ns is not None else now_ns - WEEK_NS
    from_ns = min(from_ns, now_ns - HOUR_NS)  # a visit made a minute ago still leaves room for what was before
    to_ns = max(stretch.next.end_ns, now_ns + HOUR_NS)

    def place(time_ns: int) -> float:
        return round(PER_CENT * min(max((time_ns - from_ns) / (to_ns - from_ns), 0.0), 1.0), 3)

    drawn = [pair for pair in alarms if pair[0].state not in (State.SUPPRESSED, State.OUT_OF_SERVICE)]
    free_from: list[int] = []
    bars: list[Bar] = []
    for alarm, title in drawn:
        end_ns = alarm.cleared_at_ns if alarm.cleared_at_ns is not None else now_ns
        if end_ns < from_ns:
            continue
        band = _band(alarm.said.not_ready_at, to_ns, place) if alarm.present else None
        reach_ns = to_ns if band else end_ns
        lane = next((at for at, until_ns in enumerate(free_from) if until_ns < alarm.raised_at_ns), len(free_from))
        if lane == LANES_MAX:
            continue
        free_from[lane : lane + 1] = [reach_ns]
        left = place(alarm.raised_at_ns)
        kind = alarm.urgency.value if alarm.present else "gone"
        width = round(place(end_ns) - left, 3)
        bars.append(Bar(left, width, lane, kind, alarm.raised_at_ns < from_ns, band, alarm.id, title))
    ends = [(start_ns, end_ns if end_ns is not None else now_ns) for start_ns, end_ns in runs]
    visit = clock_text(stretch.next.start_ns, timezone, now_ns)
    return Strip(
        now=place(now_ns),
        visit=place(stretch.next.start_ns),
        ticks=_ticks(from_ns, to_ns, timezone, place),
        bars=tuple(bars),
        runs=tuple((place(start), round(place(end) - place(start), 3)) for start, end in ends if end >= from_ns),
        lanes=len(free_from),
        begin=_begin(stretch, timezone, now_ns),
        end="seven days assumed; no visit is known" if stretch.assumed else f"visit {visit}",
        summary=_summary(drawn, visit, stretch, timezone, now_ns),
    )


def _begin(stretch: Stretch, timezone: str, now_ns: int) -> str:
    if stretch.last_ns is None:
        return "seven days ago; no visit is on record"
    begun = clock_text(stretch.last_ns, timezone, now_ns)
    return f"last visit {begun}" if stretch.recorded else f"visit of {begun}, not on record"


def _band(quantiles: NotReady | None, to_ns: int, place: Place) -> Band | None:
    if quantiles is None or quantiles.p10 is None or quantiles.p10 >= to_ns:
        return None
    left = place(quantiles.p10)
    right = PER_CENT if quantiles.p90 is None else place(quantiles.p90)
    middle = place(quantiles.p50) if quantiles.p50 is not None and quantiles.p50 < to_ns else None
    return Band(left, round(right - left, 3), middle)


def _ticks(from_ns: int, to_ns: int, timezone: str, place: Place) -> tuple[Tick, ...]:
    days = midnights(from_ns, to_ns, timezone)
    every = 1 + len(days) // (LABELS_MAX + 1)
    return tuple(
        Tick(place(day), _day(day, timezone, dated=len(days) > DATED_FROM) if place(day) < LABEL_LAST else "")
        for day in days[::every]
    )


def _day(time_ns: int, timezone: str, *, dated: bool) -> str:
    day = local(time_ns, timezone)
    return f"{day.day} {MONTHS[day.month - 1]}" if dated else WEEKDAYS[day.weekday()]


def _summary(drawn: Sequence[tuple[Alarm, str]], visit: str, stretch: Stretch, timezone: str, now_ns: int) -> str:
    parts = [
        f"{title} since {clock_text(alarm.raised_at_ns, timezone, now_ns)}"
        for alarm, title in drawn[:6]
        if alarm.present
    ]
    until = "no visit is known" if stretch.assumed else f"next visit {visit}"
    return f"Time strip: {'; '.join(parts) or 'nothing stands'}; {until}."
