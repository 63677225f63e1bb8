"""How fast acquisition is: `python -m tests.acquisition.throughput [MESSAGES] [RUNS]` prints it.

Packs of 6 records of 500 units. First the decoder alone. Then the collector with a store that keeps nothing, against
mosquitto on the same machine, beside a bare paho subscriber that acknowledges and drops: both find the same queue
waiting in a persistent session, with the same Receive Maximum, and take turns.
"""

import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from threading import Event

import numpy as np
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.acquisition.collector import Collector
from monitor.acquisition.decoder import Decoder, Message
from monitor.batch import Batch
from monitor.fleet import Unit
from monitor.settings import Settings
from monitor.stores.protocols import Appended
from tests.acquisition.builders import ARRIVAL_NS, ARRIVAL_S, fleet_of
from tests.brokers import mosquitto, publisher

UNITS = 500
RECEIVE_MAXIMUM = 500
VALUES = (
    ("jacket_water_temperature", "Cel", 43.21),
    ("battery_voltage", "V", 27.12),
    ("gas_pressure", "Pa", 2740.5),
    ("enclosure_temperature", "Cel", 21.4),
    ("ambient_temperature", "Cel", 3.1),
    ("charger_current", "A", 0.8),
)
FLEET = fleet_of(*(Unit(f"unit-{number}", "works", "", battery_nominal_voltage=24) for number in range(UNITS)))


def pack(number: int) -> tuple[str, bytes]:
    """Topic and payload of one message, like a gateway's, each with a second of its own."""
    unit = f"unit-{number % UNITS}"
    records: list[dict[str, object]] = [{"n": name, "u": symbol, "v": value} for name, symbol, value in VALUES]
    records[0] = {"bn": f"{unit}/", "bt": ARRIVAL_S - 1_000_000 + number, **records[0]}
    return f"stillready/works/{unit}/readings", json.dumps(records, separators=(",", ":")).encode()


def decoder_us(messages: int, runs: int, *, content_type: str = "") -> list[float]:
    """us a message of the decoder alone, each run; a content type it does not expect sends it the plain way."""
    decoder = Decoder(FLEET, Settings())
    some = [Message(*pack(number), content_type, False, ARRIVAL_NS + number) for number in range(messages)]
    took = []
    for _ in range(runs):
        begin = time.perf_counter()
        assert len(decoder.decode(some).batch) == 6 * messages
        took.append((time.perf_counter() - begin) / messages * 1e6)
    return took


class Bare:
    """A subscriber that acknowledges and drops."""

    def __init__(self, port: int, expected: int) -> None:
        self.received = 0
        self.done = Event()
        self._expected = expected
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTv5)
        self._client.on_connect = lambda client, *_: client.subscribe("stillready/+/+/readings", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._subscribed = Event()
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self._client.loop_start()

    def _on_message(self, _client: Client, _userdata: object, _message: MQTTMessage) -> None:
        self.received += 1
        if self.received >= self._expected:
            self.done.set()

    def state(self) -> object:
        """How far it got."""
        return self.received

    def stop(self) -> None:
        """Disconnect, once subscribed."""
        self._subscribed.wait(20)
        self._client.disconnect()
        self._client.loop_stop()


class Ours:
    """The collector with a store that keeps nothing."""

    def __init__(self, port: int, expected: int) -> None:
        self.done = Event()
        self._expected = 6 * expected
        self._stored = 0
        connected = Event()
        settings = Settings(broker={"url": f"mqtt://127.0.0.1:{port}", "receive_maximum": RECEIVE_MAXIMUM})
        self._collector = Collector(
            settings=settings,
            decoder=Decoder(FLEET, settings),
            clock=time.time_ns,
            append=lambda batch: Appended(np.ones(len(batch), np.bool_), np.zeros(len(batch), np.bool_)),
            set_aside=lambda items: None,
            committed=self._committed,
            connected=lambda at_ns: connected.set(),
        )
        self._connected = connected
        self._collector.start()

    def _committed(self, batch: Batch) -> None:
        self._stored += len(batch)
        if self._stored >= self._expected:
            self.done.set()

    def state(self) -> object:
        """How far it got."""
        return self._collector.status()

    def stop(self) -> None:
        """Disconnect, once subscribed."""
        self._connected.wait(20)
        self._collector.stop()


def messages_a_second(who: Callable[[int, int], Bare | Ours], port: int, messages: int) -> tuple[float, float]:
    """Messages a second from connect to the last one, and us of CPU a message of this process."""
    begin, cpu = time.perf_counter(), time.process_time()
    subscriber = who(port, messages)
    assert subscriber.done.wait(60), f"it did not get all of them: {subscriber.state()}"
    took, cpu_took = time.perf_counter() - begin, time.process_time() - cpu
    subscriber.stop()
    return messages / took, cpu_took / messages * 1e6


def main(messages: int, runs: int) -> None:
    """Print all figures."""
    for way, content_type in (("plain pack, quick way", ""), ("plain pack, plain way", "text/plain")):
        took = decoder_us(messages, runs, content_type=content_type)
        print(f"decoder, {way}: {median(took):.1f} us a message of 6 records (least {min(took):.1f})")
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), durable=False) as broker:
        Bare(broker.port, -1).stop()
        Ours(broker.port, -1).stop()
        rates: dict[str, list[tuple[float, float]]] = {"bare": [], "ours": []}
        for _ in range(runs):
            with publisher(broker.port) as gateway:
                for number in range(messages):
                    gateway.send(*pack(number), wait=False)
            rates["bare"].append(messages_a_second(Bare, broker.port, messages))
            rates["ours"].append(messages_a_second(Ours, broker.port, messages))
    for who, measured in rates.items():
        speeds = sorted(round(speed) for speed, _ in measured)
        cpu = median(cpu for _, cpu in measured)
        print(f"{who}: {median(speeds):,.0f} messages/s (of {speeds}), {cpu:.0f} us of CPU each")
    ratio = median(ours / bare for (ours, _), (bare, _) in zip(rates["ours"], rates["bare"], strict=True))
    print(f"ratio ours / bare: {ratio:.2f}")


if __name__ == "__main__":
    main(*(int(argument) for argument in (sys.argv[1:] + ["10000", "5"][len(sys.argv) - 1 :])))
