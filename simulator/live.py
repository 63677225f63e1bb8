"""A simulated world live: its gateways publish over MQTT what arrives, as time goes by or faster.

In: readings by arrival, when links are up, the address of a broker. Out: SenML packs (RFC 8428) and link states. May
import: numpy, paho, simulator. Touches the network, and clocks that it is given.

At speed 1 a scenario is moved so that it begins now, and its stamps are those of the real clock. Faster, its stamps are
those of the scenario: a monitor under the real clock takes what lies before its present as readings that come late,
judges silence by its own clock, and sets aside as clock_wrong what lies after its present. So run what is faster
against a monitor to load it or to fill it; to see what a monitor would have said, replay the history instead.
"""

import json
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from heapq import merge
from queue import Empty, Full, Queue
from urllib.parse import unquote, urlsplit

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulator.chance import SECOND_NS, Bool, Int64
from simulator.fleet import Unit
from simulator.gateways import SIGNALS, SWITCHES, SYMBOLS
from simulator.links import links_up
from simulator.ongoing import Ongoing
from simulator.scenario import Scenario
from simulator.telemetry import Readings

MINUTE_NS = 60 * SECOND_NS
DAY_NS = 1440 * MINUTE_NS
PREFIX = "stillready"
QUEUED_MAX = 2_000  # messages of one gateway that wait for the broker; then publishing waits
RECORDS_MAX = 2_000  # of one pack, some 60 kB: what comes at one moment and is more is cut into several
CONNECTED_WITHIN_S = 20.0
TOLD_EACH_NS = 3600 * SECOND_NS
DAYS_AHEAD = 1  # a day of the world is made while the one before is published


class NotReached(ConnectionError):
    """The broker was not reached in time."""


@dataclass(frozen=True, slots=True)
class Arriving:
    """What arrives in a span, and which links are up, [unit, minute], at minutes time_ns, [minute]."""

    readings: Readings
    time_ns: Int64
    up: Bool


@dataclass(frozen=True, slots=True)
class Published:
    """How many readings were published, and up to which time of arrival, ns, 0 none: what arrives later was not."""

    readings: int
    until_ns: int


def arriving(scenario: Scenario) -> Iterator[Arriving]:
    """What arrives of a scenario, day by day."""
    ongoing = Ongoing(scenario)
    while ongoing.at_ns < scenario.to_ns:
        yield arriving_until(ongoing, min(ongoing.at_ns + DAY_NS, scenario.to_ns))


def arriving_until(ongoing: Ongoing, to_ns: int, *, every_s: int | None = None) -> Arriving:
    """What arrives of a scenario until a moment.

    Args:
        ongoing: is played on. to_ns, every_s: as Ongoing.until takes them.
    """
    played, how = ongoing.until(to_ns, every_s=every_s), ongoing.how
    time_ns = played.day.truth.time_ns
    return Arriving(played.readings, time_ns, links_up(how.links, how.unit_ids, ongoing.scenario.faults, time_ns))


def after(part: Arriving, at_ns: int) -> Arriving:
    """Of what arrives, that which arrives after a time."""
    rows, readings = part.readings.received_ns > at_ns, part.readings
    left = Readings(
        readings.time_ns[rows],
        readings.unit[rows],
        readings.signal[rows],
        readings.value[rows],
        readings.received_ns[rows],
    )
    return Arriving(left, part.time_ns, part.up)


def begun_at(scenario: Scenario, at_ns: int) -> Scenario:
    """A scenario moved in time, so that it begins at the minute of at_ns; its faults and events move with it.

    Seasons, visits and runs are those of the new time.
    """
    by_ns = at_ns // MINUTE_NS * MINUTE_NS - scenario.from_ns
    return replace(
        scenario,
        from_ns=scenario.from_ns + by_ns,
        to_ns=scenario.to_ns + by_ns,
        faults=tuple(
            replace(fault, from_ns=fault.from_ns + by_ns, to_ns=None if fault.to_ns is None else fault.to_ns + by_ns)
            for fault in scenario.faults
        ),
        events=tuple(
            replace(event, from_ns=event.from_ns + by_ns, to_ns=event.to_ns and event.to_ns + by_ns)
            for event in scenario.events
        ),
    )


def packs(readings: Readings, units: Sequence[Unit]) -> Iterator[tuple[int, int, int, bytes]]:
    """Readings as SenML packs, one for what one unit sends at one moment, in the order of arrival.

    Yields: arrival, ns; unit, as a row; how many readings; payload.
    """
    order = np.lexsort((readings.unit, readings.received_ns))
    received_ns, unit = readings.received_ns[order], readings.unit[order]
    begins = np.flatnonzero(np.diff(received_ns, prepend=-1) | np.diff(unit, prepend=-1))
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), len(order)], strict=True):
        for first in range(begin, end, RECORDS_MAX):
            rows = order[first : min(first + RECORDS_MAX, end)]
            row = int(unit[begin])
            yield int(received_ns[begin]), row, len(rows), pack(units[row].id, readings, rows)


def pack(unit_id: str, readings: Readings, rows: Int64) -> bytes:
    """One SenML pack of some readings of one unit. Stamps are whole seconds, so base time and steps stay exact."""
    base_s = int(readings.time_ns[rows[0]]) // SECOND_NS
    records: list[dict[str, object]] = []
    columns = readings.time_ns[rows].tolist(), readings.signal[rows].tolist(), readings.value[rows].tolist()
    for time_ns, signal, value in zip(*columns, strict=True):
        name = SIGNALS[signal]
        record: dict[str, object] = {"n": name}
        record |= {"vb": value > 0.5} if name in SWITCHES else {"u": SYMBOLS[name], "v": value}
        since_s = time_ns // SECOND_NS - base_s
        records.append(record | ({"t": since_s} if since_s else {}))
    records[0] = {"bn": f"{unit_id}/", "bt": base_s, **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


class Boxes:
    """The gateways of some units at a broker: each a client of its own, with its link state and last will."""

    def __init__(self, units: Sequence[Unit], url: str, *, prefix: str = PREFIX) -> None:
        """
        Args:
            url: mqtt:// or mqtts://, perhaps USER:PASSWORD@, HOST, perhaps :PORT.
        """
        self.units = tuple(units)
        self._url, self._prefix = url, prefix
        self._room = threading.Event()
        self._boxes = sorted({(unit.site, unit.gateway or unit.id) for unit in units})
        self._clients = {box: self._client(*box) for box in self._boxes}
        self._up = dict.fromkeys(self._boxes, True)

    def start(self, *, within_s: float = CONNECTED_WITHIN_S) -> None:
        """Connect all.

        Raises:
            NotReached: not all were connected in time.
        """
        for client in self._clients.values():
            client.loop_start()
        until_s = time.monotonic() + within_s
        while not self.connected:
            if time.monotonic() > until_s:
                self.stop()
                host = urlsplit(self._url).hostname
                raise NotReached(f"No MQTT broker answered at {host} in {within_s:.0f} s. Is it running there?")
            self._room.wait(0.02)

    @property
    def connected(self) -> bool:
        """Whether all gateways are connected."""
        return all(client.is_connected() for client in self._clients.values())

    def stop(self) -> None:
        """Say offline, and leave."""
        for box, client in self._clients.items():
            if client.is_connected() and self._up[box]:
                client.publish(self._link(*box), "offline", qos=1, retain=True).wait_for_publish(2.0)
            client.disconnect()
            client.loop_stop()

    def link(self, unit: int, up: bool) -> None:
        """Let the gateway of a unit be online or offline: what the broker would say of it, where that has changed."""
        box = self._box(unit)
        if self._up[box] != up:
            self._up[box] = up
            self._clients[box].publish(self._link(*box), "online" if up else "offline", qos=1, retain=True)

    def send(self, unit: int, payload: bytes, *, stopped: Callable[[], bool] = lambda: False) -> None:
        """Publish a unit's pack; waits while too many wait for the broker, until stopped."""
        client = self._clients[self._box(unit)]
        topic = f"{self._prefix}/{self.units[unit].site}/{self.units[unit].id}/readings"
        while not stopped():
            self._room.clear()
            if client.publish(topic, payload, qos=1).rc != mqtt.MQTT_ERR_QUEUE_SIZE:
                return
            self._room.wait(0.5)

    def _box(self, unit: int) -> tuple[str, str]:
        return self.units[unit].site, self.units[unit].gateway or self.units[unit].id

    def _link(self, site: str, gateway: str) -> str:
        return f"{self._prefix}/{site}/{gateway}/link"

    def _client(self, site: str, gateway: str) -> mqtt.Client:
        address = urlsplit(self._url)
        secure = address.scheme == "mqtts"
        # No slash in its name: the broker of the demo (rumqttd 0.20) breaks down over one.
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"{site}.{gateway}", protocol=mqtt.MQTTv5)
        client.will_set(self._link(site, gateway), "offline", qos=1, retain=True)
        if address.username:
            client.username_pw_set(unquote(address.username), unquote(address.password or ""))
        if secure:
            client.tls_set_context(ssl.create_default_context())
        client.on_connect = lambda *_: self._connected(site, gateway)
        client.on_publish = lambda *_: self._room.set()
        client.max_queued_messages_set(QUEUED_MAX)
        client.max_inflight_messages_set(200)
        client.reconnect_delay_set(1, 5)
        client.connect_async(str(address.hostname), address.port or (8883 if secure else 1883), keepalive=30)
        return client

    def _connected(self, site: str, gateway: str) -> None:
        said = "online" if self._up[site, gateway] else "offline"
        self._clients[site, gateway].publish(self._link(site, gateway), said, qos=1, retain=True)
        self._room.set()


def play(
    parts: Iterator[Arriving],
    boxes: Boxes,
    *,
    from_ns: int,
    speed: float = 1.0,
    stopped: Callable[[], bool],
    wait_s: Callable[[float], object],
    clock_ns: Callable[[], int] = time.time_ns,
    told: Callable[[int, int], None] = lambda _at_ns, _readings: None,
) -> Published:
    """Publish what arrives when its time has come, until it ends or is stopped.

    Args:
        from_ns: the scenario's time at which playing begins. speed: seconds of it in one second of the clock.
        wait_s: waits so long, or less. told: is given the scenario's time, and how many readings were published.
    """
    assert speed > 0.0, "time goes forward"
    begun_ns, published, told_ns, until_ns = clock_ns(), 0, from_ns, 0
    for part in parts:
        for at_ns, unit, what in _happenings(part, boxes.units):
            while (left_s := (at_ns - from_ns) / SECOND_NS / speed - (clock_ns() - begun_ns) / SECOND_NS) > 0.0:
                if stopped():
                    return Published(published, until_ns)
                wait_s(left_s)
            if stopped():
                return Published(published, until_ns)
            if isinstance(what, bool):
                boxes.link(unit, what)
                continue
            count, payload = what
            boxes.send(unit, payload, stopped=stopped)
            published, until_ns = published + count, at_ns
            if at_ns - told_ns >= TOLD_EACH_NS:
                told_ns = at_ns
                told(at_ns, published)
    return Published(published, until_ns)


def _happenings(part: Arriving, units: Sequence[Unit]) -> Iterator[tuple[int, int, bool | tuple[int, bytes]]]:
    """Time, ns, unit, and what happens: its gateway goes online or offline, or a pack of so many readings arrives."""
    turned = ((at_ns, unit, up) for at_ns, unit, up in _links_turn(part, units))
    sent = ((at_ns, unit, (count, payload)) for at_ns, unit, count, payload in packs(part.readings, units))
    return merge(turned, sent, key=lambda happening: happening[0])


def _links_turn(part: Arriving, units: Sequence[Unit]) -> list[tuple[int, int, bool]]:
    """When gateways go offline and come back: a gateway is down when the links of all its units are.

    Returns: time, ns, one of its units, and whether it is up then, in the order of time; first how all stand.
    """
    rows: dict[str, list[int]] = {}
    for row, unit in enumerate(units):
        rows.setdefault(unit.gateway or unit.id, []).append(row)
    turns: list[tuple[int, int, bool]] = []
    for mine in rows.values():
        up: Bool = np.logical_or.reduce(part.up[mine])
        changed = [0, *(np.flatnonzero(up[1:] != up[:-1]) + 1).tolist()]
        turns += [(int(part.time_ns[minute]), mine[0], bool(up[minute])) for minute in changed]
    return sorted(turns)


def ahead(parts: Iterator[Arriving], *, stopped: Callable[[], bool]) -> Iterator[Arriving]:
    """The same parts, each made in a thread while the one before is used."""
    made: Queue[Arriving | BaseException | None] = Queue(DAYS_AHEAD)

    def put(part: Arriving | BaseException | None) -> None:
        while not stopped():
            try:
                made.put(part, timeout=0.2)
                return
            except Full:
                continue

    def make() -> None:
        try:
            for part in parts:
                put(part)
                if stopped():
                    return
            put(None)
        except BaseException as reason:  # told where the parts are used
            put(reason)

    maker = threading.Thread(target=make, name="world", daemon=True)
    maker.start()
    while not stopped():
        try:
            part = made.get(timeout=0.2)
        except Empty:
            continue
        if part is None:
            return
        if isinstance(part, BaseException):
            raise part
        yield part


def publish(
    scenario: Scenario,
    url: str,
    *,
    speed: float = 1.0,
    stop: threading.Event,
    prefix: str = PREFIX,
    told: Callable[[int, int], None] = lambda _at_ns, _readings: None,
) -> int:
    """Publish a scenario at a broker until it ends or stop is set: what `stillready simulate --mqtt` does.

    Args:
        url: of the broker, as in Boxes. speed: 1: in real time, begun now; else so many times as fast, with the
            scenario's own times.
        told: is given the scenario's time now and then, and how many readings were published by then.
    Returns: how many readings were published.
    Raises:
        NotReached: no broker there.
    """
    moved = begun_at(scenario, time.time_ns()) if speed == 1.0 else scenario
    boxes = Boxes(moved.units, url, prefix=prefix)
    boxes.start()
    try:
        parts = ahead(arriving(moved), stopped=stop.is_set)
        done = play(parts, boxes, from_ns=moved.from_ns, speed=speed, stopped=stop.is_set, wait_s=stop.wait, told=told)
        return done.readings
    finally:
        boxes.stop()
