"""A unit's own habits: how lively its water is, how steep its teeth, how far it goes beyond its band and comes back.

In: one unit's cells and legs. Out: numbers, [day] where they scatter from day to day. May import: numpy, models.
Touches nothing.

Heat, wind and sensor places differ from unit to unit by more than faults change them. A unit's days differ little from
each other: what is far off all of its own days is a fault, whatever the unit is like.
"""

from dataclasses import dataclass

import numpy as np

from models.jacket_water.normal import DAYS_SETTLED, WaterNormal
from models.jacket_water.teeth import Legs
from models.seen import Bool
from models.windows import CELLS_A_DAY, Float64

CELL_H = 1 / 6
NOISE_RANGE = 3.0  # sigmas of a cell's mean that the readings of a cell spread over, about (from memory: range of 4-5)
OVER_AIR_K_LEAST = 6.0  # K: nearer to the air, what moves the water is the day and not the heater (our choice)
BLOCK_CELLS = 48  # 8 h, as the judgement sees
BLOCK_CELLS_LEAST = 24
TEETH_A_DAY_LEAST = 2
HEATED_H_LEAST = 0.5  # h a day of heated rises: shorter ones are too short against a cell of ten minutes
DAYS_LEAST = 3  # before own days tell a spread
SPELLS = 3  # so many troughs of a window reach as deep, so many peaks as high: one alone may be a fault's
TEETH_FOR_EXTREMES = 12
OWN_SPELL_CELLS = 72  # 12 h: a fault lasts longer, a limit that does not suit the unit comes and goes with each cycle
NEW_SPELL_CELLS = 144  # a day, while nothing is settled: there, spells of several cycles run into one another
OWN_BAND_K = 1.5  # K round the learned band (our choice)
# two days of a window in which a fault began do not widen the spread, days of a heater's second stage do (our choice)
SIDE, SIDE_SIGMAS = 0.85, 1.0364
STEEP_SD_MAX = 0.3  # of the log from day to day: wider, and a heater has two stages or too few teeth


@dataclass(frozen=True, slots=True)
class Spread:
    """Something's middle and the spread of its logarithm; both NaN where not told. count: of what it was told by."""

    middle: float
    log_sd: float
    count: int


def own_way(trusted: Bool, water: Float64, former: WaterNormal) -> Bool:
    """Cells that may teach levels although something stood then, bool [cell].

    A limit that does not suit a unit stands in each of its cycles, and what it covers would never be learned. So spells
    that ended soon by themselves teach; once the unit's levels are settled only those in which the water kept to them.

    Args:
        trusted: as seen. water: Cel; both [cell]. former: what is known.
    """
    settled = former.days >= DAYS_SETTLED
    longest = OWN_SPELL_CELLS if settled else NEW_SPELL_CELLS
    low, high = (former.cut_in - OWN_BAND_K, former.cut_out + OWN_BAND_K) if settled else (-np.inf, np.inf)
    edges = np.flatnonzero(np.diff(trusted.astype(np.int8))) + 1
    spans = np.concatenate(([0], edges, [len(trusted)]))
    out = trusted.copy()
    for begin, end in zip(spans[:-1].tolist(), spans[1:].tolist(), strict=True):
        if trusted[begin] or end == len(trusted) or end - begin > longest:
            continue
        part = water[begin:end]
        part = part[part == part]
        out[begin:end] = len(part) > 0 and part.min() >= low and part.max() <= high
    return out


def moved_k(water: Float64, least: Float64, greatest: Float64, *, noise: float, most: float = np.inf) -> Float64:
    """How far the water moved in each cell, K, [cell]; NaN where unknown.

    Args:
        water, least, greatest: one unit's, Cel, [cell]. noise: K, taken off each cell's movement. most: K, and no
        cell counts for more, as a jump of a sensor or a run that nobody noticed is no liveliness.
    """
    step = np.abs(np.diff(water, prepend=np.nan))
    return np.clip(np.fmax(greatest - least, step) - NOISE_RANGE * noise, 0.0, most)


def movement(moved: Float64, excess: Float64, *, cells_least: int = BLOCK_CELLS_LEAST) -> float:
    """How much the water moves up and down in an hour, a kelvin of excess over the air, 1/h; NaN where it is not told.

    A block with a heater gives 2 (1 - duty) / time constant, whatever its band, its heater and the weather.

    Args:
        moved: K. excess: K; [cell]. cells_least: so many must be known.
    """
    known = ~np.isnan(moved) & ~np.isnan(excess)
    total = float(excess[known].sum())
    if known.sum() < cells_least or total < known.sum() * OVER_AIR_K_LEAST:
        return np.nan
    return float(moved[known].sum() / total / CELL_H)


def movements(moved: Float64, excess: Float64) -> Spread:
    """The unit's usual movement and how it scatters between spans of eight hours. Args: moved, excess: K, [cell]."""
    spans = [slice(begin, begin + BLOCK_CELLS) for begin in range(0, len(moved), BLOCK_CELLS)]
    told = np.array([movement(moved[span], excess[span]) for span in spans])
    return _spread(told[told > 0])


def steepness(saw: Legs, chosen: Bool, *, at_least: bool = False) -> float:
    """Heating rate that the teeth show where the sensor is, K/h: how fast it rises heated and falls unheated, together.

    Wind and weather take from the rise what they add to the fall.

    Args:
        saw: legs. chosen: which of them count, bool [leg]. at_least: a lower bound, told
        by short rises too, of which each may have lasted half a cell longer.
    Returns: NaN with too few or too short teeth.
    """
    up, down = chosen & saw.whole & (saw.rise > 0), chosen & saw.whole & (saw.rise < 0)
    heated_h = saw.hours[up].sum() + (CELL_H / 2 * up.sum() if at_least else 0.0)
    if min(up.sum(), down.sum()) < TEETH_A_DAY_LEAST or (heated_h < HEATED_H_LEAST and not at_least):
        return np.nan
    return float(saw.rise[up].sum() / heated_h - saw.rise[down].sum() / saw.hours[down].sum())


def steepnesses(saw: Legs, cells: int) -> Spread:
    """The unit's usual steepness and how it scatters from day to day. Args: saw: legs. cells: of the window."""
    day = saw.begin // CELLS_A_DAY
    told = np.array([steepness(saw, day == one) for one in range(-(-cells // CELLS_A_DAY))])
    return _spread(told[told > 0])


def _spread(told: Float64) -> Spread:
    if len(told) < DAYS_LEAST:
        return Spread(np.nan, np.nan, len(told))
    low, middle, high = np.quantile(np.log(told), (1 - SIDE, 0.5, SIDE)).tolist()
    return Spread(float(np.exp(middle)), max(high - middle, middle - low) / SIDE_SIGMAS, len(told))


def extremes(trough: Float64, peak: Float64) -> tuple[float, float]:
    """Depth and height that this unit's water has reached in sound cycles more than once, Cel; NaN: too few teeth.

    Args:
        trough, peak: turning points of its heated rises, Cel, [rise].
    """
    if len(trough) < TEETH_FOR_EXTREMES:
        return np.nan, np.nan
    return float(np.sort(trough)[SPELLS - 1]), float(np.sort(peak)[-SPELLS])
