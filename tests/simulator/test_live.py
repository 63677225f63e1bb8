"""A simulated world at a real broker: packs that the monitor reads, links that fall out, time that runs fast."""

import json
import queue
import threading
from dataclasses import replace
from urllib.parse import urlsplit

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.acquisition import senml
from monitor.commands.demo_broker import demo_broker
from monitor.signals import BY_NAME
from simulator import live
from simulator.chance import SECOND_NS
from simulator.faults import Fault, FaultKind
from simulator.fleet import Unit
from simulator.gateways import SIGNALS, SYMBOLS
from simulator.live import Arriving, Boxes, NotReached, ahead, begun_at, pack, packs, play
from simulator.scenario import parse_scenario
from simulator.telemetry import Readings

BEGIN = 1_767_571_200 * SECOND_NS
MINUTE = 60 * SECOND_NS
UNITS = (
    Unit("mill-1", "Mill 1", "mill", gateway="mill-box"),
    Unit("mill-2", "Mill 2", "mill", gateway="mill-box"),
    Unit("ford-1", "Ford 1", "ford"),
)


def rows(*told: tuple[int, int, int, float, int]) -> Readings:
    """Readings of (time s, unit, signal, value, received s), seconds after BEGIN."""
    time_s, unit, signal, value, received_s = zip(*told, strict=True)
    return Readings(
        BEGIN + np.array(time_s, np.int64) * SECOND_NS,
        np.array(unit, np.int32),
        np.array(signal, np.int32),
        np.array(value, np.float64),
        BEGIN + np.array(received_s, np.int64) * SECOND_NS,
    )


def part(readings: Readings, minutes: int = 10, down: tuple[int, ...] = ()) -> Arriving:
    up = np.ones((len(UNITS), minutes), np.bool_)
    up[list(down), 2:5] = False
    return Arriving(readings, BEGIN + np.arange(minutes) * MINUTE, up)


class Recorder(Boxes):
    """Boxes without a broker: what they would do, and when by the test's clock."""

    def __init__(self) -> None:
        self.units = UNITS
        self.now_ns = 0
        self.done: list[tuple[float, object]] = []

    def link(self, unit: int, up: bool) -> None:
        self.done.append((self.now_ns / SECOND_NS, (UNITS[unit].id, up)))

    def send(self, unit: int, payload: bytes, *, stopped: object = None) -> None:
        self.done.append((self.now_ns / SECOND_NS, UNITS[unit].id))

    def wait(self, wait_s: float) -> None:
        self.now_ns += round(wait_s * SECOND_NS)

    def played(self, parts: list[Arriving], speed: float) -> int:
        return play(
            iter(parts),
            self,
            from_ns=BEGIN,
            speed=speed,
            stopped=lambda: False,
            wait_s=self.wait,
            clock_ns=lambda: self.now_ns,
        ).readings


def test_a_pack_is_what_the_monitor_reads_with_the_contracts_symbols():
    every = rows(*((7, 0, number, 1.0, 8) for number in range(len(SIGNALS))), (-3, 0, 1, 27.13, 8))
    records = senml.parse(pack("mill-1", every, np.arange(len(SIGNALS) + 1)), "application/senml+json")
    senml.check_pack(records)
    resolved = list(senml.resolve(records))
    assert [record.name for record in resolved[:-1]] == [f"mill-1/{signal}" for signal in SIGNALS]
    assert {record.time_s for record in resolved[:-1]} == {BEGIN // SECOND_NS + 7}
    assert resolved[-1].time_s == BEGIN // SECOND_NS - 3
    for record, signal in zip(resolved, SIGNALS, strict=False):
        assert record.symbol in (BY_NAME[signal].symbol, None)
    assert {name: BY_NAME[name].symbol for name in SIGNALS} == dict(SYMBOLS)


def test_what_one_unit_sends_at_one_moment_is_one_pack():
    sent = rows((0, 0, 0, 40.0, 1), (0, 1, 0, 41.0, 1), (0, 0, 1, 27.0, 1), (60, 0, 0, 40.1, 61))
    assert [(at // SECOND_NS - BEGIN // SECOND_NS, unit, count) for at, unit, count, _ in packs(sent, UNITS)] == [
        (1, 0, 2),
        (1, 1, 1),
        (61, 0, 1),
    ]


def test_a_backlog_is_cut_into_packs_of_bounded_size():
    many = live.RECORDS_MAX + 1
    sent = rows(*((second, 0, 0, 40.0, 9) for second in range(many)))
    assert [count for *_, count, _ in packs(sent, UNITS)] == [live.RECORDS_MAX, 1]


@pytest.mark.parametrize(("speed", "at_s"), [(1.0, [60.0, 120.0, 480.0]), (60.0, [1.0, 2.0, 8.0])])
def test_readings_are_published_when_they_would_arrive(speed: float, at_s: list[float]):
    boxes = Recorder()
    sent = rows(*((at, 0, 0, 40.0, at) for at in (60, 120, 480)))
    assert boxes.played([part(sent)], speed) == 3
    assert [at for at, what in boxes.done if what == "mill-1"] == at_s


def test_a_gateway_goes_offline_when_the_links_of_all_its_units_are_down():
    boxes = Recorder()
    boxes.played([part(rows((540, 2, 0, 40.0, 540)), down=(0,))], 1.0)
    assert [what for _, what in boxes.done if what == ("mill-1", False)] == []
    boxes = Recorder()
    boxes.played([part(rows((540, 2, 0, 40.0, 540)), down=(0, 1))], 1.0)
    turned = [(at, what) for at, what in boxes.done if isinstance(what, tuple) and what[0] == "mill-1"]
    assert turned == [(0.0, ("mill-1", True)), (120.0, ("mill-1", False)), (300.0, ("mill-1", True))]


def test_a_stop_ends_playing_at_once():
    boxes = Recorder()
    stop = threading.Event()
    sent = rows(*((at, 0, 0, 40.0, at) for at in range(60, 600, 60)))

    def wait(wait_s: float) -> None:
        boxes.wait(wait_s)
        if boxes.now_ns >= 120 * SECOND_NS:
            stop.set()

    published = play(
        iter([part(sent)]),
        boxes,
        from_ns=BEGIN,
        stopped=stop.is_set,
        wait_s=wait,
        clock_ns=lambda: boxes.now_ns,
    )
    assert (published.readings, published.until_ns) == (1, BEGIN + 60 * SECOND_NS)


def test_parts_made_ahead_are_the_same_and_a_failure_is_told():
    def failing():
        yield part(rows((0, 0, 0, 40.0, 0)))
        raise ValueError("no more weather")

    made = ahead(failing(), stopped=lambda: False)
    assert len(next(made).readings.value) == 1
    with pytest.raises(ValueError, match="no more weather"):
        next(made)
    assert len(list(ahead(iter([part(rows((0, 0, 0, 40.0, 0)))] * 5), stopped=lambda: False))) == 5


SCENARIO = """
from = 2026-01-05
days = 2
fleet = "lone-pump"
[[faults]]
unit = "pump-house-1"
kind = "heater_element_open"
from = "1 d"
to = "30 h"
[[events]]
kind = "cold_snap"
from = "3 h"
to = "9 h"
"""


def test_a_scenario_moved_to_now_keeps_its_distances():
    scenario = parse_scenario(SCENARIO)
    at_ns = scenario.from_ns + 100 * 86_400 * SECOND_NS + 90 * SECOND_NS
    moved = begun_at(scenario, at_ns)
    by_ns = moved.from_ns - scenario.from_ns
    assert at_ns - moved.from_ns == 30 * SECOND_NS
    assert moved.to_ns - scenario.to_ns == by_ns
    (fault,), (event,) = moved.faults, moved.events
    assert (fault.from_ns - by_ns, fault.to_ns - by_ns) == (scenario.faults[0].from_ns, scenario.faults[0].to_ns)
    assert (event.from_ns - by_ns, event.to_ns - by_ns) == (scenario.events[0].from_ns, scenario.events[0].to_ns)
    endless = replace(scenario, faults=(Fault("pump-house-1", FaultKind.SEAT_LEAK, scenario.from_ns),))
    assert begun_at(endless, at_ns).faults[0].to_ns is None


def test_nobody_at_the_address_is_said_in_words():
    boxes = Boxes(UNITS, "mqtt://127.0.0.1:9")
    with pytest.raises(NotReached, match=r"No MQTT broker answered at 127\.0\.0\.1"):
        boxes.start(within_s=0.3)


def test_boxes_come_online_report_and_leave_offline_at_a_real_broker(tmp_path):
    """A subscriber hears each box online, its units' packs in order, offline while its links are down, offline last."""
    heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
    with demo_broker(tmp_path) as reached:
        address = urlsplit(reached())
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        subscribed = threading.Event()
        client.on_connect = lambda client, *_: client.subscribe("stillready/#", qos=1)
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_message = lambda _client, _data, message: heard.put((message.topic, message.payload))
        client.connect(str(address.hostname), int(address.port or 0))
        client.loop_start()
        assert subscribed.wait(20)
        boxes = Boxes(UNITS, reached())
        boxes.start()
        sent = rows(*((at, unit, 0, 40.0, at) for at in range(0, 600, 60) for unit in range(3)))
        published = play(
            iter([part(sent, down=(2,))]),
            boxes,
            from_ns=BEGIN,
            speed=1e6,
            stopped=lambda: False,
            wait_s=lambda _: None,
        )
        boxes.stop()
        got = [heard.get(timeout=20) for _ in range(30 + 6)]
        client.disconnect()
        client.loop_stop()
    assert published.readings == 30
    ford = [payload.decode() for topic, payload in got if topic == "stillready/ford/ford-1/link"]
    assert ford == ["online", "offline", "online", "offline"]
    assert [payload for topic, payload in got if topic == "stillready/mill/mill-box/link"] == [b"online", b"offline"]
    times = [json.loads(payload)[0]["bt"] for topic, payload in got if topic == "stillready/mill/mill-2/readings"]
    assert times == [BEGIN // SECOND_NS + at for at in range(0, 600, 60)]
