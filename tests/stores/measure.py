"""Figures of the stores on this machine: python -m tests.stores.measure. No test; nothing is asserted.

A fleet of 500 units with 4 signals, then one signal over a year of minutes. Each figure is the median of its runs; the
least stands beside it, because a shared machine only ever slows down.
"""

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from time import perf_counter

import numpy as np

from monitor.batch import Batch, from_columns
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.times import MINUTE_NS, SECOND_NS

BEGIN_NS = 1_767_225_600 * SECOND_NS
UNITS = tuple(f"unit-{number:03d}" for number in range(500))
SIGNALS = ("jacket_water_temperature", "battery_voltage", "gas_pressure", "enclosure_temperature")
YEAR_MINUTES = 525_600


def fleet_batch(number: int, units: int, moments: int) -> Batch:
    """Readings of some units, each 5 s, in order of arrival: one commit of a busy collector."""
    tracks = units * len(SIGNALS)
    time_ns = BEGIN_NS + (number * moments + np.repeat(np.arange(moments), tracks)) * 5 * SECOND_NS
    unit = np.tile(np.repeat(np.arange(units), len(SIGNALS)), moments)
    signal = np.tile(np.arange(len(SIGNALS)), units * moments)
    return from_columns(UNITS, SIGNALS, time_ns, unit, signal, np.round(time_ns % 977 / 7, 2), time_ns + SECOND_NS)


def year_batches() -> Iterable[Batch]:
    """One signal each minute of a year."""
    time_ns = BEGIN_NS + np.arange(YEAR_MINUTES) * MINUTE_NS
    for part in np.array_split(time_ns, 50):
        one = np.zeros(len(part), np.int32)
        yield from_columns(("year",), ("gas_pressure",), part, one, one, np.sin(part / 1e13), part)


def told(what: str, rows: int, times_s: list[float]) -> None:
    """Print one figure: rows each run, its median and least time."""
    median, least = float(np.median(times_s)), min(times_s)
    rate = f"{rows / median:12,.0f} rows/s" if rows else " " * 19
    print(
        f"{what:44} {rate}  median {median * 1e3:8.2f} ms  least {least * 1e3:8.2f} ms  of {len(times_s)}", flush=True
    )


def timed(work: Callable[[], object], runs: int) -> list[float]:
    """How long some runs take, s each."""
    times_s = []
    for _ in range(runs):
        begin = perf_counter()
        work()
        times_s.append(perf_counter() - begin)
    return times_s


def measure(place: Path) -> None:
    """Print all figures."""
    store = EmbeddedReadings(place)
    for run, (units, moments) in enumerate(((500, 5), (500, 3), (100, 25), (20, 125))):
        batches = [fleet_batch(run * 100_000 + number, units, moments) for number in range(60)]
        rows = len(batches[0])
        times_s = [timed(lambda batch=batch: store.append(batch), 1)[0] for batch in batches]
        told(f"append {rows:,} rows of {units} units", rows, times_s)
        told("  the same once more", rows, [timed(lambda batch=batch: store.append(batch), 1)[0] for batch in batches])
    everything = {"units": UNITS, "signals": SIGNALS, "from_ns": 0, "to_ns": 2**62}
    told("read all", len(store.read(**everything)), timed(lambda: store.read(**everything), 3))
    newest = store.newest(UNITS, SIGNALS)
    told("newest of 500 units x 4 signals", 0, timed(lambda: store.newest(UNITS, SIGNALS), 10))
    frontier = {
        (UNITS[unit], SIGNALS[signal]): time - MINUTE_NS
        for unit, signal, time in zip(newest.unit, newest.signal, newest.time_ns.tolist(), strict=True)
    }
    told("after a frontier of 2,000 tracks", 0, timed(lambda: store.after(frontier, UNITS, SIGNALS), 10))
    for batch in year_batches():
        store.append(batch)
    year = {"unit": "year", "signal": "gas_pressure", "from_ns": BEGIN_NS, "to_ns": BEGIN_NS + YEAR_MINUTES * MINUTE_NS}
    told("a year of minutes to 1,000 points", 0, timed(lambda: store.downsampled(**year, points=1_000), 10))
    store.close()
    operations = SqlOperations(place / FILE_NAME)
    moments_ns = iter(range(BEGIN_NS, BEGIN_NS + 10_000))
    told(
        "record_assessment, nothing found",
        0,
        timed(lambda: operations.record_assessment([], next(moments_ns), list), 300),
    )
    operations.close()


if __name__ == "__main__":
    folder = Path(tempfile.mkdtemp(prefix="stillready-measure-"))
    print(f"{sys.version.split()[0]}, in {folder}")
    try:
        measure(folder)
    finally:
        shutil.rmtree(folder)
