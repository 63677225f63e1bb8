"""The stream itself, over a real server: what is published in a worker thread arrives as server-sent events."""

import json
from collections.abc import Iterator

import pytest

from tests import asking
from tests.builders import NOW_NS, busy_house, readings_of
from tests.serving import serving


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """The valley, once for this file."""
    made = busy_house(tmp_path_factory.mktemp("valley"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def address(house) -> Iterator[str]:
    """Where the valley is served."""
    with serving(house) as reached:
        yield reached


def next_event(lines: Iterator[str]) -> dict[str, str]:
    """The next event of a stream, as its fields."""
    fields: dict[str, str] = {}
    for line in lines:
        if not line and fields:
            return fields
        name, _, value = line.partition(": ")
        fields[name] = value
    raise AssertionError("the stream ended")


def test_changes_and_readings_arrive(house, address):
    with asking.stream("GET", f"{address}/api/v1/events", timeout=10) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        assert next_event(lines)["event"] == "alive"
        alarm = house.operations.standing()[0]
        answer = asking.post(f"{address}/api/v1/alarms/{alarm.id}/acknowledge", json={"by": "Ines"})
        assert answer.status_code == 200
        change = next_event(lines)
        assert change["event"] == "alarm"
        assert json.loads(change["data"])["state"] == "acknowledged"
        house.live.publish_batch(readings_of(house.fleet, "mill-1", "battery_voltage", [NOW_NS], [26.5]))
        reading = next_event(lines)
        assert json.loads(reading["data"])["readings"] == [
            {"unit": "mill-1", "signal": "battery_voltage", "time": "2026-01-13T17:30:00Z", "value": 26.5}
        ]
        house.live.publish_unit("mill-2")
        assert next_event(lines)["event"] == "unit"


def test_a_client_gets_the_units_it_asked_for(house, address):
    with asking.stream("GET", f"{address}/api/v1/events?unit=mill-1", timeout=10) as stream:
        lines = stream.iter_lines()
        next_event(lines)
        house.live.publish("unit", {"unit": "mill-2"})  # not asked for here
        house.live.publish("unit", {"unit": "mill-1"})
        assert json.loads(next_event(lines)["data"]) == {"unit": "mill-1"}


def test_coming_back_with_the_last_event_id_gives_what_was_missed(house, address):
    with asking.stream("GET", f"{address}/api/v1/events", timeout=10) as stream:
        lines = stream.iter_lines()
        next_event(lines)
        house.live.publish_unit("mill-1")
        last = next_event(lines)["id"]
    house.live.publish_unit("weir-1")
    with asking.stream("GET", f"{address}/api/v1/events", headers={"Last-Event-ID": last}, timeout=10) as stream:
        lines = stream.iter_lines()
        next_event(lines)
        assert json.loads(next_event(lines)["data"]) == {"unit": "weir-1"}


def test_a_client_that_leaves_is_forgotten(house, address):
    with asking.stream("GET", f"{address}/api/v1/events", timeout=10) as stream:
        lines = stream.iter_lines()
        next_event(lines)
        open_streams = house.live.statistics().clients
    left = (house.live.statistics().clients < open_streams for _ in range(500) if asking.get(f"{address}/health/live"))
    assert any(left), "after 500 other requests the server has seen that the client is gone"
