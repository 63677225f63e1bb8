"""How long the volts take back to float after each crank: a charger whose current limit falls takes longer and longer.

In: one unit's cells, cranks and normal. Out: hours of each crank, what is usual, log odds. May import: numpy, models.
Touches nothing.

A crank takes some tenths of an ampere-hour whatever the battery, so its way back shows what the charger gives, or the
alternator where it carries the battery in the run: minutes, the same each week, whatever the weather.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from models.battery.evidence import PRIOR, ramp
from models.battery.hours import Hours
from models.battery.normal import BatteryNormal
from models.seen import Seen
from models.windows import CELL_NS

NEAR_V = 0.12  # V a block under its float the charger is back (our choice)
CHARGED_V = 0.3  # V under it before the crank: the battery was not full, and what is missing is not the crank's
CELL_H = CELL_NS / 3.6e12
UNSEEN_CELLS = 2  # without a reading in a row: when it came back is not known
PAST_LEAST = 4  # ways back before any is judged by them
PAST_MOST = 12
USUAL_SHARE = 0.8  # quantile of the past that counts as usual: some runs are short, some cold
SLOWER_LOG = (np.log(2.0), np.log(4.0))  # times the usual: before nothing, from there on sure (our choice)
SLOW_H = 0.5  # a shorter way back is nobody's trouble (our choice)
LATEST = 2  # last cranks that are weighed: one may have been a long start
SAME_CELLS = 3  # a run known by its water begins up to 25 min off
STARTS_MOST = 42  # of the window; a sensor that jumps looks like more (our choice: three a day)
WEIGHT = 4.5  # log odds of each: both outweigh the prior, one does not
OVER_H = 6.0  # by then a crank's own charge is back whatever the charger; longer is another story


def ways_back(seen: Seen, unit: int, hours: Hours, normal: BatteryNormal) -> list[tuple[int, float, bool]]:
    """Each crank of the window that left a full battery: when, hours back to float, and whether it is back.

    A run that is known begins with a crank, whether or not slow readings show its dip.

    Args:
        seen: 14 days of some units. unit: row. hours: its hours. normal: what was learned.
    Returns: at ns UTC, h (so far, where it is not back), bool; in order. Cranks whose way cannot be told are left out.
    """
    if not np.isfinite(normal.float_voltage):
        return []
    battery = seen.battery
    mean, read = battery.mean[unit], battery.count[unit] > 0
    place = np.maximum(np.arange(battery.cells) - (battery.cells - 6 * len(hours.temperature)), 0) // 6
    floated = normal.float_voltage + normal.float_slope * (hours.temperature[place] - 25.0)
    begins = _begins(seen, unit)
    out = []
    for (first, begin), (following, _) in pairwise([*begins, (battery.cells, 0)]):
        end = min(begin + 1 + round(OVER_H / CELL_H), following)
        # the dip itself may lower the mean of its cell; charge that was missing before is not the crank's
        before = np.flatnonzero(read[:first])[-1:]
        if end <= begin + 1 or not len(before) or not mean[before[0]] >= floated[before[0]] - CHARGED_V:
            continue
        at_float = read[begin + 1 : end] & (mean[begin + 1 : end] >= floated[begin + 1 : end] - NEAR_V)
        back = bool(at_float.any())
        stop = begin + 1 + int(at_float.argmax()) if back else end - 1
        seen_at = np.concatenate(([begin], begin + 1 + np.flatnonzero(read[begin + 1 : stop + 1])))
        if len(seen_at) < 2 or np.diff(seen_at).max() > UNSEEN_CELLS + 1:
            continue
        if not back and end == following < battery.cells:
            continue  # cranked again meanwhile
        out.append((int(battery.begin_cell + begin) * CELL_NS, (stop - begin) * CELL_H, back))
    return out


def _begins(seen: Seen, unit: int) -> list[tuple[int, int]]:
    """First and last cell of each cranking, [n]; cranks and beginnings of runs within SAME_CELLS are one."""
    running = seen.running[unit]
    runs = np.flatnonzero(running[1:] & ~running[:-1]) + 1
    cranks = np.array([crank.at_ns // CELL_NS - seen.battery.begin_cell for crank in seen.cranks[unit]], np.int64)
    cells = np.unique(np.concatenate((runs, cranks[(cranks > 0) & (cranks < seen.battery.cells)])))
    if not 0 < len(cells) <= STARTS_MOST:
        return []
    groups = np.split(cells, np.flatnonzero(np.diff(cells) > SAME_CELLS) + 1)
    return [(int(group[0]), int(group[-1])) for group in groups]


def learned(ways: Sequence[tuple[int, float, bool]], normal: BatteryNormal) -> tuple[tuple[float, ...], int]:
    """Hours back after the last cranks, and up to which crank they are known; a way that is much longer is not learned.

    Args:
        ways: as ways_back gives them. normal: until now.
    """
    past, since_ns = normal.back_h, normal.back_ns
    usual = usual_h(past)
    for at_ns, hours, back in ways:
        if at_ns <= since_ns or not back:
            continue
        since_ns = at_ns
        if np.isnan(usual) or hours <= max(SLOW_H, usual * np.exp(SLOWER_LOG[0])):
            past = (*past, hours)[-PAST_MOST:]
    return past, since_ns


def usual_h(past: Sequence[float]) -> float:
    """Hours that a way back takes at this unit; NaN: too few are known."""
    return float(np.quantile(past, USUAL_SHARE)) if len(past) >= PAST_LEAST else np.nan


def slow_return_log_odds(ways: Sequence[tuple[int, float, bool]], normal: BatteryNormal) -> tuple[float, float]:
    """The charger gives less: the last cranks' ways back take some times what they used to.

    Args:
        ways: as ways_back gives them. normal: what was learned.
    Returns: log odds, and hours that the last one took or takes; NaN: cannot be judged.
    """
    usual = usual_h(normal.back_h)
    told = [hours for _, hours, back in ways if back or hours > SLOW_H][-LATEST:]
    if np.isnan(usual) or not told:
        return PRIOR, np.nan
    weights = [
        WEIGHT * ramp(float(np.log(hours / max(usual, CELL_H))), *SLOWER_LOG) * float(hours > SLOW_H) for hours in told
    ]
    return PRIOR + sum(weights), told[-1]
