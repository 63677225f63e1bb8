"""A heater that gives less than it did and still holds the water: slow rises, or no cycles at all any more.

In: what the water did lately, the normal. Out: a chance, and what the heater gives. May import: numpy, models. Touches
nothing.
"""

import numpy as np

from models.jacket_water.cycles import EXCESS_TOLD_K, cycles
from models.jacket_water.habits import STEEP_SD_MAX, steepness
from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

HALF_LOG = np.log(0.5)
WEAK_LOG = np.log(0.72)  # 15 % of mains volts missing (P of V squared); less is the grid's way
LOG_ODDS_TEETH = -6.0
STEEP_SD = 0.15  # of the log of a day's steepness beside the unit's own spread: mains volts, cells (our choice)
STEEP_DAYS_LEAST = 5.0
LONGER_ON = 0.85  # of the learned heating by the balance of the last day and a half
AFTER_RUN_H = 10.0
NEWEST_CELLS = 144  # a day, so that all its hours are in it
RISES_LEAST = 2
PLATEAU_CELLS = 72  # 12 h
PLATEAU_LOG_SD = 0.2  # of the heat over half a day: wind above all (our choice)
PLATEAU_CYCLES_LEAST = 3.0  # so many cycles must be missing
OFF_SHARE = 0.6  # of Newton's loss: water that falls faster in some hour has its heater off


def weak_while_held(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Chance that the heater is weak while it holds the water, and the heating rate now, K/h; NaN: not told.

    Args:
        late: what the water did. normal: of the unit.
    """
    if normal.heating_days < 2 or normal.flat or late.air_told:
        return 0.0, np.nan
    chance, heating = _by_plateau(late, normal)
    by_teeth, told = _by_teeth(late, normal)
    if np.isnan(heating) and np.isnan(told):
        return np.nan, np.nan  # too few teeth, or none in calm weather: nothing is said, and nothing taken back
    return (chance, heating) if chance > by_teeth else (by_teeth, told)


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
    """Teeth that rise more slowly than on any of the unit's own days, and a heater that is on for longer.

    How fast water rises heated and falls unheated, together, is the heater's power whatever wind and weather do; its
    share of time is the second witness, and tells what the heater gives. A heater of two stages has days of both.
    """
    quiet = np.where(late.running | (late.after_run_h < AFTER_RUN_H), np.nan, late.mean)
    saw = late.saw
    settled = saw.whole & (late.after_run_h[saw.begin] >= AFTER_RUN_H)
    newest = settled & (saw.begin >= late.last - NEWEST_CELLS)
    if (newest & (saw.rise > 0)).sum() < RISES_LEAST:
        newest = settled  # a heater that is hardly ever off has few teeth a day
    found = cycles(quiet, late.air, saw, by_day=False)
    if (newest & (saw.rise > 0)).sum() < RISES_LEAST or not found.excess[0] >= EXCESS_TOLD_K:
        return 0.0, np.nan
    # the slower cooling gives the heater less to do and so the weaker heater: of both the benefit of the doubt
    tau_h = float(np.fmin(found.tau_h[0], normal.time_constant_h))
    heating = float(found.excess[0] / tau_h / found.duty[0])
    steep = steepness(saw, newest)
    if not (steep > 0 and normal.steep_log_sd <= STEEP_SD_MAX and normal.steep_days >= STEEP_DAYS_LEAST):
        return 0.0, heating
    log = float(np.log(steep / normal.steep_k_per_h))
    if log > WEAK_LOG or not heating < LONGER_ON * normal.heating_k_per_h:
        return 0.0, heating
    odds = LOG_ODDS_TEETH + min(log**2 / (2 * (normal.steep_log_sd**2 + STEEP_SD**2)), 12.0)
    return float(1 / (1 + np.exp(-odds))), heating
