"""Windows: a regular grid of cells over the newest days, the form in which every model sees a unit.

In: readings of tracks (one signal of one unit each), sorted by time. Out: per cell the mean, least, greatest and count,
[track, cell]. May import: numpy. Touches nothing.

Sums are kept in whole millionths of the symbol (int64): adding them up in any grouping gives the same bits, so that a
history judged in one piece and the same history judged message by message learn the same.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]
Int64 = NDArray[np.int64]

CELL_NS = 600 * 1_000_000_000  # 10 min: several readings a cell at a rhythm of minutes, and a heater cycle spans cells
CELLS_A_DAY = 144
WINDOW_CELLS = 14 * CELLS_A_DAY  # 14 days: two weekly visits and their exercise runs
SUM_PER_SYMBOL = 1_000_000  # sums count millionths; |value| < 1e7 and 1e5 readings a cell stay inside int64


@dataclass(frozen=True, slots=True)
class Window:
    """One signal of some units on the grid.

    begin_cell: number of the first cell since 1970 (time_ns // CELL_NS).
    mean, least, greatest: in the signal's symbol, NaN where a cell is empty, float64 [unit, cell].
    count: readings in each cell, int64 [unit, cell].
    """

    begin_cell: int
    mean: Float64
    least: Float64
    greatest: Float64
    count: Int64

    @property
    def cells(self) -> int:
        """Length of the time axis."""
        return int(self.mean.shape[1])


def grid(time_ns: Int64, value: Float64, *, begin_cell: int, cells: int) -> Window:
    """One track's readings on the grid; those outside it are left out.

    Args:
        time_ns: ns since 1970 UTC, int64 [n], any order. value: in the symbol, finite, float64 [n].
        begin_cell: number of the first cell. cells: how many.
    Returns: a window of one unit, [1, cells].
    """
    cell = time_ns // CELL_NS - begin_cell
    inside = (cell >= 0) & (cell < cells)
    cell, value = cell[inside], value[inside]
    count = np.bincount(cell, minlength=cells).astype(np.int64)
    total = np.zeros(cells, np.int64)
    np.add.at(total, cell, np.round(value * SUM_PER_SYMBOL).astype(np.int64))
    least = np.full(cells, np.inf)
    np.minimum.at(least, cell, value)
    greatest = np.full(cells, -np.inf)
    np.maximum.at(greatest, cell, value)
    empty = count == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(empty, np.nan, total / SUM_PER_SYMBOL / count)
    return Window(
        begin_cell,
        mean[None],
        np.where(empty, np.nan, least)[None],
        np.where(empty, np.nan, greatest)[None],
        count[None],
    )
