"""Drains a session that Mosquitto filled while nobody was there, and says how long that took. A child of a benchmark.

    python -m tests.benchmarks.drain subscribe|bare|stillready PORT MESSAGES FOLDER
    python -m tests.benchmarks.drain fill PORT MESSAGES FOLDER

subscribe makes the session, fill publishes into it, bare acknowledges and drops, stillready keeps and assesses. The
time counts from the first message that came to the last acknowledgement, with stillready to the moment at which the
last reading is stored and judged. One JSON line on standard output.
"""

import json
import sys
import time
from pathlib import Path
from threading import Event

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.serve import Service
from monitor.settings import Broker, Settings

UNITS = 500
SESSION = "drained"
RECEIVE_MAXIMUM = 500  # as the settings' default
STEP_S = 60  # between two packs of a unit
DEADLINE_S = 300.0
SIGNALS = (  # symbol, value of a healthy unit, how much it moves
    ("jacket_water_temperature", "Cel", 41.0, 1.5),
    ("battery_voltage", "V", 13.3, 0.05),
    ("gas_pressure", "Pa", 4_980.0, 20.0),
    ("enclosure_temperature", "Cel", 18.0, 3.0),
    ("ambient_temperature", "Cel", 9.0, 3.0),
    ("charger_current", "A", 0.4, 0.1),
)
RECORDS = len(SIGNALS)


def fleet_text() -> str:
    """A fleet of UNITS healthy units."""
    units = "".join(f'[units.unit-{number}]\nsite = "valley"\n' for number in range(UNITS))
    return f'[sites.valley]\nname = "Valley"\n{units}'


def payload(unit: int, at_s: int, step: int) -> str:
    """One pack as a gateway sends it."""
    records: list[dict[str, object]] = [
        {"n": name, "u": symbol, "v": round(value + spread * (((step * 7 + unit) % 13) / 13 - 0.5), 2)}
        for name, symbol, value, spread in SIGNALS
    ]
    records[0] = {"bn": f"unit-{unit}/", "bt": at_s, **records[0]}
    return json.dumps(records, separators=(",", ":"))


def connected(port: int, client: Client, *, expiry_s: int) -> None:
    """Connect as a persistent session."""
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = expiry_s
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)


def subscribe(port: int) -> None:
    """Make the session, and leave."""
    client = Client(CallbackAPIVersion.VERSION2, client_id=SESSION, protocol=MQTTv5)
    client.on_connect = lambda one, *_: one.subscribe("stillready/+/+/readings", 1)
    client.on_subscribe = lambda one, *_: one.disconnect()
    connected(port, client, expiry_s=3600)
    client.loop_forever()


def fill(port: int, messages: int) -> None:
    """Publish: all units in turn, a step of time later each round, up to the present."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    client.max_inflight_messages_set(1_000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    first_s = int(time.time()) - (messages // UNITS + 1) * STEP_S
    for number in range(messages):
        step, unit = divmod(number, UNITS)
        last = client.publish(
            f"stillready/valley/unit-{unit}/readings", payload(unit, first_s + step * STEP_S, step), 1
        )
    last.wait_for_publish(DEADLINE_S)
    client.disconnect()
    client.loop_stop()


def bare(port: int, messages: int) -> float:
    """Acknowledge and drop; s."""
    client = Client(CallbackAPIVersion.VERSION2, client_id=SESSION, protocol=MQTTv5)
    seen = 0
    first_s = 0.0

    def on_message(one: Client, *_: object) -> None:
        nonlocal seen, first_s
        if not seen:
            first_s = time.perf_counter()
        seen += 1
        if seen == messages:
            one.disconnect()

    client.on_message = on_message
    connected(port, client, expiry_s=0)
    client.loop_forever()
    assert seen == messages
    return time.perf_counter() - first_s


def stillready(port: int, messages: int, folder: Path) -> float:
    """The program, without pages that anybody looks at; s from the first message to the last judgement."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "fleet.toml").write_text(fleet_text())
    broker = Broker(url=f"mqtt://127.0.0.1:{port}", client_id=SESSION, receive_maximum=RECEIVE_MAXIMUM)
    service = Service(Settings(fleet=folder / "fleet.toml", data=folder / "data", listen="127.0.0.1:0", broker=broker))
    never = Event()
    service.start()
    begin_s: float | None = None
    deadline_s = time.perf_counter() + DEADLINE_S
    while service.collector.status().readings_stored < messages * RECORDS:
        if begin_s is None and service.collector.status().messages_received:
            begin_s = time.perf_counter()
        assert time.perf_counter() < deadline_s, f"{service.status()}"
        never.wait(0.001 if begin_s is None else 0.01)
    stored_ns = time.time_ns()
    while (service.assessment.status().assessed_until_ns or 0) < stored_ns:
        never.wait(0.002)
    assert begin_s is not None, "it was seen"
    took_s = time.perf_counter() - begin_s
    assert service.operations.standing() == [], "the fleet is healthy"
    service.stop()
    return took_s


def main() -> None:
    """Do one of it."""
    what, port, messages = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    took_s = 0.0
    if what == "subscribe":
        subscribe(port)
    elif what == "fill":
        fill(port, messages)
    elif what == "bare":
        took_s = bare(port, messages)
    else:
        took_s = stillready(port, messages, Path(sys.argv[4]))
    print(json.dumps({"what": what, "messages": messages, "took_s": took_s}))


if __name__ == "__main__":
    main()
