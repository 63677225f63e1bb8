"""Live events: from worker threads to every client that listens, bounded for each.

In: what changed (alarm, call-out, unit) and readings, from any thread. Out: batches of events for one client at a
time, as an async iterator. May import: monitor.alarms.lifecycle, monitor.batch, monitor.stores.protocols,
monitor.times. Touches nothing but its own queues; how old a batch is, the caller's event loop says.

A client that does not keep up is not allowed to slow the others or to fill the memory: its queue is dropped, it gets
one `lagging` notice and its stream ends. It connects anew and reads the state again, so nothing is lost but the steps
in between.
"""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from secrets import token_hex
from threading import Lock

import orjson

from monitor.alarms.lifecycle import Alarm
from monitor.batch import Batch
from monitor.stores.protocols import CallOut
from monitor.times import to_rfc3339

KINDS = ("reading", "alarm", "call-out", "unit")
CLIENTS_MAX = 200  # open streams; each holds a socket and at most the two bounds below
EVENTS_MAX = 256  # waiting for one client: a fleet-wide storm of changes, some 100 kB
READINGS_MAX = 20_000  # newest values waiting for one client: (unit, signal) pairs of some 2 000 units
KEPT_MAX = 512  # changes kept for clients that come back with Last-Event-ID
READINGS_EVERY_S = 1.0  # a person sees no more, and a crank reports several times a second


class TooManyClients(Exception):
    """No further stream is opened; the text says what to do."""


@dataclass(frozen=True, slots=True)
class LiveEvent:
    """One event as it goes over the wire. id: "" for readings, which are not kept; data: JSON."""

    id: str
    kind: str
    data: str


@dataclass(frozen=True, slots=True)
class LiveStatistics:
    """How full it is: clients now, events published, clients dropped as too slow, longest queue now."""

    clients: int
    published: int
    dropped: int
    longest_queue: int


LAGGING = '{"detail":"Changes were missed. Read the state again; the stream is opened anew."}'


class Subscription:
    """One client's queue. offer and offer_readings from any thread, take and the iterator on the client's loop."""

    def __init__(
        self, loop: asyncio.AbstractEventLoop, units: frozenset[str] | None, newest_id: Callable[[], str]
    ) -> None:
        self._loop = loop
        self._newest_id = newest_id
        self._units = units
        self._lock = Lock()
        self._events: deque[LiveEvent] = deque()
        self._readings: dict[tuple[str, str], dict[str, object]] = {}
        self._wake = asyncio.Event()
        self._readings_sent_s = float("-inf")
        self.lagging = False
        self.ended = False

    def __len__(self) -> int:
        return len(self._events)

    def wants(self, unit: str) -> bool:
        """Whether this client asked for that unit; "" is everybody's."""
        return self._units is None or not unit or unit in self._units

    def offer(self, event: LiveEvent) -> None:
        """Queue one event; a full queue makes the client lagging."""
        with self._lock:
            if self.lagging:
                return
            self._events.append(event)
            if len(self._events) > EVENTS_MAX:
                self._give_up()
        self._call()

    def offer_readings(self, newest: Mapping[tuple[str, str], dict[str, object]]) -> None:
        """Queue newest values; a later one replaces the one that waits."""
        with self._lock:
            if self.lagging:
                return
            for key, reading in newest.items():
                if self.wants(key[0]):
                    self._readings[key] = reading
            if len(self._readings) > READINGS_MAX:
                self._give_up()
        self._call()

    def end(self) -> None:
        """Let the stream end after what waits: the program stops."""
        self.ended = True
        self._call()

    def _give_up(self) -> None:
        self.lagging = True
        self._events.clear()
        self._readings.clear()

    def _call(self) -> None:
        try:
            self._loop.call_soon_threadsafe(self._wake.set)
        except RuntimeError:  # the loop has closed: the client is gone and its subscription soon after
            self.lagging = True

    def take(self, at_s: float) -> tuple[list[LiveEvent], float | None]:
        """What to send at a moment of the loop's clock, and after how many seconds readings that wait are due.

        Changes go at once, readings together and at most every READINGS_EVERY_S. None: nothing waits.
        """
        with self._lock:
            if self.lagging:  # with the newest id, or the client would come back with the one that is too old
                return [LiveEvent(self._newest_id(), "lagging", LAGGING)], None
            events = list(self._events)
            self._events.clear()
            wait_s = self._readings_sent_s + READINGS_EVERY_S - at_s
            if self._readings and wait_s <= 0:
                body = orjson.dumps({"readings": list(self._readings.values())}).decode()
                self._readings.clear()
                self._readings_sent_s = at_s
                events.append(LiveEvent("", "reading", body))
            return events, wait_s if self._readings else None

    async def events(self) -> AsyncIterator[LiveEvent]:
        """Events as they come; ends after a `lagging` notice."""
        while True:
            self._wake.clear()
            some, wait_s = self.take(self._loop.time())
            for event in some:
                yield event
                if event.kind == "lagging":
                    return
            if self.ended:
                return
            if some:
                continue
            try:
                await asyncio.wait_for(self._wake.wait(), wait_s)
            except TimeoutError:
                continue


class LiveEvents:
    """The bus. One per program; publish from any thread, subscribe on the event loop."""

    def __init__(self, *, clients_max: int = CLIENTS_MAX) -> None:
        self._lock = Lock()
        self._subscriptions: set[Subscription] = set()
        self._clients_max = clients_max
        self._run = token_hex(4)  # ids of another run name other events
        self._count = 0
        self._dropped = 0
        self._kept: deque[tuple[int, str, LiveEvent]] = deque(maxlen=KEPT_MAX)

    def publish(self, kind: str, data: Mapping[str, object]) -> None:
        """Tell every client of one change.

        Args:
            kind: one of KINDS. data: goes out as JSON; its "unit" decides who wants it.
        """
        assert kind in KINDS, "the contract names the kinds of events"
        unit = str(data.get("unit", ""))
        with self._lock:
            self._count += 1
            event = LiveEvent(f"{self._run}-{self._count}", kind, orjson.dumps(data).decode())
            self._kept.append((self._count, unit, event))
            listeners = list(self._subscriptions)
            for subscription in listeners:  # inside the lock: every client sees the same order
                if subscription.wants(unit):
                    subscription.offer(event)

    def publish_alarm(self, alarm: Alarm) -> None:
        """An alarm is as given now."""
        self.publish(
            "alarm",
            {
                "id": alarm.id,
                "unit": alarm.unit,
                "condition": alarm.condition,
                "urgency": alarm.urgency.value,
                "state": alarm.state.value,
                "raised_at": to_rfc3339(alarm.raised_at_ns),
                "cleared_at": None if alarm.cleared_at_ns is None else to_rfc3339(alarm.cleared_at_ns),
            },
        )

    def publish_call_out(self, call_out: CallOut, unit: str = "") -> None:
        """A push was made or tried. Neither its text nor its recipient is told: both may name people.

        Args:
            unit: whose clients are told; "", as for one that speaks for several alarms: everybody's.
        """
        self.publish(
            "call-out",
            {
                "alarm": call_out.alarm_id,
                "unit": unit,
                "event": call_out.event,
                "channel": call_out.channel,
                "outcome": call_out.outcome,
                "tries": call_out.tries,
            },
        )

    def publish_unit(self, unit: str) -> None:
        """What is known of a unit beside its alarms has changed: silence, learned normals, runs, a visit."""
        self.publish("unit", {"unit": unit})

    def publish_batch(self, batch: Batch) -> None:
        """Readings that were kept: the newest of every unit and signal goes to the clients."""
        with self._lock:
            listeners = list(self._subscriptions)
        if not listeners or not len(batch):
            return
        newest: dict[tuple[int, int], int] = {}
        times, units, signals = batch.time_ns.tolist(), batch.unit.tolist(), batch.signal.tolist()
        for row, key in enumerate(zip(units, signals, strict=True)):
            there = newest.get(key)
            if there is None or times[row] >= times[there]:
                newest[key] = row
        readings: dict[tuple[str, str], dict[str, object]] = {}
        for (unit_at, signal_at), row in newest.items():
            unit, signal = batch.units[unit_at], batch.signals[signal_at]
            readings[unit, signal] = {
                "unit": unit,
                "signal": signal,
                "time": to_rfc3339(times[row]),
                "value": float(batch.value[row]),
            }
        for subscription in listeners:
            subscription.offer_readings(readings)

    def subscribe(self, *, units: frozenset[str] | None = None, last_event_id: str = "") -> Subscription:
        """A client's queue, on the running loop; give it back with unsubscribe.

        Args:
            units: only these; None: all. last_event_id: what came after it follows at once, where it is still kept;
                where it is not, the client is told that it is lagging.
        Raises:
            TooManyClients: clients_max streams are open.
        """
        subscription = Subscription(asyncio.get_running_loop(), units, self.newest_id)
        with self._lock:
            if len(self._subscriptions) >= self._clients_max:
                raise TooManyClients(f"{self._clients_max} live streams are open already. Close some pages.")
            if last_event_id:
                self._catch_up(subscription, last_event_id)
            self._subscriptions.add(subscription)
        return subscription

    def _catch_up(self, subscription: Subscription, last_event_id: str) -> None:
        run, _, digits = last_event_id.partition("-")
        seen = int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 19 else -1
        first_kept = self._kept[0][0] if self._kept else self._count + 1
        if run != self._run or not first_kept - 1 <= seen <= self._count:
            subscription.lagging = True
            return
        for count, unit, event in self._kept:
            if count > seen and subscription.wants(unit):
                subscription.offer(event)

    def unsubscribe(self, subscription: Subscription) -> None:
        """The client is gone."""
        with self._lock:
            self._subscriptions.discard(subscription)
            self._dropped += subscription.lagging

    def newest_id(self) -> str:
        """The id of the newest change. A page that is read after it was taken, and connects with it, misses none."""
        return f"{self._run}-{self._count}"

    def close(self) -> None:
        """End all streams, so that a server that waits for its connections can stop at once."""
        with self._lock:
            for subscription in self._subscriptions:
                subscription.end()

    def statistics(self) -> LiveStatistics:
        """How full it is now."""
        with self._lock:
            longest = max((len(subscription) for subscription in self._subscriptions), default=0)
            return LiveStatistics(len(self._subscriptions), self._count, self._dropped, longest)
