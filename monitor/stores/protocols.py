"""What a store has to do, whatever stands behind it. A second implementation meets these and their contract tests.

In and out: reading batches, alarms, call-outs, what was set aside. May import: monitor.batch, monitor.alarms,
monitor.acquisition.quarantine, monitor.times. Touches nothing itself.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.acquisition.quarantine import SetAside
from monitor.alarms.changes import Change
from monitor.alarms.lifecycle import Alarm, Answer, Finding
from monitor.batch import Batch, Bool, Float64, Int64

Pair = tuple[str, str]
"""Unit and signal: one track of readings."""


class StoreUnavailable(Exception):
    """The store cannot take or give anything just now (disk full, locked, server gone): wait and try again.

    The text is one sentence for the page that shows the program's own state.
    """


@dataclass(frozen=True, slots=True)
class Appended:
    """What an append did.

    fresh: rows that were not there before, bool [n]. conflict: rows whose key was there with another value, bool [n];
    the first received stays.
    """

    fresh: Bool
    conflict: Bool


@dataclass(frozen=True, slots=True)
class Columns:
    """One signal of one unit for the screen: a cell's begin, least, mean, greatest; [points]."""

    time_ns: Int64
    least: Float64
    mean: Float64
    greatest: Float64


class ReadingStore(Protocol):
    """Keeps readings. Key: unit, signal, time. All calls block; call them from a worker thread."""

    def append(self, batch: Batch) -> Appended:
        """Keep a batch: durable on return, repeats change nothing.

        Raises:
            StoreUnavailable: nothing of the batch is promised; the same batch may be appended again.
        """

    def read(
        self,
        *,
        units: Sequence[str],
        signals: Sequence[str],
        from_ns: int,
        to_ns: int,
    ) -> Batch:
        """Readings with from_ns <= time < to_ns, sorted by (unit, signal, time) in the order of the names given.

        Units and signals that the store does not know give no rows. The batch counts into the names given.
        """

    def pages(
        self, *, units: Sequence[str], signals: Sequence[str], from_ns: int, to_ns: int, rows_max: int
    ) -> Iterator[Batch]:
        """What read gives, in the same order, in batches of at most rows_max and none empty.

        For more rows than memory holds. Each page sees what is there when it is taken.
        """

    def after(self, frontier: Mapping[Pair, int], units: Sequence[str], signals: Sequence[str]) -> Batch:
        """Readings newer than a frontier a (unit, signal), ns; pairs that it does not name come whole.

        Sorted by (received, time, unit, signal), the last two in the order of the names given. For catching up after
        a restart; where that is much, ask for some units at a time.
        """

    def downsampled(self, *, unit: str, signal: str, from_ns: int, to_ns: int, points: int) -> Columns:
        """At most points cells over the span; raw readings (least = mean = greatest) where there are no more.

        Cells are equal and begin at from_ns; one without readings is left out.
        """

    def newest(self, units: Sequence[str], signals: Sequence[str]) -> Batch:
        """The newest reading of every pair, where there is one, in the order of the names given."""

    def span_ns(self) -> tuple[int, int] | None:
        """Least and greatest time in the store; None while it is empty."""

    def tracks(self) -> list[Pair]:
        """Every (unit, signal) of which there are readings, sorted by name."""

    def close(self) -> None:
        """Let go of files and connections. Later calls raise StoreUnavailable."""


@dataclass(frozen=True, slots=True)
class CallOut:
    """One push to one person over one channel.

    key: idempotency key, follows from alarm, event, occasion, channel and recipient. alarm_ids: of every alarm that it
    speaks for, each once, at least one. body: the event as JSON text. not_before_ns: earliest moment to send.
    outcome: waiting, delivered, failed (will be tried again) or given_up.
    """

    key: str
    alarm_ids: tuple[str, ...]
    event: str
    channel: str
    recipient: str
    body: str
    created_ns: int
    not_before_ns: int
    outcome: str = "waiting"
    tries: int = 0
    last_try_ns: int | None = None
    last_error: str = ""
    delivered_ns: int | None = None

    def __post_init__(self) -> None:
        assert 0 < len(self.alarm_ids) == len(set(self.alarm_ids)), "of what a call-out speaks it speaks once"

    @property
    def alarm_id(self) -> str:
        """The alarm that it is about in the first place: the link leads there."""
        return self.alarm_ids[0]


Plan = Callable[[Sequence[Change], Mapping[str, str]], Sequence[CallOut]]
"""Who is to be told of some changes. The mapping: per alarm id, the greatest urgency anybody was told of so far
("" where nobody was); a call-out that waits counts, one given up does not. Pure; called inside the transaction that
keeps the changes."""


@dataclass(frozen=True, slots=True)
class AlarmQuery:
    """Which alarms: None or empty is any. Newest raised first; cursor as the last page gave it.

    from_ns, to_ns: from_ns <= raised < to_ns. limit: at most 1000 are given.
    """

    unit: str | None = None
    units: tuple[str, ...] | None = None
    condition: str | None = None
    urgency: str | None = None
    state: str | None = None
    from_ns: int | None = None
    to_ns: int | None = None
    limit: int = 100
    cursor: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmPage:
    """Some alarms and the cursor of the next page, None at the end."""

    alarms: tuple[Alarm, ...]
    next_cursor: str | None


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One line of an alarm's history: what happened, when, who said it, their note.

    what: raised, urgency_changed (note: from and to), returned, superseded (raised anew before it was acknowledged),
    shelf_ended, call_outs_dropped, and of persons: acknowledged, shelved, unshelved, found.
    """

    alarm_id: str
    at_ns: int
    what: str
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class LimitsVersion:
    """One published state of the limits. text: the limits.toml as it was, "" for the defaults alone."""

    version: int
    author: str
    reason: str
    at_ns: int
    text: str
    justified_by: str = ""


class Operations(Protocol):
    """Keeps alarms, answers, call-outs, limits and what was set aside. Calls block; each is one transaction."""

    def record_assessment(self, findings: Sequence[Finding], assessed_until_ns: int, plan: Plan) -> list[Change]:
        """Apply findings to the alarms that stand, put the call-outs of plan into the outbox, keep how far it goes.

        All or nothing. Findings noticed at or before the assessed_until_ns kept earlier are skipped: they were
        applied before a restart. One that raises an alarm whose id is kept already is skipped too, and a call-out
        whose key is in the outbox stays as it is: judging the same history again changes nothing. The plan is asked
        only where something changed; what it raises undoes all.
        """

    def assessed_until_ns(self) -> int | None:
        """How far the last recorded assessment went; None before the first."""

    def record_answer(
        self,
        alarm_id: str,
        answer: Answer,
        *,
        by: str,
        note: str,
        at_ns: int,
        plan: Plan,
        shelve_until_ns: int | None = None,
    ) -> Change:
        """Apply a person's answer. Raises KeyError for an unknown alarm, lifecycle.Refused for what does not fit.

        The change's event: acknowledged where the answer ends the asking (acknowledge, found), raised where the alarm
        asks anew (unshelve), None else.
        """

    def unshelve_due(self, at_ns: int, plan: Plan) -> list[Change]:
        """Take alarms off their shelves where the shelf has ended; each change's event is raised, it asks anew."""

    def standing(self) -> list[Alarm]:
        """Every alarm whose condition is present or that waits for an acknowledgement, newest first."""

    def alarm(self, alarm_id: str) -> Alarm | None:
        """The alarm of an id, None where there is none."""

    def alarms(self, query: AlarmQuery) -> AlarmPage:
        """One page. An alarm raised between two pages moves nothing. Raises ValueError for no page's cursor."""

    def alarm_events(self, alarm_id: str) -> list[AlarmEvent]:
        """The history of an alarm, in the order in which it was written."""

    def call_outs(self, alarm_id: str | None = None, limit: int = 200) -> list[CallOut]:
        """Newest first: all, or those that speak for an alarm, alone or among others."""

    def call_outs_beside(self, call_out: CallOut, limit: int) -> list[CallOut]:
        """What the same recipient hears over the same channel of any of its alarms, newest first; itself among them."""

    def call_outs_due(self, at_ns: int, limit: int) -> list[CallOut]:
        """Those to send now: not_before_ns <= at_ns and outcome waiting or failed; the longest due first.

        Whoever tries again later moves not_before_ns on, with record_try.
        """

    def record_try(self, call_out: CallOut) -> None:
        """Keep the outcome of a try (same key), and not_before_ns. Raises KeyError for an unknown key.

        What was delivered stays so; what was given up meanwhile is not tried again because a try failed.
        """

    def call_outs_dropped(self, alarm_id: str, reason: str, at_ns: int) -> int:
        """An alarm needs its call-outs no more: give up what was not delivered of it; how many were given up.

        One that speaks for other alarms too is given up once none of them needs it. Only those created before at_ns:
        what the very answer at that moment put into the outbox is sent.
        """

    def set_aside(self, items: Sequence[SetAside]) -> None:
        """Keep what could not be read: durable on return, the same item again raises its count and last time.

        Bounded: the oldest make room, and their number stays standing as an item of its own.
        """

    def quarantined(self, *, limit: int, unit: str | None = None, reason: str | None = None) -> list[SetAside]:
        """Newest first."""

    def quarantine_counts(self) -> dict[str, int]:
        """How many items per kind."""

    def take_quarantined(self, unit: str) -> list[SetAside]:
        """Those of kind unknown_unit for a unit, oldest first; they stay until released.

        At most 1000 at once: release them, then ask again until there are none.
        """

    def release_quarantined(self, keys: Sequence[str]) -> int:
        """Remove items that were read after all."""

    def publish_limits(
        self, *, text: str, author: str, reason: str, at_ns: int, justified_by: str = ""
    ) -> LimitsVersion:
        """A new version where the text differs from the newest one, else the newest.

        Where there is none yet, the newest is version 0: no text, the defaults alone.
        """

    def limits_versions(self) -> list[LimitsVersion]:
        """Newest first; empty while nothing but defaults was ever in force."""

    def record_visit(self, site: str, *, at_ns: int, by: str, found: str) -> None:
        """Keep a visit that was made, and what was found."""

    def last_visit_ns(self, site: str) -> int | None:
        """When the newest recorded visit to a site was made; None where none was recorded."""

    def close(self) -> None:
        """Let go of files and connections. Later calls raise StoreUnavailable."""
