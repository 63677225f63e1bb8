"""Readings of the simulated units: their past in the store, their present as packs at a broker."""

import json
import queue
import time
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.acquisition import senml
from monitor.commands import demo_story
from monitor.commands.demo_broker import demo_broker
from monitor.commands.demo_readings import Gateways, fill_past, packs
from monitor.commands.demo_story import Story
from monitor.signals import BY_NAME
from monitor.stores.embedded import EmbeddedReadings
from monitor.times import DAY_NS, HOUR_NS, SECOND_NS, from_rfc3339
from simulator.behaviour import SIGNALS, begin, readings
from simulator.units import UNITS, FaultKind

NOW = from_rfc3339("2026-11-04T12:00:00Z")
NAMES = [unit.id for unit in UNITS]
ROWS_A_DAY = 1440 * 8 * 4


def short_story(days: int) -> Story:
    return Story(NOW - days * DAY_NS, demo_story.begun(NOW).faults)


@pytest.fixture
def store(tmp_path):
    opened = EmbeddedReadings(tmp_path)
    yield opened
    opened.close()


def test_the_past_is_filled_for_all_units_and_signals(store):
    fill_past(short_story(2), store, from_ns=NOW - 2 * DAY_NS, to_ns=NOW, stopped=lambda: False)
    rows = store.read(units=NAMES, signals=SIGNALS, from_ns=0, to_ns=NOW + DAY_NS)
    assert 2 * ROWS_A_DAY <= len(rows) < 2.1 * ROWS_A_DAY
    assert store.span_ns() == (NOW - 2 * DAY_NS, NOW - 60 * SECOND_NS)


def test_a_gap_is_filled_with_what_would_have_been_there(store, tmp_path):
    """In one go, or with a stop after a day and the rest at a later start: the same readings."""
    whole = EmbeddedReadings(tmp_path / "whole")
    story = short_story(2)
    fill_past(story, whole, from_ns=story.began_ns, to_ns=NOW, stopped=lambda: False)
    fill_past(story, store, from_ns=story.began_ns, to_ns=NOW - DAY_NS, stopped=lambda: False)
    fill_past(story, store, from_ns=NOW - DAY_NS, to_ns=NOW, stopped=lambda: False)
    asked = {"units": NAMES, "signals": SIGNALS, "from_ns": 0, "to_ns": NOW}
    at_once, in_two = whole.read(**asked), store.read(**asked)
    whole.close()
    assert at_once.time_ns.tobytes() == in_two.time_ns.tobytes()
    assert abs(at_once.value - in_two.value).max() < 1e-9


def test_filling_stops_between_two_days_when_asked(store):
    answers = iter([False, True])
    fill_past(short_story(5), store, from_ns=NOW - 5 * DAY_NS, to_ns=NOW, stopped=lambda: next(answers))
    assert store.span_ns() == (NOW - 5 * DAY_NS, NOW - 4 * DAY_NS - 60 * SECOND_NS)


def test_packs_are_senml_of_one_unit_each_with_whole_seconds_and_the_contracts_symbols():
    story = short_story(1)
    rows, _ = readings(
        story.plant, story.faults, begin(story.plant, NOW), from_ns=NOW, to_ns=NOW + 9 * SECOND_NS, every_s=3
    )
    made = list(packs(story, rows))
    assert [unit for _, unit, _ in made] == NAMES
    for site, unit, payload in made:
        assert next(known.site for known in UNITS if known.id == unit) == site
        records = senml.parse(payload, "application/senml+json")
        senml.check_pack(records)
        resolved = list(senml.resolve(records))
        assert [record.time_s for record in resolved] == [NOW // SECOND_NS + 3 * (i // 4) for i in range(12)]
        assert [record.name for record in resolved[:4]] == [f"{unit}/{signal}" for signal in SIGNALS]
        assert [record.symbol for record in resolved[:4]] == [BY_NAME[signal].symbol for signal in SIGNALS]


def test_gateways_report_over_mqtt_and_the_first_page_lets_one_gas_main_fail(tmp_path):
    """A subscriber hears every gateway come online and all units report; after page_loaded the story has an outage."""
    story = short_story(1)
    now_ns = time.time_ns()
    heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
    state = begin(story.plant, now_ns - HOUR_NS)
    with demo_broker(tmp_path) as reached:
        url = reached()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.on_connect = lambda client, *_: client.subscribe("stillready/#", qos=1)
        client.on_message = lambda _client, _data, message: heard.put((message.topic, message.payload))
        client.connect(str(urlsplit(url).hostname), int(urlsplit(url).port or 0))
        client.loop_start()
        gateways = Gateways(story, state, from_ns=now_ns - 30 * SECOND_NS, broker_url=url, directory=tmp_path)
        gateways.page_loaded()
        gateways.page_loaded()
        gateways.start()
        topics = {f"stillready/{unit.site}/{unit.id}/readings" for unit in UNITS}
        topics |= {f"stillready/{site}/{site}-box/link" for site in {unit.site for unit in UNITS}}
        got: dict[str, bytes] = {}
        while topics - set(got):
            topic, payload = heard.get(timeout=20)
            got.setdefault(topic, payload)
        gateways.stop()
        client.disconnect()
        client.loop_stop()
    assert got["stillready/harbour/harbour-box/link"] == b"online"
    assert len(json.loads(got["stillready/harbour/quay-crane/readings"])) >= 9 * 4
    kept = demo_story.load(tmp_path)
    assert kept is not None
    assert [fault.kind for fault in kept.faults].count(FaultKind.GAS_SUPPLY_LOW) == 1
