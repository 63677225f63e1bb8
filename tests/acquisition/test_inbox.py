"""The inbox: order, bounds that are told, and the floor, which is never too high and never goes back."""

from threading import Thread

from hypothesis import given
from hypothesis import strategies as st

from monitor.acquisition import inbox as rooms
from monitor.acquisition.inbox import Inbox
from tests.waiting import wait_until


class HandClock:
    """A clock that stands until it is set; backwards too, as a machine's clock may be."""

    def __init__(self, now_ns: int = 1_000) -> None:
        self.now_ns = now_ns

    def __call__(self) -> int:
        return self.now_ns


def put(inbox, payload=b"", *, qos=1, topic="t"):
    """One message."""
    acknowledge = (lambda: None) if qos else None
    inbox.put(topic=topic, payload=payload, content_type="", is_retained=False, acknowledge=acknowledge)


def take(inbox, most=1_000_000):
    """What is there, at once."""
    return [pending.message for pending in inbox.take(most=most, enough=1)]


def test_messages_come_out_in_the_order_of_arrival_whatever_their_quality_of_service():
    inbox = Inbox(HandClock())
    for number, qos in enumerate([0, 1, 1, 0, 1, 0]):
        put(inbox, str(number).encode(), qos=qos)
    assert [message.payload for message in take(inbox, most=4)] == [b"0", b"1", b"2", b"3"]
    inbox.done()
    assert [message.payload for message in take(inbox)] == [b"4", b"5"]


def test_no_two_messages_are_stamped_alike_and_stamps_never_go_back():
    clock = HandClock(1_000)
    inbox = Inbox(clock)
    for now_ns in (1_000, 1_000, 400, 2_000):
        clock.now_ns = now_ns
        put(inbox)
    assert [message.received_ns for message in take(inbox)] == [1_000, 1_001, 1_002, 2_000]


def test_floor_stands_at_the_oldest_message_until_it_is_done():
    clock = HandClock(1_000)
    inbox = Inbox(clock)
    assert inbox.floor_ns() == 1_000
    put(inbox)
    clock.now_ns = 5_000
    put(inbox)
    assert inbox.floor_ns() == 1_000
    take(inbox, most=1)
    assert inbox.floor_ns() == 1_000
    inbox.done()
    assert inbox.floor_ns() == 5_000
    take(inbox)
    inbox.done()
    clock.now_ns = 7_000
    assert inbox.floor_ns() == 7_000


@given(
    st.lists(
        st.tuples(st.sampled_from(["put", "put", "put0", "take", "done", "floor"]), st.integers(-50, 200)), max_size=60
    )
)
def test_floor_never_goes_back_and_nothing_below_it_is_under_way_or_will_come(steps):
    """Law, whatever the clock does."""
    clock = HandClock(10_000)
    inbox = Inbox(clock)
    queued, under_way, floor_ns = [], [], 0
    for step, passed_ns in steps:
        clock.now_ns += passed_ns
        if step.startswith("put"):
            put(inbox, qos=0 if step == "put0" else 1)
            queued.append(None)
        elif step == "take" and queued and not under_way:
            under_way = take(inbox, most=2)
            del queued[: len(under_way)]
            assert all(message.received_ns >= floor_ns for message in under_way)
        elif step == "done" and under_way:
            inbox.done()
            under_way = []
        before, floor_ns = floor_ns, inbox.floor_ns()
        assert floor_ns >= before
        assert all(message.received_ns >= floor_ns for message in under_way)
    if not under_way and queued:
        assert all(message.received_ns >= floor_ns for message in take(inbox))


def test_too_many_messages_of_qos_0_push_out_the_oldest_and_are_counted(monkeypatch):
    monkeypatch.setattr(rooms, "QOS0_PENDING_MAX", 5)
    inbox = Inbox(HandClock())
    for number in range(8):
        put(inbox, str(number).encode(), qos=0)
    assert (inbox.qos0_dropped, inbox.pending, inbox.received) == (3, 5, 8)
    assert take(inbox, most=1)[0].payload == b"3"


class Putting(Thread):
    """Puts one message, waiting where it must; ends with the test."""

    def __init__(self, inbox, payload=b"last"):
        super().__init__(daemon=True)
        self._inbox, self._payload = inbox, payload
        self.start()

    def run(self):
        put(self._inbox, self._payload)

    @property
    def waits(self) -> bool:
        """Whether it is inside, waiting for room."""
        return self.is_alive() and bool(self._inbox._changed._waiters)


def test_a_message_of_qos_1_waits_for_room_and_none_is_dropped(monkeypatch):
    monkeypatch.setattr(rooms, "QOS1_PENDING_MAX", 5)
    inbox = Inbox(HandClock())
    for _ in range(5):
        put(inbox)
    putting = Putting(inbox)
    wait_until(lambda: putting.waits, "the sixth to wait")
    assert inbox.pending == 5
    assert len(take(inbox, most=2)) == 2
    inbox.done()
    putting.join(20)
    assert [message.payload for message in take(inbox)] == [b"", b"", b"", b"last"]


def test_payloads_together_are_bounded_for_both_kinds(monkeypatch):
    monkeypatch.setattr(rooms, "PENDING_BYTES_MAX", 100)
    inbox = Inbox(HandClock())
    for _ in range(3):
        put(inbox, bytes(25), qos=0)
    put(inbox, bytes(25))
    putting = Putting(inbox)
    wait_until(lambda: putting.waits, "the message of QoS 1 to wait")
    put(inbox, bytes(25), qos=0)
    assert (inbox.qos0_dropped, inbox.pending) == (1, 4)
    take(inbox)
    inbox.done()
    putting.join(20)
    assert inbox.pending == 1


def test_a_payload_beyond_the_bound_is_taken_when_nothing_else_is_held(monkeypatch):
    monkeypatch.setattr(rooms, "PENDING_BYTES_MAX", 10)
    inbox = Inbox(HandClock())
    put(inbox, bytes(11))
    assert len(take(inbox)) == 1


def test_closing_lets_go_of_who_waits_for_room_and_takes_nothing_more(monkeypatch):
    monkeypatch.setattr(rooms, "QOS1_PENDING_MAX", 1)
    inbox = Inbox(HandClock())
    put(inbox)
    putting = Putting(inbox)
    wait_until(lambda: putting.waits, "the second to wait")
    inbox.close()
    putting.join(20)
    assert not putting.is_alive()
    assert inbox.received == 1


def test_who_takes_is_woken_by_closing_and_gets_nothing():
    inbox = Inbox(HandClock())
    got = []
    taking = Thread(target=lambda: got.append(inbox.take(most=1, enough=1)))
    taking.start()
    inbox.close()
    wait_until(lambda: got, "the taker to come back")
    assert got == [[]]
