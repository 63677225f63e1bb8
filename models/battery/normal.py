"""What is kept of a unit's battery and charger: one frozen object of plain numbers, and what every test of it shares.

In: nothing. Out: the normal, stretches of True. May import: numpy, models. Touches nothing.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.battery.cranking import PastCrank
from models.battery.hours import HOUR_NS, LAG_H

SLOPE_PRIOR, SLOPE_PRIOR_SD = -0.015, 0.010  # V/K a block: 0 to -5 mV/K a cell (shared trade facts, section 4)
SETTLED_H = 12.0  # after a run absorption lasts hours; later hours show the float
ANCHOR_DAYS = 21  # the newest days do not move the normal they are judged by
SPELL_V = 0.25  # this far under its float a charger does not charge
DAY_NS = 24 * HOUR_NS


class Day(NamedTuple):
    """One day's float: day since 1970, V a block at that temperature, Cel, and how far the hours strayed, V."""

    number: int
    level: float
    temperature: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class BatteryNormal:
    """What was learned of one unit's battery and charger; NaN: not yet. Plain numbers and tuples of them only.

    float_voltage: at 25 Cel, V a 12 V block. float_slope: of the float against temperature, V/K a block; slope_sd: how
    sure; slope_weight: what it rests on, 1/(V/K)^2. lag_h: of the temperature behind the enclosure's. spread: of an
    hour about its day, V; day_sd: of a day. low, high: how far under and over its float the charger is used to stand
    for hours, V; low_volts: what it lets the battery sink to while it is off by itself, V. coldest, warmest: learned
    at, Cel. off_h, off_a_week: its own switching off, longest and how often. recovery_h: usual time from a run to
    float. moves: usual span of an hour's volts, V. resolution: of the volts as reported, V, deadband or digits. days:
    the last ones. float_since_ns, float_before: since when the set point is another one, and the former float at 25
    Cel; 0, NaN: no. cranks: past ones. battery_since_ns: since when the battery is another one; 0: no change known.
    course: volts to which it sinks at each hour of the day UTC at which its charger rests by habit, else 0, V a
    block, [24]; (): it never does. lost_way_h, lost_slope: while charge is lost, the hours from float to rest in which
    it was, and the steepest that the volts sank after, with what is unsure of it, V a day.
    """

    float_voltage: float = np.nan
    float_slope: float = SLOPE_PRIOR
    slope_sd: float = SLOPE_PRIOR_SD
    slope_weight: float = 0.0
    lag_h: float = LAG_H
    spread: float = np.nan
    day_sd: float = np.nan
    low: float = 0.0
    high: float = 0.0
    low_volts: float = np.nan
    coldest: float = np.nan
    warmest: float = np.nan
    off_h: float = 0.0
    off_a_week: float = 0.0
    recovery_h: float = np.nan
    moves: float = np.nan
    resolution: float = 0.0
    days: tuple[Day, ...] = ()
    float_since_ns: int = 0
    float_before: float = np.nan
    cranks: tuple[PastCrank, ...] = ()
    battery_since_ns: int = 0
    course: tuple[float, ...] = ()
    lost_way_h: float = np.nan
    lost_slope: float = np.nan
    back_h: tuple[float, ...] = ()
    back_ns: int = 0


def spells(off: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Stretches of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], off, [False])).astype(np.int8)))
    return [(int(first), int(past)) for first, past in edges.reshape(-1, 2)]
