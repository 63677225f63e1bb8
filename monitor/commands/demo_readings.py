"""From the simulated valley into the monitor: its past straight into the store, its present through MQTT.

In: a story, where its world stands. Out: readings in a store, SenML packs at a broker. May import: simulator,
monitor.batch, monitor.commands, monitor.stores.protocols, monitor.times. Touches the store and the broker it is given,
the demo's folder, the machine's clock.

Load: 8 units with 4 signals each EVERY_S, some 11 readings a second; the past is one commit a day of it, and half a
second of computing.
"""

import threading
import time
from collections.abc import Callable
from pathlib import Path

from monitor.batch import Batch, from_columns
from monitor.commands import demo_story, demo_world
from monitor.commands.demo_story import Story
from monitor.stores.protocols import ReadingStore
from monitor.times import DAY_NS, MINUTE_NS
from simulator.gateways import SIGNALS
from simulator.live import Arriving, Boxes, NotReached, after, arriving_until, play
from simulator.ongoing import Kept, Ongoing
from simulator.telemetry import Readings

EVERY_S = 3  # the past is told in the rhythm of the scenario
# After a sleep of the machine the missed time is reported in the rhythm of the past, an hour at a time.
LATE_NS = 10 * MINUTE_NS
PIECE_NS = 60 * MINUTE_NS
SAVED_EACH_NS = 10 * MINUTE_NS  # what is lost with a killed demo is computed anew in a moment


def fill_past(
    story: Story,
    kept: Kept | None,
    store: ReadingStore,
    *,
    to_ns: int,
    after_ns: int,
    stopped: Callable[[], bool],
    saved: Callable[[Kept], None],
) -> Kept | None:
    """Put what arrives until a whole minute into the store, a day at a time for all units.

    Args:
        kept: where the world stands; None: at the story's beginning. after_ns: what arrived until then is there.
        stopped: asked between the days; what is filled by then is whole. saved: takes where the world stands then.
    Returns: where the world stands at the end.
    """
    ongoing = Ongoing(story.scenario, kept)
    while ongoing.at_ns < to_ns and not stopped():
        played = ongoing.until(min(ongoing.at_ns + DAY_NS, to_ns))
        rows = _batch(ongoing.scenario.unit_ids, played.readings)
        store.append(rows.where(rows.received_ns > after_ns))
        kept = ongoing.kept
        saved(kept)
    return kept


def _batch(unit_ids: tuple[str, ...], rows: Readings) -> Batch:
    return from_columns(unit_ids, SIGNALS, rows.time_ns, rows.unit, rows.signal, rows.value, rows.received_ns)


class Gateways:
    """The boxes at the sites, one a site: each reports its units' readings to the broker as time goes by.

    The world is played a minute ahead; what arrives in that minute is published when its time comes. The first page
    that a visitor loads (page_loaded) lets the gas main fail at one unit: the minute is played again, with that.
    """

    def __init__(self, story: Story, kept: Kept, *, broker_url: str, directory: Path) -> None:
        """
        Args:
            kept: where the past ends and the present begins. directory: keeps story and world.
        """
        self._story = story
        self._kept = kept  # at the beginning of the minute that is being published
        self._saved_ns = kept.at_ns
        self._published_ns = 0
        self._directory = directory
        self._boxes = Boxes(story.scenario.units, broker_url)
        self._loaded = threading.Event()
        self._struck = False
        self._wake = threading.Event()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="gateways", daemon=True)

    def page_loaded(self) -> None:
        """A page was loaded: the first time this begins the outage. Returns at once, from any thread."""
        if not self._loaded.is_set():
            self._loaded.set()
            self._wake.set()

    def start(self) -> None:
        """Begin to report."""
        self._thread.start()

    def stop(self) -> None:
        """Report no more."""
        self._stopped.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()
            self._boxes.stop()
            demo_world.save(self._kept, self._story.scenario, self._directory)

    def _run(self) -> None:
        try:
            self._boxes.start()
        except NotReached:  # the broker is ours: it is gone only when the demo ends
            return
        ongoing = Ongoing(self._story.scenario, self._kept)
        while not self._stopped.is_set():
            if self._loaded.is_set() and not self._struck:
                ongoing = self._outage(ongoing)
            self._kept = ongoing.kept if ongoing.at_ns != self._kept.at_ns else self._kept
            if self._kept.at_ns - self._saved_ns >= SAVED_EACH_NS:
                self._saved_ns = self._kept.at_ns
                demo_world.save(self._kept, ongoing.scenario, self._directory)
            self._publish(_next(ongoing, time.time_ns()))

    def _outage(self, ongoing: Ongoing) -> Ongoing:
        """Let a gas main fail from now on: the minute that is being published is to be played again."""
        self._struck = True
        outage = demo_story.outage(self._story, time.time_ns())
        self._story = demo_story.with_fault(self._story, outage)
        demo_story.save(self._story, self._directory)
        return Ongoing(self._story.scenario, self._kept)

    def _publish(self, part: Arriving) -> None:
        """Publish what arrives, and was not published before, when its time comes; until the outage, or the end."""
        done = play(
            iter([after(part, self._published_ns)]),
            self._boxes,
            from_ns=time.time_ns(),
            stopped=lambda: self._stopped.is_set() or (self._loaded.is_set() and not self._struck),
            wait_s=self._pause,
        )
        self._published_ns = max(self._published_ns, done.until_ns)

    def _pause(self, seconds: float) -> None:
        """Wait so long, or until the first page was loaded, or the end has come."""
        if self._wake.wait(seconds) and not self._stopped.is_set():
            self._wake.clear()


def _next(ongoing: Ongoing, now_ns: int) -> Arriving:
    """What arrives in the next minute; where much was missed, in a longer piece."""
    if now_ns - ongoing.at_ns <= LATE_NS:
        return arriving_until(ongoing, ongoing.at_ns + MINUTE_NS, every_s=EVERY_S)
    return arriving_until(ongoing, min(ongoing.at_ns + PIECE_NS, now_ns - now_ns % MINUTE_NS))
