"""From the simulated units into the monitor: their past straight into the store, their present through MQTT.

In: a story. Out: readings in a store, SenML packs at a broker. May import: simulator, monitor.batch, monitor.signals,
monitor.stores.protocols, monitor.times; paho. Touches the store and the broker it is given, the machine's clock.

Load: 8 units with 4 signals each EVERY_S, some 11 readings a second; the past is one commit a day of it.
"""

import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.batch import Batch, from_columns
from monitor.commands import demo_story
from monitor.commands.demo_story import Story
from monitor.signals import BY_NAME
from monitor.stores.protocols import ReadingStore
from monitor.times import DAY_NS, MINUTE_NS, SECOND_NS
from simulator.behaviour import SIGNALS, Readings, State, begin, readings

EVERY_S = 3
PAST_EVERY_S = 60
# After a sleep of the machine the missed time is reported in the rhythm of the past, in packs of an hour at most.
LATE_NS = 10 * MINUTE_NS
PIECE_NS = 60 * MINUTE_NS
QUEUED_MAX = 1_000  # messages that wait for the broker; beyond, what is lost is simulated anew with the next start


def fill_past(story: Story, store: ReadingStore, *, from_ns: int, to_ns: int, stopped: Callable[[], bool]) -> State:
    """Put from_ns <= time < to_ns into the store, a day at a time for all units, so that its end is the same for all.

    Args:
        stopped: asked between the days; what is filled by then is whole.
    Returns: the state from which the present goes on.
    """
    plant = story.plant
    _, state = readings(
        plant, story.faults, begin(plant, story.began_ns), from_ns=from_ns, to_ns=from_ns, every_s=PAST_EVERY_S
    )
    while from_ns < to_ns and not stopped():
        until_ns = min(from_ns + DAY_NS, to_ns)
        rows, state = readings(plant, story.faults, state, from_ns=from_ns, to_ns=until_ns, every_s=PAST_EVERY_S)
        store.append(_batch(story, rows))
        from_ns = until_ns
    return state


def _batch(story: Story, rows: Readings) -> Batch:
    """As if each reading had arrived the moment it was taken."""
    units = [unit.id for unit in story.plant.units]
    return from_columns(
        units,
        SIGNALS,
        rows.time_ns,
        rows.unit.astype(np.int32),
        rows.signal.astype(np.int32),
        rows.value,
        rows.time_ns,
    )


class Gateways:
    """The boxes at the sites, one a site: each reports its units' readings to the broker as time goes by.

    The first page that a visitor loads (page_loaded) lets the gas main fail at one unit.
    """

    def __init__(self, story: Story, state: State, *, from_ns: int, broker_url: str, directory: Path) -> None:
        """
        Args:
            state: at or before from_ns, where the past ends and the present begins. directory: keeps the story.
        """
        self._story = story
        self._state = state
        self._reported_ns = from_ns
        self._directory = directory
        self._loaded = threading.Event()
        self._wake = threading.Event()
        self._stopped = threading.Event()
        self._clients = {site: self._client(site, broker_url) for site in sorted({u.site for u in story.plant.units})}
        self._thread = threading.Thread(target=self._run, name="gateways", daemon=True)

    def page_loaded(self) -> None:
        """A page was loaded: the first time this begins the outage. Returns at once, from any thread."""
        if not self._loaded.is_set():
            self._loaded.set()
            self._wake.set()

    def start(self) -> None:
        """Begin to report."""
        for client in self._clients.values():
            client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """Report no more."""
        self._stopped.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()

    def _client(self, site: str, broker_url: str) -> mqtt.Client:
        address = urlsplit(broker_url)
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"{site}-box", protocol=mqtt.MQTTv5)
        link = f"stillready/{site}/{site}-box/link"
        client.will_set(link, "offline", qos=1, retain=True)
        client.on_connect = lambda client, *_: client.publish(link, "online", qos=1, retain=True)
        client.max_queued_messages_set(QUEUED_MAX)
        client.reconnect_delay_set(1, 5)
        client.connect_async(str(address.hostname), int(address.port or 1883), keepalive=30)
        return client

    def _run(self) -> None:
        began = False
        while not self._stopped.is_set():
            if self._loaded.is_set() and not began:
                began = True
                outage = demo_story.outage(self._story, time.time_ns())
                self._story = demo_story.with_fault(self._story, outage)
                demo_story.save(self._story, self._directory)
            if all(client.is_connected() for client in self._clients.values()):
                self._report(time.time_ns())
            self._wake.wait(EVERY_S - time.time() % EVERY_S + 0.05)  # just after the readings are taken
            self._wake.clear()

    def _report(self, now_ns: int) -> None:
        """Publish what the sensors saw since the last time."""
        while self._reported_ns < now_ns and not self._stopped.is_set():
            late = now_ns - self._reported_ns > LATE_NS
            until_ns = min(self._reported_ns + PIECE_NS, now_ns)
            rows, self._state = readings(
                self._story.plant,
                self._story.faults,
                self._state,
                from_ns=self._reported_ns,
                to_ns=until_ns,
                every_s=PAST_EVERY_S if late else EVERY_S,
            )
            for site, unit, payload in packs(self._story, rows):
                self._clients[site].publish(f"stillready/{site}/{unit}/readings", payload, qos=1)
            self._reported_ns = until_ns


def packs(story: Story, rows: Readings) -> Iterator[tuple[str, str, bytes]]:
    """A SenML pack for each unit that has readings: site, unit, payload (RFC 8428)."""
    for index, unit in enumerate(story.plant.units):
        mine = rows.unit == index
        if mine.any():
            yield unit.site, unit.id, _pack(unit.id, rows.time_ns[mine], rows.signal[mine], rows.value[mine])


def _pack(unit: str, time_ns: Sequence[int], signal: Sequence[int], value: Sequence[float]) -> bytes:
    """One pack. Times are whole seconds, so the base time and what is added to it stay exact."""
    base_s = int(time_ns[0]) // SECOND_NS
    records: list[dict[str, object]] = [
        {"n": SIGNALS[s], "u": BY_NAME[SIGNALS[s]].symbol, "v": float(v), "t": int(t) // SECOND_NS - base_s}
        for t, s, v in zip(time_ns, signal, value, strict=True)
    ]
    records[0] = {"bn": f"{unit}/", "bt": base_s, **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()
