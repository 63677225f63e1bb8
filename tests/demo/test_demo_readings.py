"""Readings of the simulated valley: their past in the store, their present as packs at a broker."""

import json
import queue
import time
from dataclasses import replace
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.commands import demo_story, demo_world
from monitor.commands.demo_broker import demo_broker
from monitor.commands.demo_readings import Gateways, fill_past
from monitor.commands.demo_story import Story, valley
from monitor.stores.embedded import EmbeddedReadings
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from simulator.faults import FaultKind
from simulator.gateways import SIGNALS
from simulator.keeping import NotKept
from simulator.ongoing import Ongoing

NOW = from_rfc3339("2026-11-04T12:00:00Z")
UNITS = valley().units
NAMES = [unit.id for unit in UNITS]
NEEDED = SIGNALS[:4]
ROWS_A_DAY = 1440 * 8 * 4


def short_story(days: float) -> Story:
    return Story(NOW - int(days * DAY_NS), demo_story.begun(NOW).faults)


@pytest.fixture
def store(tmp_path):
    opened = EmbeddedReadings(tmp_path)
    yield opened
    opened.close()


def filled(story, store, *, to_ns=NOW, kept=None, after_ns=-1, stopped=lambda: False, saved=lambda kept: None):
    return fill_past(story, kept, store, to_ns=to_ns, after_ns=after_ns, stopped=stopped, saved=saved)


def test_the_past_is_filled_for_all_units_and_signals(store):
    filled(short_story(1.5), store)
    rows = store.read(units=NAMES, signals=NEEDED, from_ns=0, to_ns=NOW + DAY_NS)
    assert 1.5 * ROWS_A_DAY - 8 * 4 <= len(rows) < 1.6 * ROWS_A_DAY
    begin_ns, end_ns = store.span_ns()
    assert begin_ns - (NOW - 1.5 * DAY_NS) <= 60 * SECOND_NS
    assert NOW - 60 * SECOND_NS < end_ns <= NOW


def test_a_gap_is_filled_with_what_would_have_been_there(store, tmp_path):
    """In one go, or with a stop after an hour and the rest at a later start: the same readings."""
    whole = EmbeddedReadings(tmp_path / "whole")
    story = short_story(0.25)
    filled(story, whole)
    kept = filled(story, store, to_ns=story.began_ns + HOUR_NS)
    span = store.span_ns()
    demo_world.save(kept, story.scenario, tmp_path)
    filled(story, store, kept=demo_world.load(tmp_path, story.scenario), after_ns=span[1])
    asked = {"units": NAMES, "signals": NEEDED, "from_ns": 0, "to_ns": NOW}
    at_once, in_two = whole.read(**asked), store.read(**asked)
    whole.close()
    assert at_once.time_ns.tobytes() == in_two.time_ns.tobytes()
    assert at_once.value.tobytes() == in_two.value.tobytes()


def test_filling_stops_between_two_days_when_asked_and_keeps_where_it_stands(store):
    answers, saved = iter([False, True]), []
    story = short_story(3)
    kept = filled(story, store, stopped=lambda: next(answers), saved=saved.append)
    assert [one.at_ns for one in saved] == [kept.at_ns] == [story.began_ns + DAY_NS]
    assert story.began_ns + DAY_NS - 60 * SECOND_NS < store.span_ns()[1] <= story.began_ns + DAY_NS


def test_a_world_that_was_not_kept_or_is_damaged_is_refused_in_words(tmp_path):
    with pytest.raises(NotKept, match="it cannot be read"):
        demo_world.load(tmp_path, short_story(1).scenario)
    (tmp_path / demo_world.FILE_NAME).write_bytes(b"\xff\x00")
    with pytest.raises(NotKept, match="it cannot be read"):
        demo_world.load(tmp_path, short_story(1).scenario)
    (tmp_path / demo_world.FILE_NAME).write_text("{}")
    with pytest.raises(NotKept, match="it is damaged"):
        demo_world.load(tmp_path, short_story(1).scenario)


def test_gateways_report_over_mqtt_and_the_first_page_lets_one_gas_main_fail(tmp_path):
    """A subscriber hears every gateway come online and all units report; after page_loaded one unit has no gas.

    What was said before the page is not said again, and nothing is said of a time that has not come.
    """
    now_ns = time.time_ns()
    begun = demo_story.begun(now_ns)
    story = Story(begun.began_ns + demo_story.HISTORY_NS - 5 * MINUTE_NS, ())
    ongoing = Ongoing(story.scenario)
    ongoing.until(story.began_ns + 4 * MINUTE_NS)
    heard: queue.Queue[tuple[str, bytes, int]] = queue.Queue()
    with demo_broker(tmp_path) as reached:
        url = reached()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.on_connect = lambda client, *_: client.subscribe("stillready/#", qos=1)
        client.on_message = lambda _client, _data, message: heard.put((message.topic, message.payload, time.time_ns()))
        client.connect(str(urlsplit(url).hostname), int(urlsplit(url).port or 0))
        client.loop_start()
        gateways = Gateways(story, ongoing.kept, broker_url=url, directory=tmp_path)
        gateways.start()
        topics = {f"stillready/{unit.site}/{unit.id}/readings" for unit in UNITS}
        topics |= {f"stillready/{unit.site}/{unit.gateway}/link" for unit in UNITS}
        got: dict[str, bytes] = {}
        packs: list[tuple[str, bytes, int]] = []
        while topics - set(got):
            packs.append(heard.get(timeout=20))
            got.setdefault(*packs[-1][:2])
        gateways.page_loaded()
        gateways.page_loaded()
        low = ""
        while not low:
            packs.append(heard.get(timeout=20))
            low = next((unit for unit, signal, _, value in readings(*packs[-1][:2]) if starved(signal, value)), "")
        gateways.stop()
        client.disconnect()
        client.loop_stop()
    assert got["stillready/harbour/harbour-box/link"] == b"online"
    kept = demo_story.load(tmp_path)
    assert kept is not None
    assert [(fault.unit, fault.kind) for fault in kept.faults] == [(low, FaultKind.GAS_SUPPLY_LOW)]
    assert demo_world.load(tmp_path, kept.scenario).at_ns <= time.time_ns()
    told = [
        (unit, signal, time_ns) for topic, payload, _ in packs for unit, signal, time_ns, _ in readings(topic, payload)
    ]
    assert len(told) == len(set(told))
    for topic, payload, at_ns in packs:
        assert all(time_ns <= at_ns + SECOND_NS for _, _, time_ns, _ in readings(topic, payload))


def readings(topic: str, payload: bytes) -> list[tuple[str, str, int, float]]:
    """Unit, signal, time and value of a message's readings."""
    if not topic.endswith("/readings"):
        return []
    records = json.loads(payload)
    unit, base = records[0]["bn"].rstrip("/"), records[0]["bt"]
    return [(unit, one["n"], (base + one.get("t", 0)) * SECOND_NS, one["v"]) for one in records]


def starved(signal: str, value: float) -> bool:
    return signal == "gas_pressure" and value < 1_000.0


def test_the_readings_of_the_story_are_those_of_its_world():
    """A heater that has failed at 22:00 is cold in the morning; the fault is the scenario's own."""
    story = demo_story.begun(NOW)
    cold = next(fault for fault in story.faults if fault.kind is FaultKind.HEATER_ELEMENT_OPEN)
    short = replace(story, began_ns=cold.from_ns - HOUR_NS, faults=(cold,))
    played = Ongoing(short.scenario).until(NOW)
    water = played.day.truth.values["jacket_water_temperature"][NAMES.index(cold.unit)]
    assert water[30] > 35.0
    assert water[-1] < 30.0
