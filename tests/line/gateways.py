"""Gateways that publish without end, each a thread with a connection of its own, and remember what the broker took.

In: a broker's port, the units behind each. Out: messages of QoS 1 with absolute times, whose values cross limits and
come back; the readings that the broker confirmed, by unit, signal and time.

A gateway sends one message at a time and the next when the broker has confirmed it. When it loses the connection it
connects anew and sends again what was not confirmed, and what was confirmed in the last seconds: Mosquitto 2.0.11 does
not save what is in flight to a connected subscriber (tried: 20 of 20 gone after a SIGKILL, with autosave_on_changes),
and confirms a message before it saves it. Repeats are harmless by the contract.
"""

import json
import time
from collections import deque
from dataclasses import dataclass
from queue import Empty, Queue
from random import Random
from threading import Event, Thread

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

CONFIRM_S = 30.0  # a broker that confirms nothing for so long is gone
RECONNECT_S = 0.05
REPEATED_S = 5.0  # far longer than a message is in flight to the program
WITHHELD_EACH = 25  # of so many messages one comes later, out of order
WITHHELD_MESSAGES = 15  # by so many
FUTURE_EACH = 60  # of so many messages one carries a stamp of tomorrow as well
FUTURE_S = 86_400.0

Key = tuple[str, str, int]
"""Unit, signal, time in ns."""

LEVELS = {  # a healthy value, and what passes one limit after the other (see LIMITS)
    "battery_voltage": (13.3, 12.6, 12.0, 11.2),
    "gas_pressure": (5_000.0, 900.0, 400.0),
    "jacket_water_temperature": (40.0, 31.0, 18.0),
    "enclosure_temperature": (20.0,),
}
LIMITS = """
[fleet.battery_voltage.stopped]
low_warning = { at = 12.75, on_delay = "200 ms", off_delay = "300 ms", deadband = 0.1 }
low_limit = { at = 12.24, on_delay = "300 ms", off_delay = "300 ms", deadband = 0.1 }
low_not_ready = { at = 11.5, on_delay = "100 ms", off_delay = "200 ms", deadband = 0.1 }
[fleet.gas_pressure.stopped]
low_limit = { at = 1000.0, on_delay = "400 ms", off_delay = "600 ms", deadband = 50.0 }
low_not_ready = { at = 600.0, on_delay = "400 ms", off_delay = "200 ms", deadband = 50.0 }
[fleet.jacket_water_temperature.stopped]
low_limit = { at = 32.0, on_delay = "1 s", off_delay = "500 ms", deadband = 2.0 }
low_not_ready = { at = 21.0, on_delay = "500 ms", off_delay = "500 ms", deadband = 2.0 }
[fleet.conditions.readings_missing]
link_offline = "1 s"
[fleet.conditions.clock_wrong]
off_delay = "2 s"
"""


@dataclass(frozen=True)
class Message:
    """What is published at once: a topic, a payload, the readings in it."""

    topic: str
    payload: str
    readings: dict[Key, float]


class Story:
    """What a unit reports: each signal stays on a level for a while, then on another, by a seed."""

    def __init__(self, site: str, unit: str, seed: str, *, wild_water: bool) -> None:
        self.unit = unit
        self._topic = f"stillready/{site}/{unit}/readings"
        self._chance = Random(seed)
        self._levels = {
            signal: levels if signal != "jacket_water_temperature" or wild_water else levels[:1]
            for signal, levels in LEVELS.items()
        }
        self._value = {signal: levels[0] for signal, levels in LEVELS.items()}
        self._until_s = dict.fromkeys(LEVELS, 0.0)

    def message(self, at_s: float, *, future: bool) -> Message:
        """The pack of a moment, given to the millisecond."""
        for signal, levels in self._levels.items():
            if at_s >= self._until_s[signal]:
                # Healthy every other time, so that alarms come and go rather than only change.
                healthy = self._value[signal] != levels[0]
                self._value[signal] = (
                    levels[0] if healthy and self._chance.random() < 0.6 else self._chance.choice(levels)
                )
                self._until_s[signal] = at_s + self._chance.choice((0.15, 0.5, 1.0, 2.0, 6.0))
        records: list[dict[str, object]] = [{"n": signal, "v": value} for signal, value in self._value.items()]
        records[0] |= {"bn": f"{self.unit}/", "bt": at_s}
        if future:
            records.append({"n": "battery_voltage", "v": 12.0, "t": FUTURE_S})
        time_ns = round(at_s * 1e6) * 1000
        readings = {(self.unit, signal, time_ns): value for signal, value in self._value.items()}
        return Message(self._topic, json.dumps(records), readings)


class Gateway:
    """One box with some units behind it."""

    def __init__(self, port: int, name: str, site: str, stories: list[Story], *, a_second: float, seed: str) -> None:
        self.name = name
        self.confirmed: dict[Key, float] = {}
        self.messages = 0
        self.sent_again = 0
        self._port = port
        self._link = f"stillready/{site}/{name}/link"
        self._stories = stories
        self._gap_s = 1.0 / a_second
        self._lately: deque[tuple[float, Message]] = deque(maxlen=int(2 * REPEATED_S * a_second))
        self._chance = Random(seed)
        self._heard: Queue[str] = Queue()
        self._client: Client | None = None
        self._stopping = Event()
        self.error: BaseException | None = None
        self._thread = Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Publish from now on."""
        self._thread.start()

    def stop(self) -> None:
        """End once the broker has confirmed all."""
        self._stopping.set()
        self._thread.join(2 * CONFIRM_S)
        assert self.error is None, f"{self.name}: {self.error!r}"
        assert not self._thread.is_alive(), f"{self.name}: the broker does not confirm"

    def _run(self) -> None:
        try:
            self._publish_all()
        except BaseException as error:  # a thread's own end would go unseen
            self.error = error

    def _publish_all(self) -> None:
        self._connect()
        due_s = time.monotonic()
        withheld: deque[tuple[int, Message]] = deque()
        while not self._stopping.wait(max(0.0, due_s - time.monotonic())):
            due_s = max(due_s + self._gap_s, time.monotonic() - 1.0)  # after a stop it hurries, but not for ever
            story = self._stories[self.messages % len(self._stories)]
            message = story.message(round(time.time(), 3), future=self._chance.random() < 1 / FUTURE_EACH)
            if self._chance.random() < 1 / WITHHELD_EACH:
                withheld.append((self.messages + WITHHELD_MESSAGES, message))
                continue
            self._publish(message)
            while withheld and withheld[0][0] <= self.messages:
                self._publish(withheld.popleft()[1])
        for _, message in withheld:
            self._publish(message)
        self._drop()

    def _publish(self, message: Message) -> None:
        """Publish until the broker has confirmed it, and all of the last seconds on the same connection."""
        queue = [message]
        while queue:
            if self._is_confirmed(queue[0]):
                self.confirmed |= queue.pop(0).readings
                continue
            self._connect()
            queue = [*(again for at_s, again in self._lately if at_s > time.monotonic() - REPEATED_S), message]
            self.sent_again += len(queue)
        self.messages += 1
        self._lately.append((time.monotonic(), message))

    def _is_confirmed(self, message: Message) -> bool:
        assert self._client is not None, "connected"
        self._client.publish(message.topic, message.payload, qos=1)
        try:
            return self._heard.get(timeout=CONFIRM_S) == "confirmed"
        except Empty:
            raise AssertionError(f"the broker confirmed nothing within {CONFIRM_S} s") from None

    def _connect(self) -> None:
        """A new connection, tried until there is one."""
        self._drop()
        end_s = time.monotonic() + CONFIRM_S
        while True:
            heard: Queue[str] = Queue()
            client = Client(CallbackAPIVersion.VERSION2, client_id=f"gateway-{self.name}", protocol=MQTTv5)
            client.will_set(self._link, "offline", qos=1, retain=True)
            client.on_connect = lambda *_, heard=heard: heard.put("up")
            client.on_publish = lambda *_, heard=heard: heard.put("confirmed")
            client.on_disconnect = lambda *_, heard=heard: heard.put("lost")
            try:
                client.connect("127.0.0.1", self._port)
                client.loop_start()
                if heard.get(timeout=5.0) == "up":
                    client.publish(self._link, "online", qos=1, retain=True)
                    if heard.get(timeout=5.0) == "confirmed":
                        self._client, self._heard = client, heard
                        return
            except (OSError, Empty):
                pass
            client.loop_stop()
            assert time.monotonic() < end_s, f"no connection to the broker within {CONFIRM_S} s"
            Event().wait(RECONNECT_S)

    def _drop(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None


@dataclass
class Valley:
    """Some gateways, two units behind each, and the fleet file that knows them."""

    gateways: list[Gateway]
    fleet: str

    @property
    def confirmed(self) -> dict[Key, float]:
        """Every reading that the broker confirmed."""
        return {key: value for gateway in self.gateways for key, value in gateway.confirmed.items()}

    @property
    def messages(self) -> int:
        """How many messages were confirmed."""
        return sum(gateway.messages for gateway in self.gateways)

    def start(self) -> None:
        for gateway in self.gateways:
            gateway.start()

    def stop(self) -> None:
        for gateway in self.gateways:
            gateway.stop()


def fleet_text(gateways: int) -> str:
    """The fleet file of a valley."""
    text = '[sites.mill]\nname = "Mill"\n[sites.weir]\nname = "Weir"\n'
    for box in range(gateways):
        site = ("mill", "weir")[box % 2]
        for number in (1, 2):
            text += f'[units.box-{box}-unit-{number}]\nsite = "{site}"\ngateway = "box-{box}"\n'
    return text


def valley(port: int, *, gateways: int, a_second: float, seed: int) -> Valley:
    """Gateways that each send so many messages a second; the second unit of the last has wild water."""
    made = []
    for box in range(gateways):
        site = ("mill", "weir")[box % 2]
        stories = [
            Story(
                site,
                f"box-{box}-unit-{number}",
                f"{seed}-{box}-{number}",
                wild_water=(box, number) == (gateways - 1, 2),
            )
            for number in (1, 2)
        ]
        made.append(Gateway(port, f"box-{box}", site, stories, a_second=a_second, seed=f"{seed}-{box}"))
    return Valley(made, fleet_text(gateways))
