"""Little water moving past heater and sensor: short steep teeth over a cold block.

In: what the water did lately, the normal. Out: a chance. May import: numpy, models. Touches nothing.

The sensor then sees the little water at the heater and not the block. That warms and cools in minutes: the water moves
up and down far more for the same excess, and its teeth are far steeper, than on any of the unit's own days. Wind makes
water livelier by two or so and its teeth hardly steeper; a closer thermostat makes short teeth, but as steep ones; an
unnoticed run, a door or a bad contact does it once and unevenly.
"""

import numpy as np

from models.jacket_water.habits import moved_k, movement, steepness
from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

SPAN_CELLS = 48  # 8 h
AFTER_RUN_H = 10.0
TEETH_LEAST = 3
LOG_ODDS = -7.0  # one in a thousand spans of eight hours (our choice)
LIVELIER_SD = 0.22  # of the log of movement beside the unit's own spread: wind above all (our choice)
STEEPER_SD = 0.2  # of the log of steepness: sensors, louvers and mains volts (our choice)
WEIGHT_MAX = 12.0
UNEVEN = 0.6  # spread over mean of the falls' heights: a bad contact jumps unevenly, a thermostat does not
BAND_SHARE = 0.6  # of the learned band that the teeth still have: a closer thermostat's are smaller
BANDS_MOST = 1.5  # bands that one cell's movement counts for at most
FASTEST_K = 6.0  # K in most cells: teeth so fast that they hide in cells are not told one by one


def restricted(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Chance that circulation is restricted, 0..1, and how much livelier the water is than usual, a factor.

    Args:
        late: what the water did. normal: of the unit.
    Returns: chance, NaN: cannot be judged (hours after a run, nothing learned, no cycles ever); factor, NaN: not told.
    """
    last = late.last
    unknown = normal.days < 1 or normal.flat or not np.isfinite(normal.movement_per_h + normal.steep_k_per_h)
    if unknown or late.running[last] or late.after_run_h[last] < AFTER_RUN_H:
        return np.nan, np.nan
    begin = max(last - SPAN_CELLS, last - int(min(late.after_run_h[last] - AFTER_RUN_H, 100.0) / CELL_H), 0)
    span = slice(begin, last + 1)
    band = normal.cut_out - normal.cut_in
    moved = moved_k(
        late.mean[span], late.least[span], late.greatest[span], noise=normal.noise, most=BANDS_MOST * max(band, 2.0)
    )
    lively = movement(moved, late.excess[span])
    if not lively > 0:
        return 0.0, np.nan
    more = float(np.log(lively / normal.movement_per_h))
    odds = LOG_ODDS + min(_weight(more, normal.movement_log_sd, LIVELIER_SD), _steeper(late, normal, begin, moved))
    return float(1 / (1 + np.exp(-odds))), float(np.exp(more))


def _weight(log: float, own_sd: float, beside_sd: float) -> float:
    return min(max(log, 0.0) ** 2 / (2 * (own_sd**2 + beside_sd**2)), WEIGHT_MAX)


def _steeper(late: Lately, normal: WaterNormal, begin: int, moved: np.ndarray) -> float:
    """What the teeth weigh for it, if they are as high as ever and even."""
    saw = late.saw
    inside = saw.begin >= begin
    falls = inside & saw.whole & (saw.rise < 0)
    band = normal.cut_out - normal.cut_in
    if np.nanmedian(moved) > max(FASTEST_K, BAND_SHARE * band):
        return WEIGHT_MAX  # the whole band in ten minutes, cell after cell
    if falls.sum() < TEETH_LEAST:
        return 0.0
    heights = -saw.rise[falls]
    if heights.std() > UNEVEN * heights.mean() or np.median(heights) < BAND_SHARE * band:
        return 0.0
    steep = steepness(saw, inside)
    if not steep > 0:
        return 0.0
    return _weight(float(np.log(steep / normal.steep_k_per_h)), normal.steep_log_sd, STEEPER_SD)
