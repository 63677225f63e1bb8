"""A collector with real stores in a folder, as the tests of acquisition run it."""

import signal
import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from monitor.acquisition.collector import Collector, CollectorStatus
from monitor.acquisition.decoder import Decoder
from monitor.batch import Batch
from monitor.fleet import Fleet
from monitor.settings import Settings
from monitor.stores import embedded, operations
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import SqlOperations
from tests.acquisition.builders import fleet_of
from tests.waiting import wait_until


class Running:
    """A collector under way, its stores, and what it told."""

    def __init__(
        self,
        folder: Path,
        url: str,
        *,
        fleet: Fleet | None = None,
        mappings: Sequence[dict[str, object]] = (),
        **broker: object,
    ) -> None:
        quick = {"reconnect_least": 0.05, "reconnect_greatest": 0.2}
        settings = Settings(broker={"url": url, **quick, **broker}, mappings=mappings)
        self.fleet = fleet or fleet_of()
        self.readings = EmbeddedReadings(folder, busy_timeout_s=0.05)
        self.operations = SqlOperations(folder / operations.FILE_NAME)
        self.folder = folder
        self.handed_on: list[Batch] = []
        self.floors_ns: list[int] = []
        self.told: list[str] = []
        self.collector = Collector(
            settings=settings,
            decoder=Decoder(self.fleet, settings),
            clock=time.time_ns,
            append=self.readings.append,
            set_aside=self.operations.set_aside,
            committed=self._committed,
            connected=lambda at_ns: self.told.append("connected"),
            disconnected=lambda at_ns: self.told.append("disconnected"),
        )

    def _committed(self, batch: Batch) -> None:
        self.floors_ns.append(self.collector.received_floor_ns())
        self.handed_on.append(batch)

    @property
    def status(self) -> CollectorStatus:
        """As the collector says."""
        return self.collector.status()

    def kept(self, signal: str = "battery_voltage") -> list[float]:
        """Values of a signal in the store, all units, sorted by unit and time."""
        some = self.readings.read(units=self.fleet.unit_names, signals=(signal,), from_ns=0, to_ns=2**62)
        return [float(value) for value in some.value]

    def wait_connected(self) -> None:
        """Until the broker has confirmed the subscriptions."""
        wait_until(lambda: self.status.is_connected, "the connection")

    def wait_idle_after(self, messages: int) -> None:
        """Until at least so many messages came and none is under way."""
        wait_until(
            lambda: self.status.messages_received >= messages and not self.status.pending,
            lambda: f"{messages} messages to be done with; {self.status}",
            deadline_s=60,
        )

    @contextmanager
    def store_locked(self) -> Iterator[None]:
        """Another program holds the readings' file: the store can take nothing meanwhile."""
        with closing(sqlite3.connect(self.folder / embedded.FILE_NAME, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            yield
            other.execute("ROLLBACK")

    def close(self) -> None:
        """Stop and close."""
        self.collector.stop()
        self.readings.close()
        self.operations.close()


@contextmanager
def running(folder: Path, url: str, **how: object) -> Iterator[Running]:
    """A collector that runs within the block."""
    folder.mkdir(parents=True, exist_ok=True)
    one = Running(folder, url, **how)  # type: ignore[arg-type]
    one.collector.start()
    try:
        yield one
    finally:
        one.close()


if __name__ == "__main__":  # a process of its own, for tests that kill it: FOLDER URL
    with running(Path(sys.argv[1]), sys.argv[2]) as alone:
        alone.wait_connected()
        print("connected", flush=True)
        wait_until(lambda: alone.handed_on, "the first commit")
        print("committed", flush=True)
        signal.pause()
