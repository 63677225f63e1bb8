"""History into a store and out of it.

In: paths, a fleet, stores. Out: readings in the store, files. May import: numpy, pyarrow, monitor.stores,
monitor.history. Touches the stores it is handed and the folder it writes to.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from monitor.acquisition.quarantine import Reason
from monitor.batch import Batch, Int64
from monitor.fleet import Fleet
from monitor.history.aside import Aside
from monitor.history.gathering import CLOCK_TOLERANCE_NS, History, Progress, no_progress
from monitor.stores.protocols import Operations, ReadingStore
from monitor.times import to_rfc3339

ROWS_A_COMMIT = 20_000  # an append of so many takes some 50 ms; live readings come in between
ITEMS_A_COMMIT = 1_000
ROWS_A_PAGE = 500_000  # some 20 MB; one row group of the file
TIME_NS_BEGIN, TIME_NS_END = -(2**63), 2**63 - 1  # all times

SCHEMA = pa.schema(
    [
        pa.field("time", pa.timestamp("ns", "UTC"), nullable=False),
        pa.field("unit", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("signal", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
        pa.field("received", pa.timestamp("ns", "UTC"), nullable=False),
    ]
)


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did. readings: that the files held, one a unit, signal and time. fresh: that were not there yet.
    set_aside: rows that could not be read or contradict another."""

    readings: int
    fresh: int
    set_aside: int


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export wrote."""

    files: tuple[Path, ...]
    readings: int


def import_history(
    paths: Sequence[Path],
    fleet: Fleet,
    store: ReadingStore,
    operations: Operations,
    *,
    at_ns: int,
    clock_tolerance_ns: int = CLOCK_TOLERANCE_NS,
    progress: Progress = no_progress,
) -> Imported:
    """Bring files into a store. Done again, or broken off and done again, it changes nothing more.

    Args:
        at_ns: the present, which what is set aside bears. progress: told readings stored of readings.
    Raises:
        UnreadableHistory: a path, a file or its columns; nothing was stored.
        StoreUnavailable: some was stored; import again.
    """
    fresh = done = 0
    contradicting = Aside(at_ns)
    with History(paths, fleet, at_ns=at_ns, clock_tolerance_ns=clock_tolerance_ns) as history:
        for name in history.units():
            batch, origin = history.unit_with_origins(name)
            for begin in range(0, len(batch), ROWS_A_COMMIT):
                part = np.arange(begin, min(begin + ROWS_A_COMMIT, len(batch)))
                appended = store.append(batch.where(part))
                fresh += int(appended.fresh.sum())
                other = part[appended.conflict]
                _name_contradicting(contradicting, history, batch.where(other), origin[other])
                progress(done + int(part[-1]) + 1, history.rows)
            done += len(batch)
        progress(history.rows, history.rows)  # repeats within the files were no readings of their own
        aside = [*history.set_aside, *contradicting.items()]
    for begin in range(0, len(aside), ITEMS_A_COMMIT):
        operations.set_aside(aside[begin : begin + ITEMS_A_COMMIT])
    return Imported(done, fresh, sum(item.times for item in aside))


def export_history(
    store: ReadingStore,
    out: Path,
    *,
    units: Sequence[str] | None = None,
    from_ns: int | None = None,
    to_ns: int | None = None,
    progress: Progress = no_progress,
) -> Exported:
    """Write readings with from_ns <= time < to_ns, one Parquet file a unit, sorted by (signal, time).

    A file is there whole or not at all; one of the same name is replaced. The same readings give the same bytes.

    Args:
        units: None: all that the store has. A unit without readings in the span gets no file.
        progress: told units done of units.
    Raises:
        StoreUnavailable: the store cannot be read.
        OSError: the folder cannot be written.
    """
    tracks = store.tracks()
    wanted = sorted({unit for unit, _ in tracks} if units is None else set(units))
    out.mkdir(parents=True, exist_ok=True)
    files: list[Path] = []
    readings = 0
    for done, unit in enumerate(wanted, start=1):
        pages = store.pages(
            units=(unit,),
            signals=tuple(signal for each, signal in tracks if each == unit),
            from_ns=TIME_NS_BEGIN if from_ns is None else from_ns,
            to_ns=TIME_NS_END if to_ns is None else to_ns,
            rows_max=ROWS_A_PAGE,
        )
        count = _write(out / f"{unit}.parquet", pages)
        readings += count
        if count:
            files.append(out / f"{unit}.parquet")
        progress(done, len(wanted))
    return Exported(tuple(files), readings)


def _name_contradicting(aside: Aside, history: History, batch: Batch, origin: Int64) -> None:
    """Set aside readings for which the store has another value."""
    for row, where in enumerate(origin.tolist()):
        source, place = history.place_of(where)
        unit, signal = batch.units[batch.unit[row]], batch.signals[batch.signal[row]]
        text = (
            f"{signal} of {unit} at {to_rfc3339(int(batch.time_ns[row]))} is {float(batch.value[row])} here; "
            "the store has another value, which stays. Correct the wrong one."
        )
        aside.put(source, Reason.CONFLICT, place, text, unit=unit)


def _write(path: Path, pages: Iterator[Batch]) -> int:
    """Write pages to a file, whole or not at all; how many readings they held. No readings, no file."""
    first = next(pages, None)
    if first is None:
        return 0
    count = 0
    draft = path.with_name(f".{path.name}.draft")
    try:
        with draft.open("wb") as file:
            with _writer(file) as writer:
                for page in chain((first,), pages):
                    writer.write_table(_table(page))
                    count += len(page)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
        _sync_folder(path.parent)
    finally:
        draft.unlink(missing_ok=True)
    return count


def _writer(file: BinaryIO) -> pq.ParquetWriter:
    # Times grow steadily, so their differences are small numbers; names repeat, and so do rounded values.
    return pq.ParquetWriter(
        file,
        SCHEMA,
        compression="zstd",
        compression_level=9,
        use_dictionary=["unit", "signal", "value"],
        column_encoding={"time": "DELTA_BINARY_PACKED", "received": "DELTA_BINARY_PACKED"},
    )


def _table(page: Batch) -> pa.Table:
    columns = [
        pa.array(page.time_ns, pa.timestamp("ns", "UTC")),
        pa.DictionaryArray.from_arrays(pa.array(page.unit), pa.array(page.units, pa.string())),
        pa.DictionaryArray.from_arrays(pa.array(page.signal), pa.array(page.signals, pa.string())),
        pa.array(page.value),
        pa.array(page.received_ns, pa.timestamp("ns", "UTC")),
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


def _sync_folder(folder: Path) -> None:
    """Bring a rename to the disk."""
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
