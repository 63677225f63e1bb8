"""The bus of live events: order, bounds, slow clients, coming back. The loop's clock is an argument: nothing waits."""

import asyncio
import json
from threading import Thread

import pytest

from monitor.api import live
from monitor.api.live import LiveEvents, TooManyClients
from tests.builders import NOW_NS, readings_of, valley

FLEET = valley()


def with_loop(check) -> None:
    """Run a check on a loop of its own."""

    async def inside() -> None:
        check()

    asyncio.run(inside())


def kinds(subscription, at_s: float) -> list[str]:
    """What a client gets at a moment."""
    return [event.kind for event in subscription.take(at_s)[0]]


def test_changes_from_many_threads_reach_every_client_once_and_in_one_order():
    def check() -> None:
        bus = LiveEvents()
        first, second = bus.subscribe(), bus.subscribe()
        threads = [
            Thread(target=lambda name=name: [bus.publish("unit", {"unit": f"{name}-{n}"}) for n in range(20)])
            for name in ("a", "b", "c")
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        seen = [event.data for event in first.take(0.0)[0]]
        assert len(set(seen)) == 60
        assert [event.data for event in second.take(0.0)[0]] == seen

    with_loop(check)


def test_readings_come_together_and_at_most_once_a_second_the_newest_of_each():
    def check() -> None:
        bus = LiveEvents()
        client = bus.subscribe()
        bus.publish_batch(readings_of(FLEET, "mill-1", "battery_voltage", [NOW_NS], [27.0]))
        assert kinds(client, 100.0) == ["reading"]
        bus.publish_batch(readings_of(FLEET, "mill-1", "battery_voltage", [NOW_NS + 1, NOW_NS + 2], [26.0, 25.0]))
        bus.publish_batch(readings_of(FLEET, "mill-2", "gas_pressure", [NOW_NS], [4_980.0]))
        assert client.take(100.4) == ([], pytest.approx(0.6))
        events, wait_s = client.take(101.0)
        assert wait_s is None
        assert [(one["unit"], one["value"]) for one in json.loads(events[0].data)["readings"]] == [
            ("mill-1", 25.0),
            ("mill-2", 4_980.0),
        ]

    with_loop(check)


def test_a_change_does_not_wait_for_readings():
    def check() -> None:
        bus = LiveEvents()
        client = bus.subscribe()
        bus.publish_batch(readings_of(FLEET, "mill-1", "battery_voltage", [NOW_NS], [27.0]))
        client.take(100.0)
        bus.publish_batch(readings_of(FLEET, "mill-1", "battery_voltage", [NOW_NS + 1], [26.0]))
        bus.publish("alarm", {"unit": "mill-1"})
        assert kinds(client, 100.1) == ["alarm"]

    with_loop(check)


def test_a_slow_client_is_dropped_with_a_notice_and_slows_nobody():
    def check() -> None:
        bus = LiveEvents()
        slow, quick = bus.subscribe(), bus.subscribe()
        got = 0
        for _ in range(live.EVENTS_MAX + 1):
            bus.publish("unit", {"unit": "mill-1"})
            got += len(quick.take(0.0)[0])
        assert got == live.EVENTS_MAX + 1
        assert kinds(slow, 0.0) == ["lagging"]
        assert len(slow) == 0
        bus.unsubscribe(slow)
        assert (bus.statistics().clients, bus.statistics().dropped) == (1, 1)

    with_loop(check)


def test_the_stream_of_a_slow_client_ends_after_the_notice():
    async def inside() -> list[str]:
        bus = LiveEvents()
        slow = bus.subscribe()
        for _ in range(live.EVENTS_MAX + 1):
            bus.publish("unit", {"unit": "mill-1"})
        return [event.kind async for event in slow.events()]

    assert asyncio.run(inside()) == ["lagging"]


def test_whoever_comes_back_gets_what_was_missed():
    def check() -> None:
        bus = LiveEvents()
        client = bus.subscribe()
        bus.publish("unit", {"unit": "mill-1"})
        last = client.take(0.0)[0][-1].id
        bus.unsubscribe(client)
        bus.publish("unit", {"unit": "mill-2"})
        back = bus.subscribe(last_event_id=last)
        assert [event.data for event in back.take(0.0)[0]] == ['{"unit":"mill-2"}']

    with_loop(check)


def test_what_changed_while_a_page_was_read_and_before_it_listened_is_not_missed():
    def check() -> None:
        bus = LiveEvents()
        bus.publish("unit", {"unit": "mill-1"})
        begun = bus.newest_id()
        bus.publish("unit", {"unit": "mill-2"})
        assert [event.data for event in bus.subscribe(last_event_id=begun).take(0.0)[0]] == ['{"unit":"mill-2"}']

    with_loop(check)


@pytest.mark.parametrize("last", ["0badc0de-1", "nonsense", "-", "0-99999999999999999999"])
def test_whoever_comes_back_from_another_run_is_told_to_read_anew_and_not_again(last):
    def check() -> None:
        bus = LiveEvents()
        bus.publish("unit", {"unit": "mill-1"})
        notice = bus.subscribe(last_event_id=last).take(0.0)[0][0]
        assert notice.kind == "lagging"
        assert kinds(bus.subscribe(last_event_id=notice.id), 0.0) == []

    with_loop(check)


def test_a_client_of_one_unit_gets_that_one_only():
    def check() -> None:
        bus = LiveEvents()
        client = bus.subscribe(units=frozenset({"mill-1"}))
        bus.publish("unit", {"unit": "mill-2"})
        bus.publish_batch(readings_of(FLEET, "mill-2", "battery_voltage", [NOW_NS], [27.0]))
        assert client.take(0.0) == ([], None)

    with_loop(check)


def test_streams_are_counted_and_bounded():
    def check() -> None:
        bus = LiveEvents(clients_max=1)
        held = bus.subscribe()
        with pytest.raises(TooManyClients, match="1 live streams are open already"):
            bus.subscribe()
        bus.unsubscribe(held)
        bus.subscribe()

    with_loop(check)


def test_publishing_after_a_clients_loop_has_closed_harms_nobody():
    bus = LiveEvents()
    kept = []
    with_loop(lambda: kept.append(bus.subscribe()))
    bus.publish("unit", {"unit": "mill-1"})
    assert kept[0].lagging
