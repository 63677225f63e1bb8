"""Habits: how far a unit's signal goes on most days while nothing is wrong with it.

In: windows (models.windows), which of their cells tell of a sound, standing unit. Out: floors and peaks, [unit].
May import: numpy, models.windows. Touches nothing.

A limit is made for all units. One whose water rises to 65 Cel at the sensor in each cycle of a sound heater, or whose
charger rests each night, goes beyond it by habit. A habit is what most days show, as much lately as before: what grows
from day to day is a fault at its work.
"""

import numpy as np
from numpy.typing import NDArray

from models.windows import CELLS_A_DAY, Float64, Window

DAYS_LEAST = 7  # a week has every habit of a site in it (our choice)
CELLS_LEAST = CELLS_A_DAY // 2  # of a day, before it tells how far the signal goes


def floors(window: Window, usable: NDArray[np.bool_], *, steady: float) -> Float64:
    """How low a signal goes on most days.

    Args:
        window: [unit, cell], whole days. usable: of a sound, standing unit, [unit, cell].
        steady: how far the later days' middle may lie from the earlier days', > 0, in the symbol.
    Returns: in the symbol, [unit]; NaN with fewer than DAYS_LEAST days, or where it wanders.
    """
    return _middles(np.where(window.count > 0, window.least, window.mean), usable, steady=steady, peak=False)


def peaks(window: Window, usable: NDArray[np.bool_], *, steady: float) -> Float64:
    """How high a signal goes on most days; as floors.

    Args:
        window: [unit, cell], whole days. usable: of a sound, standing unit, [unit, cell].
        steady: how far the later days' middle may lie from the earlier days', > 0, in the symbol.
    """
    return _middles(np.where(window.count > 0, window.greatest, window.mean), usable, steady=steady, peak=True)


def _middles(value: Float64, usable: NDArray[np.bool_], *, steady: float, peak: bool) -> Float64:
    days = value.shape[1] // CELLS_A_DAY
    told = np.where(usable, value, np.nan)[:, : days * CELLS_A_DAY].reshape(len(value), days, CELLS_A_DAY)
    known = (~np.isnan(told)).sum(axis=2) >= CELLS_LEAST
    worst = np.nan_to_num(told, nan=-np.inf).max(axis=2) if peak else np.nan_to_num(told, nan=np.inf).min(axis=2)
    found = np.full(len(value), np.nan)
    for unit in range(len(found)):
        own = worst[unit, known[unit]]
        half = len(own) // 2
        if len(own) >= DAYS_LEAST and abs(float(np.median(own[:half]) - np.median(own[half:]))) <= steady:
            found[unit] = float(np.median(own))
    return found
