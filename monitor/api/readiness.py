"""Whether a unit will make it to the next visit: one of four words, and one sentence.

In: the alarms that stand at a unit, what is silent there, the next visit. Out: a frozen view. Pure: the present is an
argument. May import: models.readiness, monitor.alarms.lifecycle, monitor.api.moments, monitor.measures, monitor.times.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from models.readiness import Threat, chance
from monitor.alarms.lifecycle import Alarm, State, Urgency
from monitor.api.moments import clock_text
from monitor.measures import signal_title
from monitor.times import HOUR_NS


class Readiness(StrEnum):
    """How the API and the pages say it; rank puts those that ask for someone first."""

    NOT_READY = "not_ready"
    NOT_UNTIL_VISIT = "not_until_visit"
    UNKNOWN = "unknown"
    UNTIL_VISIT = "until_visit"

    @property
    def rank(self) -> int:
        """0 asks most."""
        return list(Readiness).index(self)


# What these do not know is that a unit is in order, not that it is not.
BLIND = frozenset({"readings_missing", "sensor_suspect", "clock_wrong"})


STOPS: Mapping[Urgency, float] = {Urgency.NOW: 0.95, Urgency.BEFORE_VISIT: 0.15, Urgency.AT_VISIT: 0.03}
"""Of alarms without a forecast, the share that keep a unit from starting or carrying load at its next start (our
choice: what is not ready now seldom starts, and what keeps until the visit nearly always does)."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A unit's readiness. sentence: for people. because: the alarms it rests on, the most urgent first.

    starts_now, starts_until_visit: chance that it starts and carries load now, and still at the end of the next visit
    if nobody comes before, 0..1; None: not known.
    """

    readiness: Readiness
    sentence: str
    because: tuple[Alarm, ...]
    starts_now: float | None = None
    starts_until_visit: float | None = None


def counts(alarm: Alarm) -> bool:
    """Whether an alarm says something of the unit now. A shelved one does: nobody is called, yet it stands."""
    return alarm.present and alarm.state not in (State.SUPPRESSED, State.OUT_OF_SERVICE)


def by_need(alarms: Iterable[Alarm]) -> list[Alarm]:
    """The most urgent first, of like ones the oldest."""
    return sorted(alarms, key=lambda alarm: (-alarm.urgency.rank, alarm.raised_at_ns, alarm.id))


def judged(
    alarms: Iterable[Alarm],
    *,
    silent: Mapping[str, int | None],
    titles: Mapping[str, str],
    until: str,
    until_ns: int,
    timezone: str,
    now_ns: int,
) -> Judged:
    """What stands, in one sentence and two numbers.

    Args:
        alarms: of this unit, standing. silent: needed signals that do not come, with their last reading.
        titles: conditions in words. until: the next visit in words ("the visit on Thu 09:00 MST"). until_ns: its end.
    """
    standing = by_need(filter(counts, alarms))
    said = _said(standing, silent=silent, titles=titles, until=until, timezone=timezone, now_ns=now_ns)
    if silent or said.readiness is Readiness.UNKNOWN:
        return said  # what nobody sees has no chance to be told
    threats = [_threat(alarm, now_ns) for alarm in standing if alarm.condition not in BLIND]
    return replace(
        said,
        starts_now=chance(threats, 0.0),
        starts_until_visit=chance(threats, max(until_ns - now_ns, 0) / HOUR_NS),
    )


def _threat(alarm: Alarm, now_ns: int) -> Threat:
    """What an alarm says against the unit: of several causes under one condition the likeliest tells its presence."""
    present = max((cause.probability for cause in alarm.said.causes), default=1.0)
    told = alarm.said.not_ready_at
    if told is None:
        return Threat(present, None, STOPS[alarm.urgency])
    early, middle, late = (
        inf if at is None else max(at - now_ns, 0) / HOUR_NS for at in (told.p10, told.p50, told.p90)
    )
    return Threat(present, (early, middle, late))


def _said(
    standing: Sequence[Alarm],
    *,
    silent: Mapping[str, int | None],
    titles: Mapping[str, str],
    until: str,
    timezone: str,
    now_ns: int,
) -> Judged:
    judging = [alarm for alarm in standing if alarm.condition not in BLIND]
    needed_now = [alarm for alarm in judging if alarm.urgency is Urgency.NOW]
    before = [alarm for alarm in judging if alarm.urgency is Urgency.BEFORE_VISIT]
    blind = [alarm for alarm in standing if alarm.condition in BLIND and alarm.urgency.calls]
    if needed_now:
        return Judged(Readiness.NOT_READY, f"Not ready now: {_titles(needed_now, titles)}.", tuple(needed_now))
    if before:
        sentence = (
            f"May stop being ready before {until}: {_titles(before, titles)}.{_from_when(before, timezone, now_ns)}"
        )
        return Judged(Readiness.NOT_UNTIL_VISIT, sentence, tuple(before))
    if silent or blind:
        return Judged(Readiness.UNKNOWN, _unknown(blind, silent, titles, timezone, now_ns), tuple(blind))
    rest = f" To see to then: {_titles(standing, titles)}." if standing else ""
    return Judged(Readiness.UNTIL_VISIT, f"Should stay ready until {until}.{rest}", tuple(standing))


def _titles(alarms: Sequence[Alarm], titles: Mapping[str, str]) -> str:
    words = [titles.get(alarm.condition, alarm.condition.replace("_", " ")) for alarm in alarms]
    words = [word[:1].lower() + word[1:] for word in dict.fromkeys(words)]
    return "; ".join(words[:2]) + (f"; and {len(words) - 2} more" if len(words) > 2 else "")


def _from_when(alarms: Sequence[Alarm], timezone: str, now_ns: int) -> str:
    earliest = [alarm.said.not_ready_at.p10 for alarm in alarms if alarm.said.not_ready_at]
    known = [moment for moment in earliest if moment is not None]
    return f" The earliest is {clock_text(min(known), timezone, now_ns)}." if known else ""


def _unknown(
    blind: Sequence[Alarm], silent: Mapping[str, int | None], titles: Mapping[str, str], timezone: str, now_ns: int
) -> str:
    if not silent:
        return f"Not known whether it is ready: {_titles(blind, titles)}."
    names = ", ".join(signal_title(signal).lower() for signal in silent)
    lasts = [moment for moment in silent.values() if moment is not None]
    since = f"since {clock_text(max(lasts), timezone, now_ns)}" if lasts else "so far"
    return f"Not known whether it is ready: no {names} {since}."
