"""The collector: what the broker delivers becomes durable, then is acknowledged, then is handed on.

In: MQTT messages; the decoder, the clock and the store's calls, handed in. Out: batches of fresh readings in the order
of arrival, each already durable; the received floor as the assessment's watermark; a status for the page. May import:
paho (through monitor.acquisition.connection), the other rooms of monitor.acquisition, monitor.batch, settings, times.
Touches the network; two threads, one for the network, one that decodes, stores, acknowledges and hands on.

Kill the process anywhere: what was not acknowledged comes again, what was acknowledged is in the store.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Event, Lock, Thread
from typing import Protocol, TypeVar

import numpy as np

from monitor.acquisition.connection import Connection
from monitor.acquisition.decoder import PAYLOAD_KEPT_WITH_RECORD_MAX, Decoder, Message
from monitor.acquisition.faults import Fault, FaultsTold
from monitor.acquisition.inbox import Inbox, Pending
from monitor.acquisition.quarantine import Reason, SetAside
from monitor.acquisition.traffic import Came
from monitor.batch import Batch, Bool
from monitor.settings import Settings
from monitor.times import Clock, to_rfc3339

log = logging.getLogger(__name__)

STORE_RETRY_LEAST_S = 0.25  # a lock is gone by then
STORE_RETRY_GREATEST_S = 15.0  # a full disk or a server away: no use asking more often
WORKER_STOP_S = 30.0  # a stop waits so long for the batch under way

T = TypeVar("T")


class Kept(Protocol):
    """What the store's append tells: which rows were not there before, and which contradict one that was."""

    @property
    def fresh(self) -> Bool: ...

    @property
    def conflict(self) -> Bool: ...


@dataclass(frozen=True, slots=True)
class CollectorStatus:
    """How the collector does. Counts are since the start.

    since_ns: when is_connected last changed. store_waiting_since_ns: the store takes nothing since then; None: it does.
    last_error: one sentence, "" while there was none; it stays after the error is over.
    """

    is_connected: bool
    since_ns: int
    messages_received: int
    readings_stored: int
    set_aside: int
    qos0_dropped: int
    pending: int
    store_waiting_since_ns: int | None
    last_error: str


class Stopping(Exception):
    """The collector was told to stop while the store took nothing; what is under way stays unacknowledged."""


class Collector:
    """See the head of the module."""

    def __init__(
        self,
        *,
        settings: Settings,
        decoder: Decoder,
        clock: Clock,
        append: Callable[[Batch], Kept],
        set_aside: Callable[[Sequence[SetAside]], None],
        committed: Callable[[Batch], None],
        connected: Callable[[int], None] = lambda at_ns: None,
        disconnected: Callable[[int], None] = lambda at_ns: None,
    ) -> None:
        """Prepare; `start` listens.

        Args:
            append, set_aside: durable on return. What they raise means 'not now': they are called again with the same,
                until they return or the collector is stopped.
            committed: takes each durable batch: the rows that were not in the store before, on the worker thread.
            connected, disconnected: told the moment, on the network thread; only of changes.
        Raises:
            ValueError: a certificate that cannot be used.
        """
        broker = settings.broker
        self._decoder = decoder
        self._clock = clock
        self._append = append
        self._set_aside = set_aside
        self._committed = committed
        self._connected = connected
        self._disconnected = disconnected
        self._payload_bytes_max = broker.payload_bytes_max
        self._batch_messages = broker.batch_messages
        # Half of what the broker gives at once: while one half is stored, the other is on its way.
        self._enough = max(1, min(broker.batch_messages, broker.receive_maximum // 2))
        self._shared_group = broker.shared_group
        self._inbox = Inbox(clock)
        self._connection = Connection(
            broker,
            filters=self._filters,
            deliver=self._deliver,
            up=self._on_up,
            down=self._on_down,
        )
        self._worker = Thread(target=self._work, name="collector", daemon=True)
        self._stopping = Event()
        self._state = Lock()  # guards what follows
        self._is_connected = False
        self._since_ns = clock()
        self._readings_stored = 0
        self._items_set_aside = 0
        self._store_waiting_since_ns: int | None = None
        self._last_error = ""

    def start(self) -> None:
        """Begin to listen. A broker that is away is no error: it is tried again and again."""
        self._worker.start()
        self._connection.start()

    def stop(self) -> None:
        """Finish the batch under way, acknowledge it, disconnect. What is queued comes again after the next start."""
        self._stopping.set()
        self._inbox.close()
        if self._worker.is_alive():
            self._worker.join(WORKER_STOP_S)
        self._connection.stop()

    def use(self, decoder: Decoder) -> None:
        """Decode by a changed fleet from the next batch on; changed mappings are subscribed at the next connect."""
        self._decoder = decoder

    def received_floor_ns(self) -> int:
        """Everything received strictly before it is durable and handed on. It never goes back. See Inbox.floor_ns."""
        return self._inbox.floor_ns()

    def status(self) -> CollectorStatus:
        """How it does, just now."""
        with self._state:
            return CollectorStatus(
                self._is_connected,
                self._since_ns,
                self._inbox.received,
                self._readings_stored,
                self._items_set_aside,
                self._inbox.qos0_dropped,
                self._inbox.pending,
                self._store_waiting_since_ns,
                self._last_error,
            )

    # --- on the network thread ---

    def _filters(self) -> Sequence[str]:
        readings = self._decoder.subscriptions
        if self._shared_group is not None:
            # Not the link states: the broker sends none of the retained ones to a shared subscription.
            readings = tuple(f"$share/{self._shared_group}/{name}" for name in readings)
        return (*readings, self._decoder.link_subscription)

    def _deliver(self, came: Came, acknowledge: Callable[[], None]) -> None:
        self._inbox.put(
            topic=came.topic,
            payload=came.payload[: self._payload_bytes_max + 1],  # the one byte more tells the decoder
            content_type=came.content_type,
            is_retained=came.is_retained,
            acknowledge=acknowledge if came.qos else None,
        )

    def _on_up(self, session_was_known: bool) -> None:
        at_ns = self._clock()
        if not session_was_known:
            log.info("The broker knew no session of ours: what was published before now was not kept for us")
        with self._state:
            self._is_connected, self._since_ns = True, at_ns
        _call(self._connected, at_ns)

    def _on_down(self, sentence: str) -> None:
        at_ns = self._clock()
        with self._state:
            was_connected = self._is_connected
            if not self._stopping.is_set():
                self._last_error = sentence
            if was_connected:
                self._is_connected, self._since_ns = False, at_ns
        if was_connected:
            _call(self._disconnected, at_ns)

    # --- on the worker thread ---

    def _work(self) -> None:
        while True:
            pending = self._inbox.take(most=self._batch_messages, enough=self._enough)
            if not pending or not self._is_processed(pending):
                return
            self._inbox.done()

    def _is_processed(self, pending: Sequence[Pending]) -> bool:
        """Process until it succeeds; False when told to stop before that."""
        while True:
            try:
                self._process(pending)
            except Stopping:
                return False
            except Exception as error:  # a mistake of ours; to end here would be to go deaf without a word
                log.exception("A batch could not be processed, trying again")
                with self._state:
                    self._last_error = f"A batch could not be processed ({error}). Please report it."
                if self._stopping.wait(STORE_RETRY_GREATEST_S):
                    return False
            else:
                return True

    def _process(self, pending: Sequence[Pending]) -> None:
        messages = [one.message for one in pending]
        decoded = self._decoder.decode(messages)
        rows, conflict = self._store(decoded.batch)
        items = (*decoded.set_aside, *conflicts_set_aside(decoded.batch, conflict, messages))
        if items:
            self._until_kept(lambda: self._set_aside(items))
        for one in pending:  # in the order of arrival, MQTT 5.0 section 4.6
            if one.acknowledge is not None:
                _call(one.acknowledge)
        with self._state:
            self._readings_stored += len(rows)
            self._items_set_aside += len(items)
        if len(rows):
            _call(self._committed, rows)

    def _store(self, batch: Batch) -> tuple[Batch, Bool]:
        """Keep a batch; the rows to hand on, and which rows contradict what was kept before."""
        if not len(batch):
            return batch, np.zeros(0, np.bool_)
        kept, tries = self._until_kept(lambda: self._append(batch))
        # A try that failed may have been kept after all, and the next then finds nothing fresh: all is handed on then,
        # since a reading handed on twice changes nothing and one never handed on is lost to the assessment.
        fresh = kept.fresh if tries == 1 else ~kept.conflict
        return (batch if fresh.all() else batch.where(fresh)), kept.conflict

    def _until_kept(self, keep: Callable[[], T]) -> tuple[T, int]:
        """What keep gives, as soon as it gives anything, and how many tries that took."""
        wait_s = STORE_RETRY_LEAST_S
        tries = 0
        while True:
            tries += 1
            try:
                given = keep()
            except Exception as error:  # acquisition is handed its store, and cannot know what that raises
                log.warning("The store takes nothing, trying again: %s", error)
                with self._state:
                    self._last_error = f"The store takes nothing: {error}"
                    self._store_waiting_since_ns = self._store_waiting_since_ns or self._clock()
            else:
                if tries > 1:
                    with self._state:
                        self._store_waiting_since_ns = None
                return given, tries
            if self._stopping.wait(wait_s):
                raise Stopping
            wait_s = min(wait_s * 2, STORE_RETRY_GREATEST_S)


def conflicts_set_aside(batch: Batch, conflict: Bool, messages: Sequence[Message]) -> list[SetAside]:
    """Items for the rows whose unit, signal and time were there with another value; the first received stays."""
    if not conflict.any():
        return []
    by_arrival = {message.received_ns: message for message in messages}
    told: dict[int, FaultsTold] = {}
    units: dict[int, str] = {}
    for row in np.flatnonzero(conflict):
        received_ns = int(batch.received_ns[row])
        unit, signal = batch.units[batch.unit[row]], batch.signals[batch.signal[row]]
        text = (
            f"{signal} of {unit} at {to_rfc3339(int(batch.time_ns[row]))} is kept with another value; "
            f"{batch.value[row]:g} came later. Two readings of one signal need two times: send finer ones."
        )
        told.setdefault(received_ns, FaultsTold()).add(
            Fault(f"{signal} at {batch.time_ns[row]}", Reason.CONFLICT, text)
        )
        units[received_ns] = unit
    return [
        SetAside(
            received_ns,
            by_arrival[received_ns].topic,
            fault.place,
            fault.reason,
            fault.text,
            by_arrival[received_ns].payload[:PAYLOAD_KEPT_WITH_RECORD_MAX],
            by_arrival[received_ns].content_type,
            units[received_ns],
        )
        for received_ns, faults in told.items()
        for fault in faults.faults()
    ]


def _call(what: Callable[..., None], *arguments: object) -> None:
    """Call somebody else's code from a loop that must live."""
    try:
        what(*arguments)
    except Exception:
        log.exception("A callback of the collector failed")
