"""A heater that gives less than it did and still holds the water: slow rises, or no cycles at all any more.

In: what the water did lately, the normal. Out: a chance, and what the heater gives. May import: numpy, models. Touches
nothing.
"""

import numpy as np

from models.jacket_water.cycles import EXCESS_TOLD_K, cycles
from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

HALF_LOG = np.log(0.5)
TEETH_WEAK_SD = 0.14  # of the log of some days' heating rate: wind, sun and grid (our choice)
WEAK_LOG = np.log(0.65)
LOG_ODDS_TEETH = -6.0
TEETH_CHANCE_MAX = 0.45  # water that is held calls nobody; measured: rates from cells misled 1 unit in 10 a month
RISES_LEAST = 4
RISE_H_LEAST = 0.9  # h: shorter rises are too short against a cell to tell half from whole
OFF_H_LEAST = 1.0  # h: faster cycles are blurred by cells of ten minutes
DUTY_LEAST = 0.45  # a heater that is on for less has power to spare, whatever it lost
LONG_DUTY = 0.6  # where the heater is on for most of the time, two long rises say as much as many short ones
PLATEAU_CELLS = 72  # 12 h
PLATEAU_LOG_SD = 0.2  # of the heat over half a day: wind above all (our choice)
PLATEAU_CYCLES_LEAST = 3.0  # so many cycles must be missing
OFF_SHARE = 0.6  # of Newton's loss: water that falls faster in some hour has its heater off


def weak_while_held(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Chance that the heater is weak while it holds the water, and the heating rate now, K/h (NaN: not told).

    Args:
        late: what the water did. normal: of the unit.
    """
    if normal.heating_days < 2 or normal.flat or late.air_told:
        return 0.0, np.nan
    chance, heating = _by_plateau(late, normal)
    return (chance, heating) if chance > TEETH_CHANCE_MAX else _by_teeth(late, normal)


def _by_plateau(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """No cycles for half a day, between cut-in and cut-out, with much less heat than the heater used to give.

    A sound heater that is always on gives all of its heat and warms the water to its cut-out.
    """
    begin = late.last - PLATEAU_CELLS
    if begin < 0 or (late.after_run_h[begin] < 12.0) or late.running[begin:].any():
        return 0.0, np.nan
    water, excess = late.mean[begin : late.last + 1], late.excess[begin : late.last + 1]
    if np.isnan(water).any() or late.saw.begin[(late.saw.end > begin + 6) & late.saw.whole].size > 1:
        return 0.0, np.nan
    moved = float(np.ptp(water))
    if moved < max(0.5, 2.5 * normal.resolution, 4 * normal.noise) or water.max() > normal.cut_out - 1.0:
        return 0.0, np.nan  # a reading that stands still tells of its sensor, not of the heater
    middle = float(excess.mean())
    off_h = normal.cycle_k_h / max(middle, 1.0)
    missing = PLATEAU_CELLS * CELL_H / (2 * off_h)
    loss = middle / normal.time_constant_h
    hourly = water[6:] - water[:-6]
    if middle < EXCESS_TOLD_K or missing < PLATEAU_CYCLES_LEAST or hourly.min() < -OFF_SHARE * loss:
        return 0.0, np.nan
    heating = float((water[-1] - water[0]) / (PLATEAU_CELLS * CELL_H) + loss)
    log = float(np.log(max(heating, 0.05) / normal.heating_k_per_h))
    sd2 = PLATEAU_LOG_SD**2 + normal.heating_log_sd**2
    odds = LOG_ODDS_TEETH + min(missing, 4.0) + min((log**2 - max(log - HALF_LOG, 0.0) ** 2) / (2 * sd2), 8.0)
    return (float(1 / (1 + np.exp(-odds))) if log < 0 else 0.0), heating


def _by_teeth(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Rises that take longer than they should; capped, for cells of ten minutes tell rates poorly."""
    quiet = np.where(late.running | (late.after_run_h < 10.0), np.nan, late.mean)
    found = cycles(quiet, late.air, late.saw, by_day=False)
    enough = found.count >= RISES_LEAST or (found.count >= 2 and found.duty[0] > LONG_DUTY)
    seen_well = found.rise_h >= RISE_H_LEAST and found.duty[0] >= DUTY_LEAST
    seen_well &= normal.cycle_k_h / max(found.excess[0], 1.0) >= OFF_H_LEAST
    if not enough or not seen_well or not found.excess[0] >= EXCESS_TOLD_K:
        return 0.0, np.nan
    # the slower cooling gives the heater less to do and so the weaker heater: of both the benefit of the doubt
    tau_h = float(np.fmin(found.tau_h[0], normal.time_constant_h))
    heating = float(found.excess[0] / tau_h / found.duty[0])
    newest = float(np.log(heating / normal.heating_k_per_h))
    if max(newest, normal.heating_recent_log) > WEAK_LOG:  # a single windy day does not speak for a heater
        return 0.0, heating
    log = (newest + normal.heating_recent_log) / 2
    sd2 = TEETH_WEAK_SD**2 + normal.heating_log_sd**2
    odds = LOG_ODDS_TEETH + min((log**2 - max(log - HALF_LOG, 0.0) ** 2) / (2 * sd2), 12.0)
    return min(float(1 / (1 + np.exp(-odds))), TEETH_CHANCE_MAX), heating
