"""Air round the block: the enclosure's course with its gaps filled, or what the cooling itself tells of it.

In: one unit's cells. Out: air, Cel, [cell], and where from. May import: numpy, models. Touches nothing.
"""

import numpy as np

from models.jacket_water.normal import WaterNormal
from models.jacket_water.teeth import Legs
from models.windows import Float64

GAP_CELLS_MAX = 72  # 12 h: over a longer gap a straight line would cut off a night
FALLS_LEAST = 2


def filled(air: Float64) -> Float64:
    """Air with gaps up to half a day bridged by straight lines, and the newest value held for as long.

    Args:
        air: one unit's enclosure temperature, Cel, [cell].
    Returns: [cell], NaN where a gap is longer.
    """
    known = np.flatnonzero(air == air)
    if len(known) == len(air) or not len(known):
        return air
    cells = np.arange(len(air))
    line = np.interp(cells, known, air[known])
    after = np.searchsorted(known, cells)
    before_gap = cells - known[np.maximum(after - 1, 0)]
    after_gap = known[np.minimum(after, len(known) - 1)] - cells
    inside = np.where(after == len(known), 2 * before_gap, np.where(after == 0, 2 * after_gap, before_gap + after_gap))
    return np.where((inside <= GAP_CELLS_MAX) | (air == air), line, np.nan)


def told_by_cooling(legs: Legs, normal: WaterNormal) -> float:
    """Air that the heater's off-times speak of: Ta = T + tau * dT/dt, the median of the falls.

    Args:
        legs: of one unit's water. normal: its time constant; the fleet's, where none was learned,
        gives an air that fits its own falls and so is good enough for heat balances.
    Returns: Cel; NaN with fewer than two falls.
    """
    falls = legs.whole & (legs.rise < 0) & (legs.hours >= 0.5)
    if falls.sum() < FALLS_LEAST:
        return np.nan
    middle = (legs.from_k[falls] + legs.to_k[falls]) / 2
    return float(np.median(middle + normal.time_constant_h * legs.rise[falls] / legs.hours[falls]))
