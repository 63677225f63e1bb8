"""The inbox: messages between the network, which is not kept waiting, and the worker, which makes them durable.

In: messages of the network thread, stamped here with their moment of arrival. Out: runs of them in the order of
arrival; and the received floor, before which nothing is under way any more. Nobody else stamps, and stamping, queueing
and the floor share one lock, so that the floor is true at every moment. May import: monitor.acquisition.decoder,
monitor.times. Touches nothing but its own memory, and asks the clock it was given.
"""

from collections import deque
from collections.abc import Callable
from threading import Condition
from typing import NamedTuple

from monitor.acquisition.decoder import Message
from monitor.times import Clock

# A broker that keeps Receive Maximum never comes near these; QoS 0 has no such brake, and some brokers ignore it.
QOS0_PENDING_MAX = 20_000  # messages: ten full batches; beyond it the oldest go, counted
QOS1_PENDING_MAX = 70_000  # messages: more than the greatest Receive Maximum; beyond it nothing more is read
PENDING_BYTES_MAX = 256 * 1024 * 1024  # of payloads, both kinds together; twice 500 messages of the greatest size
GATHER_S = 0.05  # how long a first message waits for company: one commit for many; far below any reading's rhythm


class Pending(NamedTuple):
    """A message under way. acknowledge: tells the broker; None for QoS 0, which asks for nothing."""

    message: Message
    acknowledge: Callable[[], None] | None


class Inbox:
    """See the head of the module."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._changed = Condition()
        self._qos0: deque[Pending] = deque()
        self._qos1: deque[Pending] = deque()
        self._under_way: list[Pending] = []
        self._bytes = 0
        self._least_next_ns = 0  # no later message is stamped below it, and no floor was ever above it
        self._awaited = 1
        self._closed = False
        self.received = 0
        self.qos0_dropped = 0

    def put(
        self,
        *,
        topic: str,
        payload: bytes,
        content_type: str,
        is_retained: bool,
        acknowledge: Callable[[], None] | None,
    ) -> None:
        """Stamp and queue a message.

        Where a message that must not be lost finds no room, this waits for some: the network thread then reads no
        further, and the broker has to hold the rest. After closing it takes nothing; what it is given comes again.
        """
        with self._changed:
            if acknowledge is None:
                self._drop_oldest_qos0(len(payload))
            elif not self._has_room(len(payload)):
                self._changed.wait_for(lambda: self._closed or self._has_room(len(payload)))
            if self._closed:
                return
            self.received += 1
            self._bytes += len(payload)
            # One later than the last at least: two messages are never stamped alike, so an arrival names its message.
            stamp_ns = max(self._clock(), self._least_next_ns)
            self._least_next_ns = stamp_ns + 1
            message = Message(topic, payload, content_type, is_retained, stamp_ns)
            queue = self._qos0 if acknowledge is None else self._qos1
            queue.append(Pending(message, acknowledge))
            if len(self._qos0) + len(self._qos1) == self._awaited:
                self._changed.notify_all()

    def take(self, *, most: int, enough: int) -> list[Pending]:
        """The oldest messages, as soon as there are enough or the first has waited; none once closed.

        They stay under way until `done`.
        """
        with self._changed:
            assert not self._under_way, "one run at a time, or the floor is wrong"
            self._wait_for(1, None)
            self._wait_for(enough, GATHER_S)
            if self._closed:
                return []
            while len(self._under_way) < most and (self._qos0 or self._qos1):
                self._under_way.append(self._oldest_queue().popleft())
            return self._under_way

    def done(self) -> None:
        """The run under way is durable and handed on."""
        with self._changed:
            self._bytes -= sum(len(pending.message.payload) for pending in self._under_way)
            self._under_way = []
            self._changed.notify_all()

    def close(self) -> None:
        """Wake whoever takes; nothing is given out any more. What is queued was not acknowledged and comes again."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def pending(self) -> int:
        """Messages queued or under way."""
        with self._changed:
            return len(self._qos0) + len(self._qos1) + len(self._under_way)

    def floor_ns(self) -> int:
        """Everything received strictly before it is durable and handed on, and nothing will be stamped before it.

        The stamp of the oldest message under way, or the present where there is none. It never goes back.
        """
        with self._changed:
            if self._under_way:
                return self._under_way[0].message.received_ns
            if self._qos0 or self._qos1:
                return self._oldest_queue()[0].message.received_ns
            self._least_next_ns = max(self._clock(), self._least_next_ns)
            return self._least_next_ns

    def _wait_for(self, count: int, timeout_s: float | None) -> None:
        """Sleep until so many are queued. Only the one that makes up the number wakes the worker, or each would."""
        self._awaited = count
        self._changed.wait_for(lambda: self._closed or len(self._qos0) + len(self._qos1) >= count, timeout_s)

    def _oldest_queue(self) -> deque[Pending]:
        if not self._qos0 or not self._qos1:
            return self._qos0 or self._qos1
        is_first = self._qos0[0].message.received_ns < self._qos1[0].message.received_ns
        return self._qos0 if is_first else self._qos1

    def _has_room(self, more_bytes: int) -> bool:
        if not self._qos1 and not self._under_way:
            return True
        return len(self._qos1) < QOS1_PENDING_MAX and self._bytes + more_bytes <= PENDING_BYTES_MAX

    def _drop_oldest_qos0(self, more_bytes: int) -> None:
        while self._qos0 and (len(self._qos0) >= QOS0_PENDING_MAX or self._bytes + more_bytes > PENDING_BYTES_MAX):
            self._bytes -= len(self._qos0.popleft().message.payload)
            self.qos0_dropped += 1
