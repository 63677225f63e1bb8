"""The embedded store: all readings in one SQLite file, with nothing to install or look after.

In: reading batches. Out: reading batches, and columns for the screen. May import: numpy, sqlite3, monitor.batch,
monitor.stores. Touches one file in the folder it is given.

A track is one signal of one unit; its readings lie together, in the order of their times, so that what is asked for
(a span of a track) is one stretch of the file. A reading takes some 35 bytes. Sketch for 500 units with 4 signals each
5 s: 400 rows and one commit a second; 10 000 units: 8 000 rows a second, a fiftieth of what one core appends.
"""

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.batch import Batch, Bool, Float64, Int64, concat, empty
from monitor.stores.protocols import Appended, Columns, Pair
from monitor.stores.sqlite_file import BUSY_TIMEOUT_S, SqliteFile

FILE_NAME = "readings.sqlite"

# STRICT: a NumPy integer that slipped through would otherwise be kept as a blob, without an error.
TABLES = (
    "CREATE TABLE IF NOT EXISTS track"
    " (id INTEGER PRIMARY KEY, unit TEXT NOT NULL, signal TEXT NOT NULL, UNIQUE (unit, signal)) STRICT",
    "CREATE TABLE IF NOT EXISTS reading"
    " (track INTEGER NOT NULL, time INTEGER NOT NULL, value REAL NOT NULL, received INTEGER NOT NULL,"
    " PRIMARY KEY (track, time)) STRICT, WITHOUT ROWID",
)
INSERT = "INSERT OR IGNORE INTO reading (track, time, value, received) VALUES (?, ?, ?, ?)"
ROWS_A_STATEMENT = 250  # a step of a statement gives up Python's lock: one for many rows, not one for each
INSERT_MANY = INSERT + ", (?, ?, ?, ?)" * (ROWS_A_STATEMENT - 1)
KEPT = (
    "SELECT asked.key, reading.value FROM json_each(?) AS asked CROSS JOIN reading"
    " WHERE reading.track = json_extract(asked.value, '$[0]') AND reading.time = json_extract(asked.value, '$[1]')"
)
SPAN = "SELECT time, value, received FROM reading WHERE track = ? AND time >= ? AND time < ? ORDER BY time"
FIRST_OF_SPAN = f"{SPAN} LIMIT ?"
NEWER = "SELECT time, value, received FROM reading WHERE track = ? AND time > ? ORDER BY time"
NEWEST = "SELECT time, value, received FROM reading WHERE track = ? ORDER BY time DESC LIMIT 1"
CELL = "SELECT min(value), avg(value), max(value) FROM reading WHERE track = ? AND time >= ? AND time < ?"
EXTENT = (
    "SELECT min(first), max(last) FROM (SELECT"
    " (SELECT min(time) FROM reading WHERE track = track.id) AS first,"
    " (SELECT max(time) FROM reading WHERE track = track.id) AS last FROM track)"
)
WITH_READINGS = (
    "SELECT unit, signal FROM track WHERE EXISTS (SELECT 1 FROM reading WHERE reading.track = track.id)"
    " ORDER BY unit, signal"
)

Numbers = tuple[tuple[str, ...], tuple[str, ...], Int64]
"""Names of units and signals, and the track of each pair of them, 0: not known yet; int64 [unit * signals + signal]."""

ROW = np.dtype([("time", np.int64), ("value", np.float64), ("received", np.int64)])
TIME_NS_LEAST = -(2**63)


class EmbeddedReadings:
    """ReadingStore on one SQLite file."""

    def __init__(self, directory: Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        """Open the store of a folder, or make both.

        Args:
            busy_timeout_s: how long to wait for another program that holds the file, s.
        Raises:
            StoreUnavailable: the folder or the file cannot be used.
        """
        self._file = SqliteFile(directory / FILE_NAME, tables=TABLES, busy_timeout_s=busy_timeout_s)
        # Both are replaced as a whole, never changed: threads may read them.
        self._tracks: Mapping[Pair, int] = {}
        self._numbers: Numbers = ((), (), np.zeros(0, np.int64))

    def append(self, batch: Batch) -> Appended:
        """Keep a batch: durable on return, repeats change nothing. See ReadingStore."""
        assert bool(np.isfinite(batch.value).all()), "the doors let no NaN or infinity through"
        fresh = np.zeros(len(batch), np.bool_)
        conflict = np.zeros(len(batch), np.bool_)
        if not len(batch):
            return Appended(fresh, conflict)
        track = self._track_column(batch)
        order, first = _first_of_keys(track, batch)
        stays = order[first]
        with self._file.writing() as connection:
            kept, kept_value = _insert(connection, track[stays], batch.where(stays))
        fresh[stays] = ~kept
        group = np.cumsum(first) - 1
        conflict[order] = batch.value[order] != kept_value[group]
        return Appended(fresh, conflict)

    def read(self, *, units: Sequence[str], signals: Sequence[str], from_ns: int, to_ns: int) -> Batch:
        """Readings with from_ns <= time < to_ns, sorted by (unit, signal, time). See ReadingStore."""
        with self._file.reading() as connection:
            asked = self._asked(connection, units, signals)
            parts = [
                _part(units, signals, unit, signal, connection.execute(SPAN, (track, from_ns, to_ns)))
                for unit, signal, track in asked
            ]
        return concat([empty(units, signals), *parts])

    def pages(
        self, *, units: Sequence[str], signals: Sequence[str], from_ns: int, to_ns: int, rows_max: int
    ) -> Iterator[Batch]:
        """What read gives, in batches of at most rows_max. See ReadingStore."""
        assert rows_max > 0, "a page holds at least one row"
        with self._file.reading() as connection:
            asked = self._asked(connection, units, signals)
        page: list[Batch] = []
        room = rows_max
        for unit, signal, track in asked:
            begin_ns = from_ns
            while True:
                # A snapshot of its own for each page: one over all of them would keep the log from being cut.
                with self._file.reading() as connection:
                    rows = connection.execute(FIRST_OF_SPAN, (track, begin_ns, to_ns, room))
                    part = _part(units, signals, unit, signal, rows)
                asked_rows = room
                if len(part):
                    page.append(part)
                    room -= len(part)
                if not room:
                    yield concat(page)
                    page, room = [], rows_max
                if len(part) < asked_rows:
                    break
                begin_ns = int(part.time_ns[-1]) + 1
        if page:
            yield concat(page)

    def after(self, frontier: Mapping[Pair, int], units: Sequence[str], signals: Sequence[str]) -> Batch:
        """Readings newer than the frontier, sorted by (received, time, unit, signal). See ReadingStore."""
        with self._file.reading() as connection:
            parts = [empty(units, signals)]
            for unit, signal, track in self._asked(connection, units, signals):
                seen_ns = frontier.get((units[unit], signals[signal]), TIME_NS_LEAST)
                parts.append(_part(units, signals, unit, signal, connection.execute(NEWER, (track, seen_ns))))
        newer = concat(parts)
        return newer.where(np.lexsort((newer.signal, newer.unit, newer.time_ns, newer.received_ns)))

    def downsampled(self, *, unit: str, signal: str, from_ns: int, to_ns: int, points: int) -> Columns:
        """At most points cells over the span, or the raw readings. See ReadingStore."""
        assert points > 0, "a screen has at least one point"
        with self._file.reading() as connection:
            asked = self._asked(connection, (unit,), (signal,))
            if not asked or from_ns >= to_ns:
                return _columns([])
            track = asked[0][2]
            raw = np.fromiter(connection.execute(FIRST_OF_SPAN, (track, from_ns, to_ns, points + 1)), ROW)
            if len(raw) <= points:
                value = raw["value"].copy()
                return Columns(raw["time"].copy(), value, value, value)
            # A statement a cell: each is one walk along the key, 2.5 times as fast as one GROUP BY, which sorts.
            cell_ns = -(-(to_ns - from_ns) // points)
            cells = []
            for begin_ns in range(from_ns, to_ns, cell_ns):
                least, mean, greatest = connection.execute(
                    CELL, (track, begin_ns, min(begin_ns + cell_ns, to_ns))
                ).fetchone()
                if least is not None:
                    cells.append((begin_ns, least, mean, greatest))
        return _columns(cells)

    def newest(self, units: Sequence[str], signals: Sequence[str]) -> Batch:
        """The newest reading of every pair, where there is one."""
        with self._file.reading() as connection:
            parts = [
                _part(units, signals, unit, signal, connection.execute(NEWEST, (track,)))
                for unit, signal, track in self._asked(connection, units, signals)
            ]
        return concat([empty(units, signals), *parts])

    def span_ns(self) -> tuple[int, int] | None:
        """Least and greatest time in the store; None while it is empty."""
        with self._file.reading() as connection:
            first, last = connection.execute(EXTENT).fetchone()
        return None if first is None else (first, last)

    def tracks(self) -> list[Pair]:
        """Every (unit, signal) of which there are readings, sorted."""
        with self._file.reading() as connection:
            return list(connection.execute(WITH_READINGS))

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _track_column(self, batch: Batch) -> Int64:
        """Track of every row, int64 [n]; a fleet's batches count into the same names, looked up once."""
        wide = len(batch.signals)
        pair = batch.unit.astype(np.int64) * wide + batch.signal
        units, signals, number = self._numbers
        if units != batch.units or signals != batch.signals:
            number = np.zeros(len(batch.units) * wide, np.int64)
        track: Int64 = number[pair]
        unknown = np.unique(pair[track == 0]).tolist()  # tracks count from 1
        if unknown:
            names = {one: (batch.units[one // wide], batch.signals[one % wide]) for one in unknown}
            tracks = self._tracks_with(list(names.values()))
            number = number.copy()
            for one, name in names.items():
                number[one] = tracks[name]
            track = number[pair]
        self._numbers = (batch.units, batch.signals, number)
        return track

    def _tracks_with(self, pairs: Sequence[Pair]) -> Mapping[Pair, int]:
        """Numbers of all tracks, those of pairs among them: what is new gets one, for good."""
        if not all(pair in self._tracks for pair in pairs):
            with self._file.writing() as connection:
                connection.executemany("INSERT OR IGNORE INTO track (unit, signal) VALUES (?, ?)", pairs)
                tracks = _all_tracks(connection)
            self._tracks = tracks
        return self._tracks

    def _asked(
        self, connection: sqlite3.Connection, units: Sequence[str], signals: Sequence[str]
    ) -> list[tuple[int, int, int]]:
        """Index of unit, index of signal and track of every pair asked for that the store knows, in that order."""
        (greatest,) = connection.execute("SELECT coalesce(max(id), 0) FROM track").fetchone()
        if greatest != len(self._tracks):  # ids count from 1 without gaps; another process may write too
            self._tracks = _all_tracks(connection)
        tracks = self._tracks
        return [
            (unit, signal, tracks[unit_name, signal_name])
            for unit, unit_name in enumerate(units)
            for signal, signal_name in enumerate(signals)
            if (unit_name, signal_name) in tracks
        ]


def _all_tracks(connection: sqlite3.Connection) -> Mapping[Pair, int]:
    return {(unit, signal): track for track, unit, signal in connection.execute("SELECT id, unit, signal FROM track")}


def _first_of_keys(track: Int64, batch: Batch) -> tuple[NDArray[np.intp], Bool]:
    """An order of the rows by (track, time), and which of them, in that order, stays of each key.

    Where a key comes twice, the first received stays, of those the least value.
    """
    order = np.lexsort((batch.time_ns, track))
    first = _begins_key(track[order], batch.time_ns[order])
    if not first.all():
        order = np.lexsort((batch.value, batch.received_ns, batch.time_ns, track))
    return order, first


def _begins_key(track: Int64, time_ns: Int64) -> Bool:
    begins = np.ones(len(track), np.bool_)
    begins[1:] = (track[1:] != track[:-1]) | (time_ns[1:] != time_ns[:-1])
    return begins


def _insert(connection: sqlite3.Connection, track: Int64, batch: Batch) -> tuple[Bool, Float64]:
    """Insert rows of different keys, sorted by key: which were there before, and the value that is kept of each."""
    before = connection.total_changes
    _put(connection, track, batch)
    if connection.total_changes - before == len(track):
        return np.zeros(len(track), np.bool_), batch.value
    # Some were there; which ones can no longer be seen, so once more from the beginning. Not by a savepoint: keeping
    # one costs every batch a third of its speed.
    connection.execute("ROLLBACK")
    connection.execute("BEGIN IMMEDIATE")
    kept = np.zeros(len(track), np.bool_)
    value = batch.value.copy()
    asked = json.dumps(list(zip(track.tolist(), batch.time_ns.tolist(), strict=True)))
    for position, kept_value in connection.execute(KEPT, (asked,)):
        kept[position] = True
        value[position] = kept_value
    _put(connection, track[~kept], batch.where(~kept))
    return kept, value


def _put(connection: sqlite3.Connection, track: Int64, batch: Batch) -> None:
    """Insert rows, many a statement; those whose key is there are ignored."""
    columns = [column.tolist() for column in (track, batch.time_ns, batch.value, batch.received_ns)]
    numbers = list(chain.from_iterable(zip(*columns, strict=True)))
    whole = len(track) // ROWS_A_STATEMENT * ROWS_A_STATEMENT
    for begin in range(0, whole * len(columns), ROWS_A_STATEMENT * len(columns)):
        connection.execute(INSERT_MANY, numbers[begin : begin + ROWS_A_STATEMENT * len(columns)])
    connection.executemany(INSERT, zip(*(column[whole:] for column in columns), strict=True))


def _part(units: Sequence[str], signals: Sequence[str], unit: int, signal: int, rows: sqlite3.Cursor) -> Batch:
    """The rows of one track as a batch."""
    found = np.fromiter(rows, ROW)
    return Batch(
        tuple(units),
        tuple(signals),
        found["time"].copy(),
        np.full(len(found), unit, np.int32),
        np.full(len(found), signal, np.int32),
        found["value"].copy(),
        found["received"].copy(),
    )


def _columns(cells: Sequence[tuple[int, float, float, float]]) -> Columns:
    least, mean, greatest = np.array([cell[1:] for cell in cells], np.float64).reshape(-1, 3).T.copy()
    return Columns(np.array([cell[0] for cell in cells], np.int64), least, mean, greatest)
