"""Files of history: which there are, and their columns in portions that fit in memory.

In: paths of files and folders. Out: portions of Arrow columns with the numbers of their rows. May import: pyarrow,
monitor.acquisition. Touches the files it is given, to read them.
"""

import csv
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from monitor.acquisition.faults import quoted
from monitor.batch import Int64

NEEDED = ("time", "unit", "signal", "value")
OPTIONAL = ("received",)
PORTION_ROWS = 1_000_000  # some 50 MB; more gains nothing
CSV_BLOCK_BYTES = 16 * 2**20
RAGGED_ROWS_MAX = 10_000  # rows with another number of fields than the header, in one file; more is no table
HEADER_BYTES_MAX = 65_536
FILES_MAX = 1_000_000


class UnreadableHistory(ValueError):
    """Files that cannot be read at all: a line each, what is there, what was expected, what to do."""


@dataclass(frozen=True, slots=True)
class Portion:
    """Some rows of one file.

    columns: Arrow arrays by name, those of NEEDED and perhaps OPTIONAL. row: number of each row in its file, int64 [n];
    in Parquet the first is 1, in CSV the header is 1, as a spreadsheet counts. ragged: number and text of rows that
    have not as many fields as the header. bytes_read: how far into the file this is.
    """

    columns: dict[str, Any]
    row: Int64
    ragged: tuple[tuple[int, str], ...]
    bytes_read: int


@dataclass(frozen=True, slots=True)
class HistoryFile:
    """A file that could be opened and has the columns needed."""

    path: Path
    size_bytes: int

    @property
    def is_csv(self) -> bool:
        """Whether it is CSV; else it is Parquet."""
        return self.path.suffix.lower() == ".csv"

    def portions(self) -> Iterator[Portion]:
        """All rows, in the order of the file.

        Raises:
            UnreadableHistory: the file breaks off or is damaged.
        """
        try:
            yield from _csv_portions(self) if self.is_csv else _parquet_portions(self)
        except (pa.ArrowException, OSError) as error:
            kind = "CSV" if self.is_csv else "Parquet"
            raise UnreadableHistory(
                f"{self.path}: it cannot be read to its end as {kind} ({_first_line(error)}). Copy or write it again."
            ) from error


def history_files(paths: Sequence[Path]) -> list[HistoryFile]:
    """The files that paths name, and all .parquet and .csv below those that are folders; sorted, each once.

    Raises:
        UnreadableHistory: what is wrong with them, a line each.
    """
    files: dict[Path, HistoryFile] = {}
    faults: list[str] = []
    for path in _found(paths, faults):
        try:
            _check_columns(path)
            files[path.resolve()] = HistoryFile(path, path.stat().st_size)
        except UnreadableHistory as fault:
            faults.append(str(fault))
    if not paths:
        faults.append("No file or folder of history is given. Name at least one.")
    if faults:
        raise UnreadableHistory("\n".join(faults))
    return sorted(files.values(), key=lambda file: str(file.path))


def _found(paths: Sequence[Path], faults: list[str]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        if not path.exists():
            faults.append(f"{path}: there is no such file or folder.")
        elif path.is_dir():
            below = sorted(each for each in path.rglob("*") if each.suffix.lower() in (".parquet", ".csv"))
            if not below:
                faults.append(f"{path}: this folder holds no .parquet and no .csv file.")
            found += [each for each in below if each.is_file()]
        elif path.suffix.lower() in (".parquet", ".csv"):
            found.append(path)
        else:
            faults.append(f"{path}: its name ends neither in .parquet nor in .csv. Rename or convert it.")
    if len(found) > FILES_MAX:
        faults.append(f"{len(found)} files are more than {FILES_MAX}. Give some of them at a time.")
        return []
    return found


def _check_columns(path: Path) -> None:
    names = _csv_header(path) if path.suffix.lower() == ".csv" else _parquet_names(path)
    missing = [name for name in NEEDED if name not in names]
    if missing:
        there = ", ".join(quoted(name) for name in names[:20]) or "none"
        raise UnreadableHistory(
            f"{path}: the columns {', '.join(missing)} are missing; there are {there}. "
            f"History is one reading a row, with the columns {', '.join(NEEDED)} and, where known, received."
        )


def _csv_header(path: Path) -> list[str]:
    try:
        with path.open("rb") as file:
            line = file.readline(HEADER_BYTES_MAX)
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableHistory(f"{path}: its first line is no UTF-8 text. Save it as CSV in UTF-8.") from None
    except OSError as error:
        raise UnreadableHistory(f"{path}: it cannot be opened ({error.strerror}).") from error
    if not text.strip():
        raise UnreadableHistory(f"{path}: it is empty or begins with an empty line. The first line names the columns.")
    return next(csv.reader([text.rstrip("\r\n")]))


def _parquet_names(path: Path) -> list[str]:
    try:
        schema = pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise UnreadableHistory(f"{path}: it is no Parquet file ({_first_line(error)}).") from error
    for name in (*NEEDED, *OPTIONAL):
        if name in schema.names and not _is_readable(name, schema.field(name).type):
            raise UnreadableHistory(
                f"{path}: the column {name} is of type {schema.field(name).type}; expected was {EXPECTED[name]}."
            )
    return list(schema.names)


EXPECTED = {
    "time": "a timestamp with a zone",
    "received": "a timestamp with a zone",
    "unit": "text",
    "signal": "text",
    "value": "a number",
}


def _is_readable(name: str, kind: Any) -> bool:
    words = kind.value_type if pa.types.is_dictionary(kind) else kind
    is_text = pa.types.is_string(words) or pa.types.is_large_string(words)
    if name in ("unit", "signal"):
        return bool(is_text)
    if name == "value":
        number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
        return bool(is_text or number or pa.types.is_boolean(kind))
    return bool(is_text or pa.types.is_timestamp(kind))


def _parquet_portions(file: HistoryFile) -> Iterator[Portion]:
    with pq.ParquetFile(file.path) as table:
        names = [name for name in (*NEEDED, *OPTIONAL) if name in table.schema_arrow.names]
        count = max(table.metadata.num_rows, 1)
        first = 1
        for part in table.iter_batches(PORTION_ROWS, columns=names):
            row = np.arange(first, first + part.num_rows)
            first += part.num_rows
            part.validate(full=True)  # Parquet does not check that a text is UTF-8
            columns = {name: part.column(name) for name in names}
            yield Portion(columns, row, (), file.size_bytes * (first - 1) // count)


def _csv_portions(file: HistoryFile) -> Iterator[Portion]:
    names = [name for name in (*NEEDED, *OPTIONAL) if name in _csv_header(file.path)]
    ragged = _Ragged(file.path)
    with file.path.open("rb") as source, closing(_csv_reader(source, names, ragged)) as reader:
        position = 1  # of the header
        for part in reader:
            row = ragged.numbers_after(position, part.num_rows)
            position = int(row[-1]) if len(row) else position
            yield Portion({name: part.column(name) for name in names}, row, ragged.take(), source.tell())
        yield Portion({name: pa.array([], pa.string()) for name in names}, np.arange(0), ragged.take(), source.tell())


def _csv_reader(source: Any, names: list[str], ragged: "_Ragged") -> Any:
    return pyarrow.csv.open_csv(
        source,
        read_options=pyarrow.csv.ReadOptions(block_size=CSV_BLOCK_BYTES, use_threads=False),  # or rows have no number
        parse_options=pyarrow.csv.ParseOptions(newlines_in_values=True, invalid_row_handler=ragged),
        # All as text: one word among the numbers must cost its own row, not the file.
        convert_options=pyarrow.csv.ConvertOptions(
            include_columns=names, column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
        ),
    )


class _Ragged:
    """Rows that the CSV reader leaves out because they have not as many fields as the header."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._numbers: list[int] = []
        self._fresh: list[tuple[int, str]] = []
        self._expected = 0

    def __call__(self, row: Any) -> str:
        """Leave a row out, and note it. Arrow drops an exception raised here; take raises it instead."""
        self._expected = row.expected_columns
        if len(self._numbers) <= RAGGED_ROWS_MAX:
            self._numbers.append(row.number)
            self._fresh.append((row.number, row.text))
        return "skip"

    def numbers_after(self, position: int, count: int) -> Int64:
        """Numbers of the next rows after a position, those left out not counted."""
        candidates = np.arange(position + 1, position + 1 + count + len(self._numbers))
        return candidates[~np.isin(candidates, self._numbers)][:count]

    def take(self) -> tuple[tuple[int, str], ...]:
        """What was left out since the last call."""
        if len(self._numbers) > RAGGED_ROWS_MAX:
            raise UnreadableHistory(
                f"{self._path}: more than {RAGGED_ROWS_MAX} rows have not the {self._expected} fields that its first "
                "line names. It is no table of readings; write it again, quoting fields that hold a comma."
            )
        fresh, self._fresh = tuple(self._fresh), []
        return fresh


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or ["no reason given"])[0].rstrip(".")[:200]
