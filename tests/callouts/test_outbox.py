"""The outbox worker on a real store: at least once, in order, bounded, and nobody held up by a slow receiver.

Event time: the worker's step is told the moment. Threads and the machine's clock come in only at the end.
"""

import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Answer, Kind, Urgency
from monitor.callouts.channels import Ending, Tried
from monitor.callouts.lanes import NO_CHANNEL, NOBODY_TOLD, OVERTAKEN
from monitor.callouts.outbox import CHANNEL_SENDS_MAX, RECEIVER_SENDS_MAX, OutboxWorker
from monitor.callouts.plan import planner
from monitor.callouts.webhook import Webhooks
from monitor.settings import CallOuts, Webhook
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import StoreUnavailable

SECOND = 1_000_000_000
SHORT = CallOuts(retry_first=10, retry_greatest=40, give_up_after=60)  # tries at 0, 10, 30, 70 s


class Scripted:
    """A channel of a test's own: ends each try as the script says, delivers once it is at its end."""

    def __init__(self, *endings):
        self.endings = list(endings)
        self.sent = []
        self.lock = threading.Lock()

    def send(self, call_out, at_ns):
        with self.lock:
            self.sent.append((call_out.key, at_ns))
            ending = self.endings.pop(0) if self.endings else Ending.DELIVERED
        if isinstance(ending, Exception):
            raise ending
        return Tried(ending, "" if ending is Ending.DELIVERED else "down")

    @property
    def keys(self):
        return [key for key, _ in self.sent]


@pytest.fixture
def operations(tmp_path):
    store = SqlOperations(tmp_path / "operations.sqlite")
    yield store
    store.close()


@pytest.fixture
def put(build, operations):
    """Puts call-outs into the outbox, each time a little later, as live running does."""
    moment = [build.T0]

    def add(*call_outs):
        moment[0] += SECOND
        build.put(operations, *call_outs, at_ns=moment[0])

    return add


def worker(operations, build, *, settings=SHORT, clock=None, on_recorded=None, **channels):
    return OutboxWorker(operations, channels, clock or (lambda: build.T0), settings, on_recorded)


def outcome(operations, key):
    return next(one for one in operations.call_outs() if one.key == key)


def test_what_is_due_is_sent_once(build, operations, put):
    put(build.call_out("a"), build.call_out("b", alarm_id="alarm-2"))
    channel = Scripted()
    outbox = worker(operations, build, webhook=channel)
    assert outbox.work_once(build.T0) == 2
    assert outbox.work_once(build.T0 + build.DAY) == 0
    assert sorted(channel.keys) == ["a", "b"]
    stored = outcome(operations, "a")
    assert (stored.outcome, stored.tries, stored.delivered_ns) == ("delivered", 1, build.T0)


def test_what_is_not_due_yet_waits(build, operations, put):
    put(replace(build.call_out("a"), not_before_ns=build.T0 + build.HOUR))
    outbox = worker(operations, build, webhook=Scripted())
    assert outbox.work_once(build.T0 + build.HOUR - 1) == 0
    assert outbox.work_once(build.T0 + build.HOUR) == 1


def test_a_failed_try_is_repeated_on_schedule_with_the_same_key_and_then_given_up(build, operations, put):
    put(build.call_out("a"))
    channel = Scripted(*[Ending.LATER] * 99)
    outbox = worker(operations, build, webhook=channel)
    for second in range(0, 200):
        outbox.work_once(build.T0 + second * SECOND)
    assert [(key, (at_ns - build.T0) // SECOND) for key, at_ns in channel.sent] == [
        ("a", 0),
        ("a", 10),
        ("a", 30),
        ("a", 70),
    ]
    stored = outcome(operations, "a")
    assert (stored.outcome, stored.tries, stored.last_error) == ("given_up", 4, "down")


def test_a_refusal_for_good_is_not_repeated_and_stays_visible(build, operations, put):
    put(build.call_out("a"))
    channel = Scripted(Ending.NEVER)
    outbox = worker(operations, build, webhook=channel)
    outbox.work_once(build.T0)
    outbox.work_once(build.T0 + build.DAY)
    assert channel.keys == ["a"]
    assert outcome(operations, "a").outcome == "given_up"
    assert outbox.status().ends == (("webhook", "given_up", 1),)


def test_a_channel_that_breaks_loses_nothing(build, operations, put):
    put(build.call_out("a"))
    outbox = worker(operations, build, webhook=Scripted(RuntimeError("oops")))
    outbox.work_once(build.T0)
    assert outcome(operations, "a").last_error == "the channel failed: RuntimeError('oops')"
    outbox.work_once(build.T0 + 10 * SECOND)
    assert outcome(operations, "a").outcome == "delivered"


def test_a_channel_that_left_the_settings_is_given_up(build, operations, put):
    put(build.call_out("a", channel="pigeon"))
    outbox = worker(operations, build, webhook=Scripted())
    assert outbox.work_once(build.T0) == 0
    assert (outcome(operations, "a").outcome, outcome(operations, "a").last_error) == ("given_up", NO_CHANNEL)


def test_a_return_before_anything_was_sent_sends_neither(build, operations, put):
    put(build.call_out("raised"), build.call_out("returned", EventType.RETURNED, at_ns=build.T0 + 1))
    channel = Scripted()
    outbox = worker(operations, build, webhook=channel)
    assert outbox.work_once(build.T0 + SECOND) == 0
    assert channel.sent == []
    assert outcome(operations, "raised").last_error == OVERTAKEN
    assert outcome(operations, "returned").last_error == NOBODY_TOLD


def test_a_return_while_the_call_is_retried_goes_out_and_the_call_never_again(build, operations, put):
    put(build.call_out("raised"))
    channel = Scripted(Ending.LATER)
    outbox = worker(operations, build, webhook=channel)
    outbox.work_once(build.T0)
    put(build.call_out("returned", EventType.RETURNED, at_ns=build.T0 + SECOND))
    for second in range(1, 100):
        outbox.work_once(build.T0 + second * SECOND)
    assert channel.keys == ["raised", "returned"]
    assert (outcome(operations, "raised").outcome, outcome(operations, "raised").tries) == ("given_up", 1)


def test_a_return_goes_out_also_where_the_next_try_of_its_call_was_due_before_it(build, operations, put):
    put(build.call_out("raised"))
    channel = Scripted(Ending.LATER)
    outbox = worker(operations, build, webhook=channel)
    outbox.work_once(build.T0)
    put(build.call_out("returned", EventType.RETURNED, at_ns=build.T0 + build.MINUTE))
    assert outbox.work_once(build.T0 + build.HOUR) == 1, "both are due, the call first"
    assert channel.keys == ["raised", "returned"]


def test_an_acknowledgement_never_arrives_before_its_call(build, operations, put):
    put(build.call_out("raised"), build.call_out("seen", EventType.ACKNOWLEDGED, at_ns=build.T0 + 1))
    channel = Scripted(Ending.LATER, Ending.LATER)
    outbox = worker(operations, build, webhook=channel)
    for second in range(0, 100):
        outbox.work_once(build.T0 + second * SECOND)
    assert channel.keys == ["raised", "raised", "raised", "seen"]


def test_lanes_of_different_receivers_know_nothing_of_each_other(build, operations, put):
    put(
        build.call_out("a", recipient="http://one/"),
        build.call_out("b", recipient="http://two/"),
        build.call_out("back", EventType.RETURNED, at_ns=build.T0 + 1, recipient="http://two/"),
    )
    channel = Scripted()
    worker(operations, build, webhook=channel).work_once(build.T0 + SECOND)
    assert channel.keys == ["a"]


class Failing:
    """A store that is away at the calls a test names; the rest reaches the real one."""

    def __init__(self, operations):
        self.operations = operations
        self.away = set()

    def _reach(self, name):
        if name in self.away:
            raise StoreUnavailable("the disk is full")

    def call_outs_due(self, at_ns, limit):
        self._reach("call_outs_due")
        return self.operations.call_outs_due(at_ns, limit)

    def call_outs_beside(self, call_out, limit):
        self._reach("call_outs_beside")
        return self.operations.call_outs_beside(call_out, limit)

    def record_try(self, call_out):
        self._reach("record_try")
        self.operations.record_try(call_out)


@pytest.mark.parametrize("call", ["call_outs_due", "call_outs_beside"])
def test_a_store_that_is_away_is_waited_for(build, operations, put, call):
    put(build.call_out("a"))
    store, channel = Failing(operations), Scripted()
    outbox = worker(store, build, webhook=channel)
    store.away = {call}
    assert outbox.work_once(build.T0) == 0
    status = outbox.status()
    assert (status.store_available, status.last_error) == (False, "the disk is full")
    store.away = set()
    assert outbox.work_once(build.T0) == 1
    assert outbox.status().store_available


def test_what_was_sent_and_could_not_be_written_down_is_written_later_and_not_sent_again(build, operations, put):
    put(build.call_out("a"))
    store, channel = Failing(operations), Scripted()
    outbox = worker(store, build, webhook=channel)
    store.away = {"record_try"}
    assert outbox.work_once(build.T0) == 1
    outbox.work_once(build.T0 + build.HOUR)
    assert outcome(operations, "a").outcome == "waiting"
    assert (outbox.status().unrecorded, outbox.status().under_way) == (1, 1)
    store.away = set()
    outbox.work_once(build.T0 + build.DAY)
    assert channel.keys == ["a"]
    assert outcome(operations, "a").outcome == "delivered"
    assert (outbox.status().unrecorded, outbox.status().under_way) == (0, 0)


def test_whoever_wants_to_know_is_told_of_each_try_and_cannot_break_the_outbox(build, operations, put):
    put(build.call_out("a"), build.call_out("b", alarm_id="alarm-2"))
    told = []

    def listen(call_out):
        told.append((call_out.key, call_out.outcome))
        raise RuntimeError("the page is gone")

    outbox = worker(operations, build, webhook=Scripted(), on_recorded=listen)
    outbox.work_once(build.T0)
    assert sorted(told) == [("a", "delivered"), ("b", "delivered")]
    assert "the page is gone" in outbox.status().last_error


class Gate:
    """A channel on which one receiver hangs until it is let go; counts how many sends are under way at once."""

    def __init__(self, hanging):
        self.hanging = hanging
        self.opened = threading.Event()
        self.entered = threading.Semaphore(0)
        self.delivered = threading.Semaphore(0)
        self.sent = []
        self.under_way = 0
        self.under_way_most = 0
        self.lock = threading.Lock()

    def send(self, call_out, at_ns):
        with self.lock:
            self.under_way += 1
            self.under_way_most = max(self.under_way_most, self.under_way)
        self.entered.release()
        if call_out.recipient in self.hanging:
            self.opened.wait(30)
        with self.lock:
            self.under_way -= 1
            self.sent.append(call_out.key)
        self.delivered.release()
        return Tried(Ending.DELIVERED)


def running(outbox):
    outbox.start()
    return outbox


def test_a_receiver_that_hangs_holds_up_nobody_else(build, operations, put):
    hanging = [build.call_out(f"slow-{n}", alarm_id=f"s{n}", recipient="http://slow/") for n in range(50)]
    put(*hanging, build.call_out("quick", alarm_id="q", recipient="http://quick/", at_ns=build.T0 + 1))
    gate = Gate({"http://slow/"})
    outbox = running(worker(operations, build, clock=lambda: build.T0 + SECOND, webhook=gate))
    try:
        assert gate.delivered.acquire(timeout=20)
        assert gate.sent == ["quick"]
        assert gate.under_way_most <= RECEIVER_SENDS_MAX + 1
    finally:
        opened_s = time.monotonic()
        gate.opened.set()
        for _ in hanging:
            assert gate.delivered.acquire(timeout=20)
        took_s = time.monotonic() - opened_s
        outbox.stop()
    assert took_s < 8.0, "each end makes room at once: waiting for the next look would take 24 s"
    assert len(set(gate.sent)) == 51
    assert gate.under_way_most <= RECEIVER_SENDS_MAX + 1


def test_many_receivers_at_once_stay_within_the_channels_bound(build, operations, put):
    receivers = {f"http://r{n}/" for n in range(40)}
    put(*(build.call_out(f"k{n}", alarm_id=f"a{n}", recipient=f"http://r{n}/") for n in range(40)))
    gate = Gate(receivers)
    store = Looked(operations)
    outbox = running(worker(store, build, webhook=gate))
    try:
        for _ in range(CHANNEL_SENDS_MAX):
            assert gate.entered.acquire(timeout=20)
        store.look_again(outbox)
        status = outbox.status()
        assert (status.under_way, status.under_way_max) == (CHANNEL_SENDS_MAX, CHANNEL_SENDS_MAX)
    finally:
        gate.opened.set()
        for _ in receivers:
            assert gate.delivered.acquire(timeout=20)
        outbox.stop()
    assert gate.under_way_most == CHANNEL_SENDS_MAX
    assert {one.outcome for one in operations.call_outs()} == {"delivered"}


class Looked(Failing):
    """A store that tells how often the outbox has asked it for what is due."""

    def __init__(self, operations):
        super().__init__(operations)
        self.asked = threading.Semaphore(0)

    def call_outs_due(self, at_ns, limit):
        self.asked.release()
        return super().call_outs_due(at_ns, limit)

    def look_again(self, outbox):
        """Wait until the outbox has looked at what now stands there, and has dealt with it."""
        while self.asked.acquire(blocking=False):
            pass  # looks from before
        for _ in range(3):  # one may be under way; when it asks after the next, that one is done
            outbox.notify()
            assert self.asked.acquire(timeout=20)


@pytest.mark.parametrize("alarm_ids", [("alarm-1",), ("alarm-0", "alarm-1")])
def test_two_call_outs_of_one_lane_are_never_under_way_together(build, operations, put, alarm_ids):
    put(build.call_out("raised", alarm_ids=alarm_ids))
    gate = Gate({"http://127.0.0.1:9/"})
    store = Looked(operations)
    outbox = running(worker(store, build, clock=lambda: build.T0 + SECOND, webhook=gate))
    try:
        assert gate.entered.acquire(timeout=20)
        put(build.call_out("returned", EventType.RETURNED, at_ns=build.T0 + 1))
        store.look_again(outbox)
        assert outbox.status().due == 2
        assert gate.under_way_most == 1
    finally:
        gate.opened.set()
        for _ in range(2):
            assert gate.delivered.acquire(timeout=20)
        outbox.stop()
    assert gate.sent == ["raised", "returned"]


def test_a_stop_lets_what_is_under_way_end_and_begins_nothing(build, operations, put):
    put(*(build.call_out(f"k{n}", alarm_id=f"a{n}") for n in range(20)))
    gate = Gate({"http://127.0.0.1:9/"})
    outbox = running(worker(operations, build, webhook=gate))
    for _ in range(RECEIVER_SENDS_MAX):
        assert gate.entered.acquire(timeout=20)
    threading.Timer(0.05, gate.opened.set).start()
    outbox.stop()
    assert not outbox.status().running
    ended = sorted(one.outcome for one in operations.call_outs())
    assert ended == ["delivered"] * RECEIVER_SENDS_MAX + ["waiting"] * (20 - RECEIVER_SENDS_MAX)


def test_from_finding_to_receiver_takes_well_under_half_a_second(build, operations, fleet, advice, visit, receiver):
    """The whole way with the machine's clock: finding, transaction, notify, signed POST, written down; ten times."""
    settings = build.settings(emails=[], webhooks=[receiver.url])
    channel = Webhooks([Webhook(url=receiver.url, secret=build.SECRET)])
    plan = planner(fleet, settings, "https://ready.example.org", lambda site, at_ns: visit, advice)
    outbox = running(worker(operations, build, settings=settings, clock=time.time_ns, webhook=channel))
    took_s = []
    try:
        for number in range(10):
            kind = Kind.CLEARED if number % 2 else Kind.RAISED
            at_ns = time.time_ns() - SECOND
            begun_s = time.monotonic()
            assert operations.record_assessment([build.finding(kind, at_ns)], at_ns + SECOND, plan)
            outbox.notify()
            assert receiver.arrived.acquire(timeout=20)
            took_s.append(time.monotonic() - begun_s)
    finally:
        outbox.stop()
        channel.close()
    assert sorted(took_s)[5] < 0.5, took_s
    types = [request.body.split(b'"type":"')[1].split(b'"')[0].decode() for request in receiver.requests]
    assert types == ["stillready.alarm.raised", "stillready.alarm.returned"] * 5
    assert outbox.status().ends == (("webhook", "delivered", 10),)


def test_an_alarms_life_as_its_receiver_hears_it(build, operations, fleet, advice, visit):
    """Raised, risen, acknowledged, risen no more, shelved, off its shelf, returned: one store, the real plan."""
    settings = build.settings(emails=[], webhooks=["http://one/"])
    plan = planner(fleet, settings, "https://ready.example.org", lambda site, at_ns: visit, advice)
    channel = Scripted()
    outbox = worker(operations, build, settings=settings, webhook=channel)
    moment = SimpleNamespace(ns=build.T0)

    def assess(kind, urgency):
        moment.ns += build.HOUR
        operations.record_assessment([build.finding(kind, moment.ns, urgency)], moment.ns + SECOND, plan)
        outbox.work_once(moment.ns + SECOND)

    def answer(what, **more):
        moment.ns += build.HOUR
        alarm_id = operations.standing()[0].id
        operations.record_answer(alarm_id, what, by="Mia", note="", at_ns=moment.ns, plan=plan, **more)
        outbox.work_once(moment.ns)

    assess(Kind.RAISED, Urgency.AT_VISIT)
    assess(Kind.CHANGED, Urgency.BEFORE_VISIT)
    answer(Answer.ACKNOWLEDGE)
    assess(Kind.CHANGED, Urgency.NOW)
    assess(Kind.CHANGED, Urgency.AT_VISIT)
    assess(Kind.CHANGED, Urgency.BEFORE_VISIT)
    answer(Answer.SHELVE, shelve_until_ns=moment.ns + 10 * build.HOUR)
    assess(Kind.CHANGED, Urgency.AT_VISIT)
    assess(Kind.CHANGED, Urgency.BEFORE_VISIT)
    moment.ns += 20 * build.HOUR
    operations.unshelve_due(moment.ns, plan)
    outbox.work_once(moment.ns)
    assess(Kind.CLEARED, Urgency.BEFORE_VISIT)
    heard = {one.key: one.event for one in operations.call_outs()}
    assert [heard[key] for key in channel.keys] == [
        "raised",
        "acknowledged",
        "urgency_changed",
        "urgency_changed",
        "urgency_changed",
        "raised",
        "returned",
    ]
