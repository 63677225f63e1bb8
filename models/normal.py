"""Learned normals: what a unit shows when nothing is wrong, from its own last days.

In: windows (models.windows) of the four needed signals, cells under suspicion left empty. Out: cut-in temperature of
the jacket-water heater, set point of the gas regulator, compensated float voltage of the charger; NaN until learned.
May import: numpy, models.windows. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from models.windows import CELLS_A_DAY, Float64, Window

DAYS_LEAST = 4  # days with readings before anything counts as learned; a weekend and two working days (our choice)
TOOTH_K_LEAST = 1.0  # Cel: a heater's cycle is 5-11 K (common practice); less than this may be noise or the sun
TEETH_LEAST = 8  # cycles before a cut-in is believed
OVER_AIR_K_LEAST = 3.0  # K: water nearer to the air than this is not held by a heater
HELD_RANGE_K_MAX = 4.0  # K: water held this steadily, well over the air, has a heater without visible cycles
HELD_OVER_AIR_K = 10.0
CUT_IN_CEL = (20.0, 60.0)  # Cel: thermostats of 27-49 are met (from memory), with room on both sides
FLOAT_BLOCK_V = (12.95, 14.6)  # V a 12 V block: outside it the charger is not at float (shared trade facts, section 4)
SLOPE_DEFAULT = -0.018  # V/K a block: -3 mV/K a cell, the weaker end of what is published (section 4)
SLOPE_RANGE = (-0.036, 0.0)  # V/K a block: none to -6 mV/K a cell
SLOPE_SPREAD_K_LEAST = 3.0  # K: standard deviation of temperature below which no slope can be seen
FLOAT_SPREAD_V_MAX = 0.15  # V a block: residual spread above which this is no float
COMPENSATED_AT_CEL = 25.0


@dataclass(frozen=True, slots=True)
class Normal:
    """What was learned for one unit; NaN: not yet.

    cut_in: jacket water at which the heater switches on, Cel. gas_set_point: floor of the gas pressure at rest, Pa.
    float_voltage: at 25 Cel, V a 12 V block. float_slope: of the float against temperature, V/K a block.
    """

    cut_in: float = np.nan
    gas_set_point: float = np.nan
    float_voltage: float = np.nan
    float_slope: float = SLOPE_DEFAULT


def _days_covered(present: np.ndarray) -> int:
    """Days of a window in which at least a third of the cells have readings."""
    days = len(present) // CELLS_A_DAY
    return int((present[: days * CELLS_A_DAY].reshape(days, CELLS_A_DAY).mean(axis=1) >= 1 / 3).sum())


def cut_in_temperature(water: Window, air: Window) -> Float64:
    """Temperature at which the heater switches on: the median of the saw-tooth's lower turning points.

    A turning point counts where the water has come down to it and goes up from it by TOOTH_K_LEAST within 6 h while it
    is warmer than the air: in a hot week without cycles nothing is learned, rather than a wrong cut-in. A heater that
    holds without visible cycles gives the level it holds.

    Args:
        water, air: jacket water and enclosure, Cel, [unit, cell], the same grid. Stopped cells only.
    Returns: Cel, [unit]; NaN where it cannot be told.
    """
    found = np.full(water.mean.shape[0], np.nan)
    for unit in range(len(found)):
        mean, least = water.mean[unit], water.least[unit]
        over_air = mean - air.mean[unit]
        if _days_covered(~np.isnan(mean)) < DAYS_LEAST:
            continue
        reach = CELLS_A_DAY // 4
        padded = np.pad(np.where(np.isnan(mean), -np.inf, mean), reach, constant_values=-np.inf)
        greatest = sliding_window_view(padded, reach).max(axis=1)
        before, after = greatest[: len(mean)], greatest[reach + 1 : reach + 1 + len(mean)]
        filled = np.where(np.isnan(least), np.inf, least)
        neighbours = sliding_window_view(np.pad(filled, 2, constant_values=np.inf), 5).min(axis=1)
        turns = (filled <= neighbours) & np.isfinite(filled) & (over_air > OVER_AIR_K_LEAST)
        turns &= (before - filled >= TOOTH_K_LEAST) & (after - filled >= TOOTH_K_LEAST)
        teeth = least[turns]
        if len(teeth) >= TEETH_LEAST:
            level = float(np.median(teeth))
        else:
            known = ~np.isnan(over_air)
            steady = np.nanquantile(mean, 0.95) - np.nanquantile(mean, 0.05) <= HELD_RANGE_K_MAX
            if not (known.any() and steady and np.quantile(over_air[known], 0.1) >= HELD_OVER_AIR_K):
                continue
            level = float(np.nanquantile(least, 0.05))
        if CUT_IN_CEL[0] <= level <= CUT_IN_CEL[1]:
            found[unit] = level
    return found


def gas_set_point(gas: Window) -> Float64:
    """Set point of the unit's own regulator: the median of the daily floors at rest.

    Warm humps over a flat floor are healthy (trapped gas warms), so the floor is what tells the set point.

    Args:
        gas: pressure, Pa, [unit, cell]; stopped cells only.
    Returns: Pa, [unit]; NaN with fewer than DAYS_LEAST days.
    """
    days = gas.cells // CELLS_A_DAY
    by_day = gas.mean[:, : days * CELLS_A_DAY].reshape(len(gas.mean), days, CELLS_A_DAY)
    found = np.full(len(gas.mean), np.nan)
    for unit in range(len(found)):
        floors = [
            float(np.quantile(day[~np.isnan(day)], 0.1))
            for day in by_day[unit]
            if (~np.isnan(day)).sum() >= CELLS_A_DAY / 3
        ]
        if len(floors) >= DAYS_LEAST and float(np.median(floors)) > 0:
            found[unit] = float(np.median(floors))
    return found


def float_voltage(battery: Window, air: Window, *, blocks: Float64) -> tuple[Float64, Float64]:
    """Float voltage at 25 Cel and its slope against the enclosure's temperature, a 12 V block.

    V = V25 + slope * (T - 25 Cel), least squares where the days were unlike enough, else SLOPE_DEFAULT.

    Args:
        battery: of the whole set, V, [unit, cell]. air: enclosure, Cel, [unit, cell], the same grid.
        blocks: 12 V blocks in series, [unit].
    Returns: V and V/K a block, [unit] each; NaN and SLOPE_DEFAULT where the float cannot be told.
    """
    volts = np.full(len(blocks), np.nan)
    slopes = np.full(len(blocks), SLOPE_DEFAULT)
    for unit in range(len(blocks)):
        block, temperature = battery.mean[unit] / blocks[unit], air.mean[unit]
        at_float = (block > FLOAT_BLOCK_V[0]) & (block < FLOAT_BLOCK_V[1]) & ~np.isnan(temperature)
        if _days_covered(at_float) < DAYS_LEAST:
            continue
        v, t = block[at_float], temperature[at_float]
        slope = SLOPE_DEFAULT
        if t.std() >= SLOPE_SPREAD_K_LEAST:
            slope = float(np.clip(np.cov(t, v)[0, 1] / t.var(ddof=1), *SLOPE_RANGE))
        compensated = v - slope * (t - COMPENSATED_AT_CEL)
        spread = float(np.quantile(compensated, 0.9) - np.quantile(compensated, 0.1))
        if spread <= 2 * FLOAT_SPREAD_V_MAX:
            volts[unit], slopes[unit] = float(np.median(compensated)), slope
    return volts, slopes
