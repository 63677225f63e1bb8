"""The history of a fleet, a unit at a time: whatever files and rows come in whatever order, the same comes out.

In: paths, a fleet. Out: batches of one unit; what was set aside. All files are read once; more rows than fit in memory
wait in a temporary folder, a file a unit. May import: numpy, monitor.fleet, monitor.history. Touches the files it is
given and that folder.
"""

import shutil
import tempfile
import weakref
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from monitor.acquisition.quarantine import Reason, SetAside
from monitor.batch import Batch, Bool, Int64
from monitor.fleet import Fleet
from monitor.history.aside import Aside
from monitor.history.checking import ROW, Checked, checked, expected_of
from monitor.history.files import HistoryFile, Portion, UnreadableHistory, history_files
from monitor.history.wording import as_csv, same_moment
from monitor.times import MINUTE_NS

Progress = Callable[[int, int], None]
"""Told how much of how much is done."""

ROWS_HELD_MAX = 12_000_000  # some 400 MB; beyond that rows wait in files
CLOCK_TOLERANCE_NS = 5 * MINUTE_NS  # the default of the setting clock_tolerance
RAGGED = "This row has not as many fields as the first line names. Write it again, quoting fields that hold a comma."
FILE_BITS = 40  # of an origin: rows of one file; the file's number stands above them


def no_progress(_done: int, _of: int) -> None:
    """Nobody wants to know."""


class History:
    """Readings of some files, checked against a fleet. Close it, or use it as a context, to be rid of its folder."""

    def __init__(
        self,
        paths: Sequence[Path],
        fleet: Fleet,
        *,
        at_ns: int = 0,
        clock_tolerance_ns: int = CLOCK_TOLERANCE_NS,
        rows_held_max: int = ROWS_HELD_MAX,
        progress: Progress = no_progress,
    ) -> None:
        """Read and check all files.

        Args:
            paths: files, and folders with all .parquet and .csv below them.
            at_ns: the present; what is set aside bears it. 0 where nobody will ask.
            clock_tolerance_ns: how far a reading's time may lie after the moment it was received.
            rows_held_max: rows kept in memory before they go to a temporary folder.
            progress: told bytes read of bytes.
        Raises:
            UnreadableHistory: a path, a file or its columns; all that is wrong, a line each.
        """
        self._fleet = fleet
        self._at_ns = at_ns
        self._files = history_files([Path(path) for path in paths])
        self._expected = expected_of(fleet, clock_tolerance_ns)
        self._held: dict[int, list[NDArray[np.void]]] = defaultdict(list)
        self._held_rows = 0
        self._rows_held_max = rows_held_max
        self._spilled: set[int] = set()
        self._folder = Path(tempfile.mkdtemp(prefix="stillready-history-"))
        self._remove = weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        self._aside = Aside(at_ns)
        self._conflicts: dict[str, list[SetAside]] = {}
        self._span: tuple[int, int] | None = None
        self._until_ns: int | None = None
        self.has_received = True
        self.rows = 0
        try:
            self._read_all(progress)
        except BaseException:
            self.close()
            raise

    def units(self) -> list[str]:
        """Units of which there are readings, in the fleet's order."""
        there = self._held.keys() | self._spilled
        return [name for index, name in enumerate(self._fleet.units) if index in there]

    def span_ns(self) -> tuple[int, int] | None:
        """Least and greatest time of all readings; None where there are none."""
        return self._span

    def until_ns(self) -> int | None:
        """How far arrivals are known: the greatest received (of what has none: time); None where there are none."""
        return self._until_ns

    def unit(self, name: str) -> Batch:
        """All readings of one unit, one a signal and time, sorted by (received, time, signal).

        Where one comes with two values, the first received stays, of those the smaller; the other is set aside. The
        batch counts into the fleet's names. A unit without readings gives an empty one.
        """
        return self.unit_with_origins(name)[0]

    def unit_with_origins(self, name: str) -> tuple[Batch, Int64]:
        """As unit, and the origin of each reading, int64 [n]: place_of says it in words."""
        index = self._expected.units[name]
        rows = self._rows(index)
        time, signal = rows["time"].copy(), rows["signal"].copy()  # fields apart from each other sort at half the speed
        order = np.lexsort((signal, time))
        first = _begins(time[order], signal[order])
        if first.all():
            self._conflicts[name] = []
        else:
            order = np.lexsort((rows["origin"], rows["value"], rows["received"], signal, time))
            self._conflicts[name] = self._conflicts_of(name, rows[order], first)
            order = order[first]
        # Stable: at one moment of arrival, the order by time and signal stays.
        kept = rows[order[np.argsort(rows["received"][order], kind="stable")]]
        batch = Batch(
            self._fleet.unit_names,
            self._fleet.signal_names,
            kept["time"].copy(),
            np.full(len(kept), index, np.int32),
            kept["signal"].astype(np.int32),
            kept["value"].copy(),
            kept["received"].copy(),
        )
        return batch, kept["origin"].copy()

    def place_of(self, origin: int) -> tuple[str, str]:
        """File and row of an origin."""
        file, row = divmod(origin, 2**FILE_BITS)
        return str(self._files[file].path), f"row {row}"

    @property
    def set_aside(self) -> list[SetAside]:
        """What could not be read; of conflicts, those of the units asked for so far. Sorted by file and kind."""
        conflicts = [item for items in self._conflicts.values() for item in items]
        return sorted([*self._aside.items(), *conflicts], key=lambda item: (item.source, item.reason, item.unit))

    def close(self) -> None:
        """Remove the temporary folder and let go of all rows."""
        self._held.clear()
        self._remove()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read_all(self, progress: Progress) -> None:
        of_bytes = sum(file.size_bytes for file in self._files)
        before = 0
        for number, file in enumerate(self._files):
            for portion in file.portions():
                judged = checked(portion, self._expected, number * 2**FILE_BITS + portion.row)
                self._put_aside(file, portion, judged)
                self._hold(judged)
                progress(before + portion.bytes_read, of_bytes)
            before += file.size_bytes

    def _put_aside(self, file: HistoryFile, portion: Portion, judged: Checked) -> None:
        for number, text in portion.ragged:
            self._aside.put(str(file.path), Reason.UNREADABLE, f"row {number}", RAGGED, text.encode("utf-8", "replace"))
        for wrong in judged.wrong:
            positions = np.flatnonzero(wrong.rows).tolist()
            named = positions[: self._aside.room(str(file.path), wrong.reason)]
            for position in named:
                place = f"row {portion.row[position]}"
                unit = int(judged.unit_of_all[position])
                self._aside.put(
                    str(file.path),
                    wrong.reason,
                    place,
                    wrong.sentence(position),
                    as_csv(portion, position),
                    unit=self._fleet.unit_names[unit] if unit >= 0 else "",
                )
            self._aside.count(str(file.path), wrong.reason, len(positions) - len(named))

    def _hold(self, judged: Checked) -> None:
        """Put readings with those of their unit."""
        self.has_received &= judged.with_received
        if not len(judged.rows):
            return
        self.rows += len(judged.rows)
        time, received = judged.rows["time"], judged.rows["received"]
        least, greatest = self._span or (time[0], time[0])
        self._span = (min(int(least), int(time.min())), max(int(greatest), int(time.max())))
        self._until_ns = max(self._until_ns if self._until_ns is not None else int(received[0]), int(received.max()))
        order = np.argsort(judged.unit, kind="stable")
        unit, rows = judged.unit[order], judged.rows[order]
        begins = np.flatnonzero(np.diff(unit, prepend=-1))
        for begin, end in zip(begins, [*begins[1:], len(unit)], strict=True):
            self._held[int(unit[begin])].append(rows[begin:end])
        self._held_rows += len(rows)
        if self._held_rows > self._rows_held_max:
            self._spill()

    def _spill(self) -> None:
        """Let the rows held wait in files."""
        try:
            for index, parts in self._held.items():
                with self._spill_file(index).open("ab") as file:
                    for part in parts:
                        file.write(part.tobytes())
                self._spilled.add(index)
        except OSError as error:
            raise UnreadableHistory(
                f"{self._folder}: no room for what does not fit in memory ({error.strerror}), {ROW.itemsize} bytes a "
                "reading. Free some space, or name another folder in the variable TMPDIR."
            ) from error
        self._held.clear()
        self._held_rows = 0

    def _rows(self, index: int) -> NDArray[np.void]:
        """All rows of a unit, in the order in which they were read."""
        parts = [np.fromfile(self._spill_file(index), ROW)] if index in self._spilled else []
        return np.concatenate([np.empty(0, ROW), *parts, *self._held.get(index, ())])

    def _spill_file(self, index: int) -> Path:
        return self._folder / f"{index}.rows"

    def _conflicts_of(self, unit: str, rows: NDArray[np.void], first: Bool) -> list[SetAside]:
        """Rows with another value than the one that stays. rows: sorted, first: which of them stay."""
        stays = rows[first][np.cumsum(first) - 1]  # for each row, the one that stays for its moment
        other = np.flatnonzero(rows["value"] != stays["value"])
        other = other[np.argsort(rows["origin"][other], kind="stable")]
        aside = Aside(self._at_ns)
        for row, kept in zip(rows[other], stays[other], strict=True):
            source, place = self.place_of(int(row["origin"]))
            if not aside.room(source, Reason.CONFLICT):
                aside.count(source, Reason.CONFLICT, 1, unit=unit)
                continue
            signal = self._fleet.signals[int(row["signal"])]
            where = " ".join(("in", *self.place_of(int(kept["origin"]))))
            text = same_moment(
                signal, unit, int(row["time"]), here=float(row["value"]), kept=float(kept["value"]), where=where
            )
            aside.put(source, Reason.CONFLICT, place, text, unit=unit)
        return aside.items()


def _begins(time: Int64, signal: NDArray[np.int16]) -> Bool:
    """Where in a sorted column another moment or signal begins."""
    begins = np.ones(len(time), np.bool_)
    begins[1:] = (time[1:] != time[:-1]) | (signal[1:] != signal[:-1])
    return begins
