"""Little water moving past heater and sensor: short steep teeth over a cold block.

In: what the water did lately, the normal. Out: a chance. May import: numpy, models. Touches nothing.

The sensor then sees the little water at the heater and not the block. That warms and cools in minutes: its teeth grow
steeper, and the water moves up and down more for the same excess, both by the factor by which the mass is smaller. Wind
makes water livelier by two or so and its teeth hardly steeper; another voltage or heater makes steeper teeth, but the
falls stay; a closer thermostat makes short teeth, but as steep ones; an unnoticed run, a door or a bad contact does it
once and unevenly. So both witnesses must stand, and then their weights add up.
"""

import numpy as np

from models.jacket_water.habits import OVER_AIR_K_LEAST, moved_k, movement, steepness
from models.jacket_water.lately import BACK_CELLS, CELL_H, Lately
from models.jacket_water.normal import WaterNormal
from models.jacket_water.sensing import HELD_K
from models.windows import Float64

# 16 h for teeth of hours, 8 h for what begins slowly, 3 h so that teeth of minutes need not wait for old ones to go
SPANS_CELLS = (96, 48, 18)
AFTER_RUN_H = 10.0
TEETH_LEAST = 3
TEETH_TO_CLEAR = 2  # before them nothing is said of teeth, neither for nor against
LOG_ODDS = -7.0  # one in a thousand spans of eight hours (our choice)
LIVELIER_SD = 0.22  # of the log of movement beside the unit's own spread: wind above all (our choice)
STEEPER_SD = 0.2  # of the log of steepness: sensors, louvers and mains volts (our choice)
WEIGHT_MAX = 12.0
STEEPER_LEAST = 1.5  # factor: less is mains or a sensor's place (our choice)
LIVELIER_LEAST = 1.25  # factor: a block that moves no more than it did has its mass still (our choice)
UNEVEN = 0.6  # spread over mean of the falls' heights: a bad contact jumps unevenly, a thermostat does not
BAND_SHARE = 0.6  # of the learned band that the teeth still have: a closer thermostat's are smaller
BANDS_MOST = 1.5  # bands that one cell's movement counts for at most
BELOW_CELLS, BELOW_SPAN_CELLS = 2, 144  # within a day; one wild reading is let pass
FASTEST_K = 6.0  # K in most cells: teeth so fast that they hide in cells are not told one by one


def restricted(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Chance that circulation is restricted, 0..1, and how much livelier the water is than usual, a factor.

    Args:
        late: what the water did. normal: of the unit.
    Returns: chance, NaN: cannot be judged (hours after a run, nothing learned, no cycles ever, air as warm as the
        water); factor, NaN: not told.
    """
    last = late.last
    unknown = normal.days < 1 or normal.flat or not np.isfinite(normal.movement_per_h + normal.steep_k_per_h)
    if unknown or late.running[last] or late.after_run_h[last] < AFTER_RUN_H:
        return np.nan, np.nan
    if late.excess[last] < OVER_AIR_K_LEAST:
        return np.nan, np.nan  # on a hot day the sun moves the water, and steeply
    calm_cells = min(int(min(late.after_run_h[last] - AFTER_RUN_H, 100.0) / CELL_H), last - _hot_until(late, normal))
    if calm_cells < min(SPANS_CELLS):
        return np.nan, np.nan  # water that comes down from a run has no teeth, and says nothing for or against
    falls = late.saw.whole & (late.saw.rise < 0) & (late.saw.begin >= last - calm_cells)
    if falls.sum() < TEETH_TO_CLEAR:
        return np.nan, np.nan
    told = [_within(late, normal, max(last - min(cells, calm_cells), 0)) for cells in SPANS_CELLS]
    return max(told, key=lambda one: one[0])


def _hot_until(late: Lately, normal: WaterNormal) -> int:
    """The last cell of the newest spell above the band that was longer than a tooth's; -1: none in sight."""
    above = np.concatenate(([False], late.least[: late.last + 1] > normal.cut_out, [False]))
    edges = np.flatnonzero(np.diff(above.astype(np.int8)))
    begins, ends = edges[0::2], edges[1::2]
    long = np.flatnonzero(ends - begins > BACK_CELLS)
    return int(ends[long[-1]]) - 1 if len(long) else -1


def _within(late: Lately, normal: WaterNormal, begin: int) -> tuple[float, float]:
    """As `restricted`, by the cells from `begin` on."""
    span = slice(begin, late.last + 1)
    band = normal.cut_out - normal.cut_in
    moved = moved_k(
        late.mean[span], late.least[span], late.greatest[span], noise=normal.noise, most=BANDS_MOST * max(band, 2.0)
    )
    lively = movement(moved, late.excess[span], cells_least=min(SPANS_CELLS))
    if not lively > 0:
        return 0.0, np.nan
    more = float(np.log(lively / normal.movement_per_h))
    steeper = _steeper(late, normal, begin, moved)
    if more < np.log(LIVELIER_LEAST) or steeper < np.log(STEEPER_LEAST):
        return 0.0, float(np.exp(more))
    odds = LOG_ODDS + _weight(more, normal.movement_log_sd, LIVELIER_SD)
    odds += _weight(steeper, normal.steep_log_sd, STEEPER_SD)
    return float(1 / (1 + np.exp(-odds))), float(np.exp(more))


def _weight(log: float, own_sd: float, beside_sd: float) -> float:
    return min(max(log, 0.0) ** 2 / (2 * (own_sd**2 + beside_sd**2)), WEIGHT_MAX)


def _steeper(late: Lately, normal: WaterNormal, begin: int, moved: Float64) -> float:
    """Logarithm of how much steeper the teeth are than the unit's own, if they are as high as ever and even; else 0."""
    saw = late.saw
    inside = (saw.begin >= begin) & ~(late.excess[saw.begin] < OVER_AIR_K_LEAST)
    falls = inside & saw.whole & (saw.rise < 0)
    band = normal.cut_out - normal.cut_in
    floor = normal.cut_in - max(HELD_K, 3 * normal.trough_sd) - 4 * normal.noise
    if (late.least[max(late.last - BELOW_SPAN_CELLS, 0) : late.last + 1] < floor).sum() >= BELOW_CELLS:
        return 0.0  # little water or much, the thermostat switches on at its cut-in: a bad contact goes below
    if np.nanmedian(moved) > max(FASTEST_K, BAND_SHARE * band):  # the whole band in ten minutes, cell after cell
        return max(float(np.log(2 * np.nanmedian(moved) / CELL_H / normal.steep_k_per_h)), 0.0)
    if falls.sum() < TEETH_LEAST:
        return 0.0
    heights = -saw.rise[falls]
    if heights.std() > UNEVEN * heights.mean() or np.median(heights) < BAND_SHARE * band:
        return 0.0
    steep = steepness(saw, inside)
    if np.isnan(steep):
        steep = steepness(saw, inside, at_least=True)
    return max(float(np.log(steep / normal.steep_k_per_h)), 0.0) if steep > 0 else 0.0
