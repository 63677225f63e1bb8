"""Hours: one unit's 14 days as hourly values, with the temperature of the battery from the air around it.

In: what is seen of some units (10-minute cells). Out: one frozen object of 336 hours that the tests look at. May
import: numpy, models. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.seen import Seen
from models.windows import CELL_NS, Float64

CELLS_AN_HOUR = 6
HOUR_NS = CELLS_AN_HOUR * CELL_NS
LAG_H = 6.0  # h: a starting battery of 20-60 kg in still air follows it in 4-12 h (from memory)
PLAUSIBLE_V = (3.0, 18.0)  # outside it no reading of a block counts (section 2 of the shared trade facts: 0..18)
STALE_AIR_H = 24  # the air of a day ago still tells the battery's temperature to some kelvin
ASSUMED_AIR_CEL = 25.0  # where there is none: compensation then shifts nothing, and the spread must hold it


@dataclass(frozen=True, slots=True)
class Hours:
    """One unit's hours, oldest first, the last one ends now.

    end_ns: end of the last hour. volts, least, greatest: V a block while stopped, NaN where not known. temperature: of
    the battery, Cel, assumed where warm_known is False. air: enclosure, Cel, NaN where not known. ran: it ran for some
    of the hour. after_run_h: at the hour's end. fresh: readings in the hour. trusted: all of it may be learned from.
    step: greatest fall from one 10-minute cell to the next but one that ends in the hour, all three read, V; NaN: none
    such. Over 20 minutes, so that a step inside a cell shows whole.
    """

    end_ns: int
    volts: Float64
    least: Float64
    greatest: Float64
    temperature: Float64
    air: Float64
    warm_known: NDArray[np.bool_]
    ran: NDArray[np.bool_]
    after_run_h: Float64
    fresh: NDArray[np.int64]
    trusted: NDArray[np.bool_]
    step: Float64

    def begin_ns(self, hour: int) -> int:
        """Begin of an hour, ns UTC."""
        return self.end_ns - (len(self.volts) - hour) * HOUR_NS


def lagged(air: Float64, lag: float) -> Float64:
    """First-order lag of a series with gaps, the mean of what is known until the lag has filled.

    A recursion in closed form: both sums grow by exp(1 / lag) a step, and their ratio is the weighted mean of the past.

    Args:
        air: [time], NaN where not known. lag: time constant in steps, > len / 600 so that nothing overflows.
    Returns: [time]; NaN before the first known value.
    """
    known = ~np.isnan(air)
    weight = np.exp((np.arange(len(air)) - len(air)) / lag)
    total = np.cumsum(np.where(known, air, 0.0) * weight)
    weights = np.cumsum(known * weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        course: Float64 = total / weights
    return course


def _steps(mean: Float64, read: NDArray[np.bool_]) -> Float64:
    """Greatest fall over two cells that ends in each hour, V, [hour]; see Hours.step.

    Args:
        mean: V a block, whole hours, [cell]. read: the engine stood, and it was read then, [cell].
    """
    fall = np.full(len(mean), np.nan)
    fall[2:] = np.where(read[:-2] & read[1:-1] & read[2:], mean[:-2] - mean[2:], np.nan)
    by_hour: Float64 = np.fmax.reduce(fall.reshape(-1, CELLS_AN_HOUR), axis=1)
    return by_hour


def hours_of(seen: Seen, unit: int, lag_h: float = LAG_H) -> Hours:
    """One unit's hours.

    Args:
        seen: what is seen of some units. unit: its row. lag_h: time constant of the battery in its air, h.
    """
    battery = seen.battery
    hours = battery.cells // CELLS_AN_HOUR
    cut = battery.cells - hours * CELLS_AN_HOUR
    shape = (hours, CELLS_AN_HOUR)
    mean = battery.mean[unit, cut:]
    running = seen.running[unit, cut:]
    stopped = ~running & (mean > PLAUSIBLE_V[0]) & (mean < PLAUSIBLE_V[1])
    number = stopped.reshape(shape).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        volts = np.where(stopped, mean, 0.0).reshape(shape).sum(axis=1) / number
    empty = number == 0
    least = np.fmin.reduce(np.where(stopped, battery.least[unit, cut:], np.inf).reshape(shape), axis=1)
    greatest = np.fmax.reduce(np.where(stopped, battery.greatest[unit, cut:], -np.inf).reshape(shape), axis=1)
    air_cells = seen.air.mean[unit, cut:].reshape(shape)
    air_known = ~np.isnan(air_cells)
    air_number = air_known.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        air = np.where(air_known, air_cells, 0.0).sum(axis=1) / air_number
    index = np.arange(hours)
    latest = np.maximum.accumulate(np.where(air_number > 0, index, -10 * STALE_AIR_H))
    warm_known = index - latest <= STALE_AIR_H
    temperature = np.where(warm_known, lagged(air, lag_h), ASSUMED_AIR_CEL)
    return Hours(
        end_ns=(battery.begin_cell + battery.cells) * CELL_NS,
        volts=volts,
        least=np.where(empty | np.isinf(least), np.nan, least),
        greatest=np.where(empty | np.isinf(greatest), np.nan, greatest),
        temperature=temperature,
        air=air,
        warm_known=warm_known,
        ran=np.asarray(running.reshape(shape).any(axis=1)),
        after_run_h=seen.after_run_h[unit, cut:].reshape(shape)[:, -1],
        fresh=battery.count[unit, cut:].reshape(shape).sum(axis=1),
        trusted=np.asarray(seen.trusted[unit, cut:].reshape(shape).all(axis=1)),
        step=_steps(mean, stopped & (battery.count[unit, cut:] > 0)),
    )
