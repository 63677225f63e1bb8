"""Learned normals that limits lean on, and the set point of the gas regulator from a unit's own last days.

In: windows (models.windows) of gas pressure, cells under suspicion left empty. Out: set points; NaN until learned. The
cut-in is learned by models.jacket_water, the float by models.battery.
May import: numpy, models.windows. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.windows import CELLS_A_DAY, Float64, Window

DAYS_LEAST = 4  # days with readings before anything counts as learned; a weekend and two working days (our choice)
SLOPE_DEFAULT = -0.018  # V/K a block: -3 mV/K a cell, the weaker end of what is published (section 4)
COMPENSATED_AT_CEL = 25.0


@dataclass(frozen=True, slots=True)
class Normal:
    """What was learned for one unit; NaN: not yet.

    cut_in: jacket water at which the heater switches on, Cel. gas_set_point: floor of the gas pressure at rest, Pa.
    float_voltage: at 25 Cel, V a 12 V block. float_slope: of the float against temperature, V/K a block.
    water_floor, water_peak: how far the jacket water goes on most days at its sensor, Cel. battery_floor: how low the
    battery goes on most days, or each night, V a block.
    """

    cut_in: float = np.nan
    gas_set_point: float = np.nan
    float_voltage: float = np.nan
    float_slope: float = SLOPE_DEFAULT
    water_floor: float = np.nan
    water_peak: float = np.nan
    battery_floor: float = np.nan


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
