"""The newest days as cells of ten minutes: what arrived in each, and what a rare reading lets be held beyond its own.

In: readings that bring news, instants at which somebody may look. Out: the cells of monitor.assessment.tracks, brought
up to an instant at which somebody does, and windows of them. May import: numpy, models.windows,
monitor.assessment.tracks, monitor.batch.

What was known at an instant is known whatever the pieces in which readings come: readings are gathered once, by the
instant before which they arrived, and taken in up to one. A cell depends on the readings that had arrived and on how
long they hold, never on how often somebody looked.
"""

from dataclasses import dataclass

import numpy as np

from models.windows import CELL_NS, CELLS_A_DAY, SUM_PER_SYMBOL, WINDOW_CELLS, Window
from monitor.assessment.tracks import NEEDED_INDEX, NO_TIME, Tracks, group_starts, last_of_group
from monitor.batch import Batch, Float64, Int64
from monitor.signals import NEEDED

HELD_CELLS_MAX = CELLS_A_DAY  # no signal holds for longer than a day


@dataclass(frozen=True, slots=True)
class Gathered:
    """Readings by the instant before which they arrived, then unit, needed signal and cell; a row each, [n].

    slot: place of the first instant at or after the arrival. unit, place: index, needed signal. number: of the cell.
    total: sum in millionths; least, greatest, count. last_ns, last_value, received_ns: of the newest reading in it.
    """

    slot: Int64
    unit: Int64
    place: Int64
    number: Int64
    total: Int64
    least: Float64
    greatest: Float64
    count: Int64
    last_ns: Int64
    last_value: Float64
    received_ns: Int64

    def since(self, slot: int, until_slot: int) -> "Gathered":
        """What arrived for the slots from one to another, without the latter."""
        return self._of(slice(*np.searchsorted(self.slot, (slot, until_slot)).tolist()))

    def _of(self, rows: slice | Int64) -> "Gathered":
        return Gathered(
            self.slot[rows],
            self.unit[rows],
            self.place[rows],
            self.number[rows],
            self.total[rows],
            self.least[rows],
            self.greatest[rows],
            self.count[rows],
            self.last_ns[rows],
            self.last_value[rows],
            self.received_ns[rows],
        )


def gathered(news: Batch, needed_of_signal: np.ndarray, instants: Int64) -> Gathered:
    """Readings that bring news, by instant and cell.

    Args:
        news: as Tracks.news gave them. needed_of_signal: place among the needed signals, -1 for others, [signals].
        instants: ns, rising; what arrives after the last of them gets a slot of its own.
    """
    place = needed_of_signal[news.signal]
    own = place >= 0
    unit, place = news.unit[own].astype(np.int64), place[own].astype(np.int64)
    time_ns, received_ns, value = news.time_ns[own], news.received_ns[own], news.value[own]
    number = time_ns // CELL_NS
    slot = np.searchsorted(instants, received_ns)
    if not len(unit):
        none, no = np.empty(0, np.int64), np.empty(0)
        return Gathered(none, none, none, none, none, no, no, none, none, no, none)
    first = group_starts(unit * len(NEEDED) + place, slot, number)
    last = np.append(first[1:], len(unit)) - 1
    order = np.argsort(slot[first], kind="stable")
    return Gathered(
        slot[first][order],
        unit[first][order],
        place[first][order],
        number[first][order],
        np.add.reduceat(np.round(value * SUM_PER_SYMBOL).astype(np.int64), first)[order],
        np.minimum.reduceat(value, first)[order],
        np.maximum.reduceat(value, first)[order],
        np.diff(np.append(first, len(unit)))[order],
        time_ns[last][order],
        value[last][order],
        received_ns[last][order],
    )


@dataclass(slots=True)
class Newest:
    """The newest reading of each needed signal as known at an instant, [unit, needed]; NO_TIME: none."""

    time_ns: Int64
    received_ns: Int64
    value: Float64

    @classmethod
    def of(cls, tracks: Tracks) -> "Newest":
        """As remembered, before any news."""
        shape = (-1, tracks.signals)
        return cls(
            tracks.newest_ns.reshape(shape)[:, NEEDED_INDEX],
            tracks.newest_received_ns.reshape(shape)[:, NEEDED_INDEX],
            tracks.newest_value.reshape(shape)[:, NEEDED_INDEX],
        )

    def copy(self) -> "Newest":
        """The same, apart."""
        return Newest(self.time_ns.copy(), self.received_ns.copy(), self.value.copy())

    def follow(self, rows: Gathered) -> None:
        """Bring it up to what arrived for some slots; rows of one signal in the order of time."""
        at = rows.unit, rows.place  # where one stands twice, NumPy keeps the last
        self.time_ns[at], self.received_ns[at], self.value[at] = rows.last_ns, rows.received_ns, rows.last_value


def merged(rows: Gathered) -> Gathered:
    """What arrived for several slots as if for one: a row each unit, signal and cell, in that order."""
    key = rows.unit * len(NEEDED) + rows.place
    order = np.lexsort((rows.slot, rows.number, key))
    rows, key = rows._of(order), key[order]
    first = group_starts(key, rows.number)
    last = np.append(first[1:], len(key)) - 1
    return Gathered(
        rows.slot[last],
        rows.unit[first],
        rows.place[first],
        rows.number[first],
        np.add.reduceat(rows.total, first),
        np.minimum.reduceat(rows.least, first),
        np.maximum.reduceat(rows.greatest, first),
        np.add.reduceat(rows.count, first),
        rows.last_ns[last],
        rows.last_value[last],
        rows.received_ns[last],
    )


def take_in(tracks: Tracks, newest: Newest, rows: Gathered) -> None:
    """Bring cells, and the newest readings that are in them, up to what arrived."""
    if not len(rows.unit):
        return
    rows = merged(rows)
    _hold_between(tracks, newest, rows)
    key = rows.unit * len(NEEDED) + rows.place
    fresh = rows.number > last_of_group(key, rows.number) - WINDOW_CELLS
    unit, place, number = rows.unit[fresh], rows.place[fresh], rows.number[fresh]
    at = (unit, place, number % WINDOW_CELLS)
    count = tracks.cell_count[at].astype(np.int64)
    same = (tracks.cell_number[at] == number) & (count > 0)
    least, greatest = rows.least[fresh].astype(np.float32), rows.greatest[fresh].astype(np.float32)
    tracks.cell_sum[at] = np.where(same, tracks.cell_sum[at], 0) + rows.total[fresh]
    tracks.cell_least[at] = np.where(same, np.minimum(tracks.cell_least[at], least), least)
    tracks.cell_greatest[at] = np.where(same, np.maximum(tracks.cell_greatest[at], greatest), greatest)
    counted = np.where(same, count, 0) + rows.count[fresh]
    tracks.cell_count[at] = np.minimum(counted, np.iinfo(np.uint16).max).astype(np.uint16)
    tracks.cell_number[at] = number
    newest.follow(rows)


def _hold_between(tracks: Tracks, newest: Newest, rows: Gathered) -> None:
    """Cells between two readings hold the earlier one, as long as its track's readings hold."""
    first = group_starts(rows.unit * len(NEEDED) + rows.place)
    before_ns, before = np.empty_like(rows.last_ns), np.empty_like(rows.last_value)
    before_ns[1:], before[1:] = rows.last_ns[:-1], rows.last_value[:-1]
    at = rows.unit[first], rows.place[first]
    before_ns[first], before[first] = newest.time_ns[at], newest.value[at]
    apart = np.flatnonzero((before_ns != NO_TIME) & (rows.number - before_ns // CELL_NS > 1))
    if len(apart):
        _hold(tracks, rows.unit[apart], rows.place[apart], before_ns[apart], before[apart], rows.number[apart])


def hold_until(tracks: Tracks, newest: Newest, units: Int64, before_cell: int) -> None:
    """Cells after the newest reading, before before_cell, hold it as long as its track's readings hold."""
    time_ns = newest.time_ns[units]
    behind = (time_ns != NO_TIME) & (time_ns // CELL_NS < before_cell - 1)
    row, place = np.nonzero(behind)
    if len(row):
        unit = units[row]
        _hold(tracks, unit, place, time_ns[behind], newest.value[unit, place], np.full(len(row), before_cell))


def _hold(tracks: Tracks, unit: Int64, place: Int64, time_ns: Int64, value: Float64, end: Int64) -> None:
    """Write one reading each into the empty cells after its own, before `end`, as long as it holds."""
    hold_ns = tracks.hold_ns[unit * tracks.signals + np.array(NEEDED_INDEX)[place]]
    begin = time_ns // CELL_NS + 1
    end = np.minimum(np.minimum(end, begin + HELD_CELLS_MAX), (time_ns + hold_ns) // CELL_NS + 1)
    size = np.maximum(end - begin, 0)
    row = np.repeat(np.arange(len(unit)), size)
    number = begin[row] + np.arange(len(row)) - np.repeat(np.cumsum(size) - size, size)
    at = (unit[row], place[row], number % WINDOW_CELLS)
    empty = (tracks.cell_number[at] < number) | (tracks.cell_count[at] == 0)  # held from an older one: overwritten
    row, number = row[empty], number[empty]
    at = (unit[row], place[row], number % WINDOW_CELLS)
    tracks.cell_number[at] = number
    tracks.cell_count[at] = 0
    tracks.cell_sum[at] = np.round(value[row] * SUM_PER_SYMBOL).astype(np.int64)
    tracks.cell_least[at] = value[row]
    tracks.cell_greatest[at] = value[row]


def end_cell(instant_ns: int) -> int:
    """The cell after the one that ends with, or is under way at, an instant."""
    return (instant_ns - 1) // CELL_NS + 1


def held_windows(tracks: Tracks, units: Int64, before_cell: int) -> tuple[Window, ...]:
    """The last WINDOW_CELLS cells before a cell, of the needed signals; held ones with a count of 0, [unit, cell]."""
    turn = before_cell % WINDOW_CELLS
    number = np.arange(before_cell - WINDOW_CELLS, before_cell, dtype=np.int32)

    def unrolled(ring: np.ndarray, place: int) -> np.ndarray:
        rows = ring[units, place]
        return np.concatenate((rows[:, turn:], rows[:, :turn]), axis=1)

    windows = []
    for place in range(len(NEEDED)):
        known = unrolled(tracks.cell_number, place) == number
        count = unrolled(tracks.cell_count, place).astype(np.int64)
        count[~known] = 0
        mean = unrolled(tracks.cell_sum, place) / SUM_PER_SYMBOL / np.maximum(count, 1)
        least = unrolled(tracks.cell_least, place).astype(np.float64)
        greatest = unrolled(tracks.cell_greatest, place).astype(np.float64)
        for column in (mean, least, greatest):
            column[~known] = np.nan
        windows.append(Window(before_cell - WINDOW_CELLS, mean, least, greatest, count))
    return tuple(windows)
