"""What the cycles of a heater tell: turning points, time constant, heating rate, cycle length, noise.

In: one unit's cells and legs. Out: numbers. May import: numpy, models. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.jacket_water.teeth import Legs
from models.windows import CELLS_A_DAY, Float64, Int64

CELL_H = 1 / 6
OVER_AIR_K_LEAST = 2.0  # K: what rises while it is warmer than the air is heated; nearer, sun or air could do it
BLIND_RISE_K_PER_H = 2.0  # without an air sensor a rise is a heater's if faster than a morning's
RISE_K_PER_H_LEAST = 0.3
EXCESS_TOLD_K = 10.0  # K: nearer to the air, its sensor's own error (sun, place) is too much of the excess (our choice)
FALL_H_LEAST = 0.5  # h: three cells, of which the first half is left out
FALL_K_LEAST = 1.0  # K a day of falls that one day's time constant rests on
EVENING_OUT = 0.4  # first part of a fall that is left out: the water at the heater first mixes with the block's
SLOWEST_H = 100.0  # h: no block cools more slowly (8-20 h are met, shared trade facts, section 3)
CYCLE_EXCESS_K = 6.0  # K: nearer to the air, off-times follow its sensor's errors
FASTEST_H = 0.3
LONG_FALL_K = 14.0  # K: wider than any thermostat's band (5-11 K, common practice)
STEEP_SHARE = 0.7
RISES_A_DAY_LEAST = 2
CELLS_LEAST = 12  # of a day, before its mean says something: two hours
QUARTER_OF_SIGMA = 0.3186  # a quarter of normal deviates is smaller than this, in sigmas (exact)
SMALL = 1e-9


@dataclass(frozen=True, slots=True)
class Cycles:
    """What some days of cycles tell.

    trough, peak: turning points of each heated rise, Cel; trough_cell: where, [rise].
    tau_h, duty, excess: time constant, h, share of time that it rises, and mean excess over the air, K, of each day of
    the window; NaN: that day does not tell; [day]. cycle_k_h, cycle_log_sd: off-time times excess, K h; NaN: not told.
    rise_h: median length of a heated rise, h; NaN: none. days: days with a heated rise.
    """

    trough: Float64
    peak: Float64
    trough_cell: Int64
    tau_h: Float64
    duty: Float64
    excess: Float64
    cycle_k_h: float
    cycle_log_sd: float
    rise_h: float
    days: float

    @property
    def count(self) -> int:
        """Heated rises."""
        return len(self.trough)


def cycles(water: Float64, air: Float64, saw: Legs, *, by_day: bool = True) -> Cycles:
    """What the legs of a saw-tooth tell.

    A rise of water that is warmer than the air round it can only be heat. A fall's own time constant is the integral of
    its excess over what it lost, which noise hardly touches.

    Args:
        water, air: one unit's, Cel, [cell]; NaN: not usable. saw: legs of the water. by_day:
        each day of the window by itself, or all as one.
    Returns: see Cycles.
    """
    rate = saw.rise / saw.hours
    air_there = air[saw.begin] if len(saw.begin) else np.zeros(0)
    middle = (saw.from_k + saw.to_k) / 2
    heated = np.where(
        np.isnan(air_there),
        rate >= BLIND_RISE_K_PER_H,
        (rate >= RISE_K_PER_H_LEAST) & (middle - air_there >= OVER_AIR_K_LEAST),
    )
    heated &= saw.whole & (saw.rise > 0)
    rises = np.flatnonzero(heated)
    falls = np.flatnonzero(saw.whole & (saw.rise < 0) & (saw.hours >= FALL_H_LEAST))
    length = CELLS_A_DAY if by_day else max(len(water), 1)
    day = saw.begin // length
    days = -(-len(water) // length)
    over = middle[falls] - air_there[falls]
    cycle = np.log(np.maximum(saw.hours[falls] * over, SMALL)[over >= CYCLE_EXCESS_K])
    return Cycles(
        trough=saw.from_k[rises],
        peak=saw.to_k[rises],
        trough_cell=saw.begin[rises],
        tau_h=_time_constants(water, air, saw, falls, length),
        duty=_duties(saw, rises, day, days),
        excess=_day_means(water - air, length),
        cycle_k_h=float(np.exp(np.median(cycle))) if len(cycle) >= 3 else np.nan,
        cycle_log_sd=float(max(cycle.std(), 0.15)) if len(cycle) >= 3 else np.nan,
        rise_h=float(np.median(saw.hours[rises])) if len(rises) else np.nan,
        days=float(len(np.unique(day[rises]))),
    )


def _time_constants(water: Float64, air: Float64, saw: Legs, falls: Int64, day_cells: int) -> Float64:
    """Time constant of each day, h; NaN without falls enough."""
    days = -(-len(water) // day_cells)
    length = saw.end[falls] - saw.begin[falls]
    begin = saw.begin[falls] + np.maximum(1, (EVENING_OUT * length).astype(np.int64))
    end = saw.end[falls] - 1
    for place in np.flatnonzero(-saw.rise[falls] > LONG_FALL_K).tolist():
        # after a run a heater that holds the water flat ends the fall softly: only its steep part is Newton's
        low = water[begin[place]] - STEEP_SHARE * (water[begin[place]] - saw.to_k[falls[place]])
        below = np.flatnonzero(water[begin[place] : end[place]] < low)
        if len(below):
            end[place] = begin[place] + below[0]
    fits = end > begin
    begin, end = begin[fits], end[fits]
    if not len(begin):
        return np.full(days, np.nan)
    excess = water - air
    known = ~np.isnan(excess)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, excess, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    cells = end - begin
    inside = count[end] - count[begin]
    with np.errstate(divide="ignore", invalid="ignore"):
        area = (total[end] - total[begin]) / inside * cells * CELL_H
    lost = water[begin] - water[end]
    area += (water[end] - water[begin]) / 2 * CELL_H  # trapezoids: half of each end
    fits = (inside >= 0.7 * cells) & np.isfinite(lost) & (area > 0)
    day = begin[fits] // day_cells
    lost_by_day = np.bincount(day, lost[fits], minlength=days)
    area_by_day = np.bincount(day, area[fits], minlength=days)
    found = area_by_day / np.maximum(lost_by_day, SMALL)
    told = (lost_by_day >= FALL_K_LEAST) & (found > FASTEST_H) & (found < SLOWEST_H)
    return np.where(told, found, np.nan)


def _duties(saw: Legs, rises: Int64, day: Int64, days: int) -> Float64:
    """Share of each day's time in which the water is heated. Single rises are short against a cell; sums are not."""
    whole = saw.whole
    heated = np.bincount(day[rises], saw.hours[rises], minlength=days)
    all_ = np.bincount(day[whole], saw.hours[whole], minlength=days)
    enough = np.bincount(day[rises], minlength=days) >= RISES_A_DAY_LEAST
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(enough, heated / all_, np.nan)


def _day_means(value: Float64, day_cells: int) -> Float64:
    days = -(-len(value) // day_cells)
    known = ~np.isnan(value)
    day = np.arange(len(value)) // day_cells
    count = np.bincount(day[known], minlength=days)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(count >= CELLS_LEAST, np.bincount(day[known], value[known], minlength=days) / count, np.nan)


@dataclass(frozen=True, slots=True)
class Grain:
    """What the readings leave open: noise of a cell's mean, K; range that the readings of a cell spread over beside
    what the water moved, K; smallest step that they show, K (0: none seen)."""

    noise: float
    spread: float
    resolution: float


def grain(water: Float64, least: Float64, greatest: Float64) -> Grain:
    """Noise and steps of the readings.

    Args:
        water: one unit's, Cel, [cell]. least, greatest: of cells with readings, NaN elsewhere.
    Returns: straight stretches have second differences of noise alone, with a variance of 6.
    """
    step = np.diff(water)
    bend = np.diff(step)
    bend = bend[(bend == bend) & (step[1:] * step[:-1] >= 0)]  # a turn of the saw-tooth is no noise
    # the lower quarter: after each turn the water at the heater and the block's even out in a bend
    noise = float(np.quantile(np.abs(bend), 0.25) / QUARTER_OF_SIGMA / np.sqrt(6)) if len(bend) >= 12 else 0.2
    values = np.concatenate((least, greatest))
    steps = np.diff(np.unique(np.round(values[values == values], 3)))
    steps = steps[steps > 0.02]
    resolution = float(np.median(steps)) if len(steps) >= 3 else 0.0
    beside = (greatest - least)[1:-1] - np.abs(water[2:] - water[:-2]) / 2
    beside = beside[beside == beside]
    spread = max(float(np.quantile(beside, 0.4)), 0.0) if len(beside) >= 12 else 0.0
    return Grain(float(np.clip(max(noise, 0.3 * resolution), 0.05, 3.0)), spread, resolution)
