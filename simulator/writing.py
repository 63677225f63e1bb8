"""A simulation on disk: history in the contract's form, the fleet file, the truth.

In: readings as columns, day after day; lines of truth. Out: readings/UNIT/YEAR-MONTH.parquet, fleet.toml, truth.jsonl,
written as it goes. May import: numpy, pyarrow, simulator. Touches the folder it is given.

Within a file rows stand in the order in which they were received. The same readings give the same bytes.
"""

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from simulator.chance import SECOND_NS, Float64, Int64
from simulator.gateways import SIGNALS
from simulator.telemetry import Int32, Readings

ROWS_A_GROUP = 20_000  # a unit gathers them before they are written: 3.5 days at one minute, 0.7 MB a unit


def _schema() -> pa.Schema:
    time = pa.timestamp("ns", tz="UTC")
    columns = {"time": time, "unit": pa.string(), "signal": pa.string(), "value": pa.float64(), "received": time}
    return pa.schema([pa.field(name, kind, nullable=False) for name, kind in columns.items()])


class History:
    """Parquet files of one unit and month each, open while their month lasts."""

    def __init__(self, folder: Path, unit_ids: Sequence[str]) -> None:
        self.folder = folder
        self.unit_ids = tuple(unit_ids)
        self.rows = 0
        self._month = ""
        self._files: dict[int, pq.ParquetWriter] = {}
        self._waiting: dict[int, list[tuple[Int64, Int32, Float64, Int64]]] = {}
        self._waiting_rows: dict[int, int] = {}
        self._signals = pa.array(SIGNALS, pa.string())

    def add(self, readings: Readings, *, day_ns: int) -> None:
        """Take in what was received on a day, sorted by the time it was received.

        Args:
            day_ns: a time of that day; its month names the file.
        """
        month = datetime.fromtimestamp(day_ns // SECOND_NS, UTC).strftime("%Y-%m")
        if month != self._month:
            self.close()
            self._month = month
        order = np.argsort(readings.unit.astype(np.int16), kind="stable")  # a sort by digits
        ends = np.searchsorted(readings.unit[order], np.arange(len(self.unit_ids) + 1))
        time_ns, signal = readings.time_ns[order], readings.signal[order]
        value, received_ns = readings.value[order], readings.received_ns[order]
        for unit, (begin, end) in enumerate(zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)):
            if begin == end:
                continue
            part = slice(begin, end)
            self._waiting.setdefault(unit, []).append((time_ns[part], signal[part], value[part], received_ns[part]))
            self._waiting_rows[unit] = self._waiting_rows.get(unit, 0) + end - begin
            if self._waiting_rows[unit] >= ROWS_A_GROUP:
                self._write(unit)
        self.rows += len(order)

    def close(self) -> None:
        """Write what waits, and close the files of the month."""
        for unit in sorted(self._waiting):
            self._write(unit)
        for file in self._files.values():
            file.close()
        self._files.clear()

    def _write(self, unit: int) -> None:
        parts = self._waiting.pop(unit)
        rows = self._waiting_rows.pop(unit)
        time_ns, signal, value, received_ns = (np.concatenate(column) for column in zip(*parts, strict=True))
        stamp = pa.timestamp("ns", tz="UTC")
        names = pa.DictionaryArray.from_arrays(pa.array(signal.astype(np.int8)), self._signals)
        unit_name = pa.DictionaryArray.from_arrays(
            pa.array(np.zeros(rows, np.int8)), pa.array([self.unit_ids[unit]], pa.string())
        )
        table = pa.table(
            [
                pa.array(time_ns, stamp),
                unit_name.cast(pa.string()),
                names.cast(pa.string()),
                pa.array(value, pa.float64()),
                pa.array(received_ns, stamp),
            ],
            schema=_schema(),
        )
        file = self._files.get(unit)
        if file is None:
            path = self.folder / self.unit_ids[unit] / f"{self._month}.parquet"
            path.parent.mkdir(parents=True, exist_ok=True)
            file = self._files[unit] = pq.ParquetWriter(
                path,
                _schema(),
                compression="zstd",
                use_dictionary=["unit", "signal", "value"],
                column_encoding={"time": "DELTA_BINARY_PACKED", "received": "DELTA_BINARY_PACKED"},
                write_statistics=["time"],
            )
        file.write_table(table, row_group_size=ROWS_A_GROUP * 4)


def write_lines(path: Path, lines: Iterable[tuple[int, dict[str, object]]]) -> int:
    """Write records, one JSON object a line, by their time.

    Args:
        path: of the file. lines: each with its time, ns UTC.
    Returns: how many.
    """
    texts = [(at_ns, json.dumps(record, separators=(",", ":"), ensure_ascii=False)) for at_ns, record in lines]
    texts.sort()
    path.write_text("".join(f"{text}\n" for _, text in texts), "utf-8")
    return len(texts)
