"""Sends what stands in the outbox: at least once, in order, until it is delivered or given up.

In: call-outs that are due. Out: tries, written back. A call-out is written down before it is sent and its end after:
killed in between, it is sent again with the same key. One slow receiver holds up nobody else: each has few of its own
sends under way, and what does not fit stays in the store, not in a queue here.
May import: monitor.callouts.channels, monitor.callouts.lanes, monitor.settings, monitor.stores.protocols,
monitor.times; threading. Touches the outbox it is given and, through the channels, the world.
"""

import threading
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from time import monotonic
from typing import Protocol

from monitor.callouts.channels import Channel, Ending, Tried
from monitor.callouts.lanes import (
    GIVEN_UP,
    NO_CHANNEL,
    PAUSE_NS_MIN,
    Schedule,
    Verdict,
    after_try,
    decide,
    dropped,
    put_off,
)
from monitor.settings import CallOuts
from monitor.stores.protocols import CallOut, StoreUnavailable
from monitor.times import Clock

POLL_S = 1.0  # how late a retry may be; what is new is sent at once, by notify()
DUE_MAX = 1_000  # read at once, some 6 MB: so many may wait for one hanging receiver before others wait behind them
BESIDE_MAX = 1_000  # call-outs of the same alarms to the same receiver that are looked at: events times units
CHANNEL_SENDS_MAX = 16  # under way at once on one channel: so many threads, connections and sockets at most
RECEIVER_SENDS_MAX = 2  # of them to one receiver: seven may hang and the channel still moves
STOP_S_MAX = 30.0  # a stop waits no longer for what is under way; what is cut off is sent again after the next start


class Outbox(Protocol):
    """What of the operations store is needed here; see monitor.stores.protocols.Operations."""

    def call_outs_due(self, at_ns: int, limit: int) -> list[CallOut]: ...

    def call_outs_beside(self, call_out: CallOut, limit: int) -> list[CallOut]: ...

    def record_try(self, call_out: CallOut) -> None: ...


@dataclass(frozen=True, slots=True)
class OutboxStatus:
    """How the outbox stands, for the page of the program itself and for metrics.

    ends: (channel, outcome, how many) since the start, in order. due: seen at the last look, of at most due_max.
    unrecorded: sends whose end the store could not take yet. last_error: why not, or what else went wrong here.
    """

    running: bool
    store_available: bool
    due: int
    due_max: int
    under_way: int
    under_way_max: int
    unrecorded: int
    ends: tuple[tuple[str, str, int], ...]
    last_look_ns: int | None
    last_error: str


class OutboxWorker:
    """Takes due call-outs, sends each in a thread of its own, writes down how it ended."""

    def __init__(
        self,
        operations: Outbox,
        channels: Mapping[str, Channel],
        clock: Clock,
        settings: CallOuts,
        on_recorded: Callable[[CallOut], None] | None = None,
    ) -> None:
        """
        Args:
            channels: by the name that stands in CallOut.channel.
            on_recorded: told of each call-out after its try was written down, from any thread; for live pages.
        """
        self._operations = operations
        self._channels = dict(channels)
        self._clock = clock
        self._schedule = Schedule.of(settings)
        self._on_recorded = on_recorded
        self._lock = threading.Lock()  # guards all that follows
        self._under_way: dict[str, CallOut] = {}  # by key; also what was sent and could not be written down yet
        self._unrecorded: dict[str, CallOut] = {}  # by key; a part of those, so bounded as they are
        self._sends: set[threading.Thread] = set()
        self._ends: Counter[tuple[str, str]] = Counter()
        self._due = 0
        self._store_available = True
        self._last_look_ns: int | None = None
        self._last_error = ""
        self._looking = threading.Lock()  # one look at a time, whoever asks for it
        self._recording = threading.Lock()  # one writer of ends at a time
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Look by itself from now on."""
        assert self._thread is None, "started once"
        self._thread = threading.Thread(target=self._run, name="outbox", daemon=True)
        self._thread.start()

    def notify(self) -> None:
        """Something new stands in the outbox: look now. From any thread, cheap, never waits."""
        self._wake.set()

    def stop(self) -> None:
        """End cleanly: nothing new is begun, what is under way may end, for at most STOP_S_MAX."""
        self._stopping.set()
        self._wake.set()
        until_s = monotonic() + STOP_S_MAX
        if self._thread is not None:
            self._thread.join(STOP_S_MAX)
        self._join(until_s)
        self._record_unrecorded()

    def status(self) -> OutboxStatus:
        """How it stands."""
        with self._lock:
            return OutboxStatus(
                running=self._thread is not None and self._thread.is_alive() and not self._stopping.is_set(),
                store_available=self._store_available,
                due=self._due,
                due_max=DUE_MAX,
                under_way=len(self._under_way),
                under_way_max=CHANNEL_SENDS_MAX * len(self._channels),
                unrecorded=len(self._unrecorded),
                ends=tuple((*names, count) for names, count in sorted(self._ends.items())),
                last_look_ns=self._last_look_ns,
                last_error=self._last_error,
            )

    def work_once(self, now_ns: int) -> int:
        """Deal with all that is due at a moment and wait until it is written down; how many sends were tried.

        What live running does in the thread, for tests and for one-off commands.
        """
        tried = 0
        for _ in range(DUE_MAX):  # each look begins at least one send or is the last
            begun = self._look(now_ns)
            tried += begun
            self._join(None)
            if begun == 0:
                break
        return tried

    def _run(self) -> None:
        """The thread: look, then sleep until something is new, something ended, or a retry may be due."""
        while not self._stopping.is_set():
            self._wake.clear()  # before the look: what comes during it wakes again
            try:
                self._look(self._clock())
            except Exception as reason:  # the edge of the loop that must live; it shows in status()
                self._went_wrong(f"looking into the outbox failed: {reason!r}")
            self._wake.wait(POLL_S)

    def _look(self, now_ns: int) -> int:
        """Begin what is due and has room; how many sends were begun."""
        with self._looking:
            self._record_unrecorded()
            try:
                due = self._operations.call_outs_due(now_ns, DUE_MAX)
                with self._lock:
                    self._due, self._last_look_ns, self._store_available = len(due), now_ns, True
                begun = 0
                for call_out in due:
                    if self._stopping.is_set():
                        break
                    begun += self._deal_with(call_out, now_ns)
                return begun
            except StoreUnavailable as reason:
                self._store_failed(reason)
                return 0

    def _deal_with(self, call_out: CallOut, now_ns: int) -> bool:
        """Send, put off or drop one call-out that is due, or leave it for later; whether a send was begun."""
        if call_out.channel not in self._channels:
            self._drop(call_out, NO_CHANNEL)
            return False
        if not self._has_room(call_out):
            return False
        beside = self._operations.call_outs_beside(call_out, BESIDE_MAX)
        stored = next((other for other in beside if other.key == call_out.key), None)
        if stored is not None and stored != call_out:
            return False  # its try ended between the two readings: the next look sees it as it is
        decision = decide(call_out, beside)
        if decision.verdict is Verdict.DROP:
            self._drop(call_out, decision.reason)
            return False
        if decision.verdict is Verdict.WAIT:
            assert decision.until_ns is not None, "who waits knows until when"
            self._record(put_off(call_out, max(decision.until_ns, now_ns + PAUSE_NS_MIN)))
            return False
        send = threading.Thread(
            target=self._send, args=(call_out, now_ns), name=f"call-out {call_out.channel}", daemon=True
        )
        with self._lock:
            self._under_way[call_out.key] = call_out
            self._sends.add(send)
        send.start()
        return True

    def _drop(self, call_out: CallOut, reason: str) -> None:
        """Give up a call-out without a try."""
        self._record(dropped(call_out, reason))
        with self._lock:
            self._ends[call_out.channel, GIVEN_UP] += 1

    def _has_room(self, call_out: CallOut) -> bool:
        """Whether it may begin now: nothing of its lanes under way, and receiver and channel have room."""
        with self._lock:
            channel = [other for other in self._under_way.values() if other.channel == call_out.channel]
        receiver = [other for other in channel if other.recipient == call_out.recipient]
        return (
            len(channel) < CHANNEL_SENDS_MAX
            and len(receiver) < RECEIVER_SENDS_MAX
            and not any(set(other.alarm_ids) & set(call_out.alarm_ids) for other in receiver)
        )

    def _send(self, call_out: CallOut, now_ns: int) -> None:
        """One try, in a thread of its own, and its end written down."""
        try:
            try:
                tried = self._channels[call_out.channel].send(call_out, now_ns)
            except Exception as reason:  # a channel's own mistake must not lose the call-out: it is tried again
                tried = Tried(Ending.LATER, f"the channel failed: {reason!r}"[:300])
            ended_ns = max(now_ns, self._clock())
            ended = after_try(call_out, tried, ended_ns, self._schedule)
            with self._lock:
                self._unrecorded[call_out.key] = ended
                self._ends[call_out.channel, ended.outcome] += 1
            self._record_unrecorded()
        except Exception as reason:  # the edge of the thread: the end stays unrecorded, the next look tries again
            self._went_wrong(f"writing down a try failed: {reason!r}")
        finally:
            with self._lock:
                self._sends.discard(threading.current_thread())
            self._wake.set()  # there is room again, and what waited for its lanes may go

    def _record_unrecorded(self) -> None:
        """Write down the ends of sends; what the store does not take now stays for the next look."""
        with self._recording:  # two writing one end could put an old one over a newer
            with self._lock:
                ended = list(self._unrecorded.values())
            for call_out in ended:
                try:
                    self._record(call_out)
                except StoreUnavailable as reason:
                    self._store_failed(reason)
                    return
                with self._lock:
                    del self._unrecorded[call_out.key]
                    del self._under_way[call_out.key]

    def _record(self, call_out: CallOut) -> None:
        """Write down what became of a call-out, and say so to who wants to know."""
        self._operations.record_try(call_out)
        if self._on_recorded is not None:
            try:
                self._on_recorded(call_out)
            except Exception as reason:  # a page that cannot be told must not make us send twice
                self._went_wrong(f"telling the pages failed: {reason!r}")

    def _store_failed(self, reason: StoreUnavailable) -> None:
        with self._lock:
            self._store_available, self._last_error = False, str(reason)

    def _went_wrong(self, what: str) -> None:
        with self._lock:
            self._last_error = what

    def _join(self, until_s: float | None) -> None:
        """Wait for the sends under way; None: as long as their channels' time-outs let them."""
        with self._lock:
            sends = list(self._sends)
        for send in sends:
            send.join(None if until_s is None else max(until_s - monotonic(), 0.0))
