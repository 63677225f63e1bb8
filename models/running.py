"""Runs: when the engine ran, from its run signals or, without them, from how fast its water warmed.

In: readings of one unit in the order of arrival. Out: when runs began and ended. May import: numpy, models.windows.
Touches nothing. This is the masks' need only (stopped limits are off during a run and for hours after).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.windows import Float64, Int64

RISE_K = 12.0  # a jacket-water heater warms by 5-11 K in 10-60 min and then rests; an engine goes on (common practice)
RISE_BIN_NS = 300 * 1_000_000_000
RISE_BINS = 15  # the rise is looked for within 70 to 75 min, as some gateways report each half hour
QUICK_BINS = 5  # within 20 to 25 min RISE_K are enough
# and K more for each bin before: an engine lifts its water by tens of kelvin in minutes, a heater by 30 K/h at most
# where the sensor sees the block (our choice)
FORGIVEN_K = np.maximum(np.arange(RISE_BINS) - QUICK_BINS + 1, 0) * 2.5
FALL_K = 3.0  # water this far below the run's greatest has begun to cool: the engine has stopped
FALL_LONG_K = 6.0  # once it has run for LONG_NS: loads that come and go move it by more than FALL_K (our choice)
LONG_NS = 3600 * 1_000_000_000
HELD_K = 1.0  # water this near to the run's greatest is still held by the engine's own thermostat (our choice)
SPEED_RUNNING = 200.0  # 1/min; cranking is 100-250, self-sustained 400 and more (common practice)
RUN_NS_MAX = 12 * 3600 * 1_000_000_000  # an inferred run without an end is given up after half a day ...
HOT_CEL = 70.0  # ... but not while the water is this hot: thermostats of engines open at 77-88, heaters' below 60
HOT_RUN_NS_MAX = 7 * 24 * 3600 * 1_000_000_000  # a mains failure of a week; then a sensor is likelier (our choice)


@dataclass(frozen=True, slots=True)
class Run:
    """The run under way or one that was; ns UTC.

    began_ns, began_noticed_ns: when it began, and when that could be known. ended_ns, ended_noticed_ns: None while
    running. inferred: from the water alone; then peak is the greatest temperature so far, Cel, and at peak_ns the water
    was last near it.
    """

    began_ns: int
    began_noticed_ns: int
    ended_ns: int | None = None
    ended_noticed_ns: int | None = None
    inferred: bool = False
    peak: float = -np.inf
    peak_ns: int = 0

    @property
    def under_way(self) -> bool:
        """Whether it has not ended yet."""
        return self.ended_ns is None


def switched(time_ns: Int64, received_ns: Int64, running: NDArray[np.bool_], last: Run | None) -> list[Run]:
    """Runs by a run signal: each change of `running` begins or ends one.

    Args:
        time_ns, received_ns: of the signal's readings in order, int64 [n]. running: bool [n].
        last: the run known before.
    Returns: last (if any) as it then is and each new run, in order.
    """
    runs = [] if last is None else [last]
    state = last is not None and last.under_way
    changes = np.flatnonzero(np.diff(np.concatenate(([state], running)).astype(np.int8)))
    for i in changes.tolist():
        if running[i]:
            runs.append(Run(int(time_ns[i]), int(received_ns[i])))
        else:
            runs[-1] = replace(runs[-1], ended_ns=int(time_ns[i]), ended_noticed_ns=int(received_ns[i]))
    return runs


def inferred(time_ns: Int64, received_ns: Int64, value: Float64, recent_least: Float64, last: Run | None) -> list[Run]:
    """Runs by the water alone: a rise of RISE_K over its recent least begins one, FALL_K below its peak ends it,
    FALL_LONG_K after an hour.

    It ended when the water was last near its peak. Until what was before the run is no longer recent, only water at
    the peak again is a new run.

    Args:
        time_ns, received_ns, value: jacket water in order, Cel, [n].
        recent_least: least water of the RISE_BINS bins that end with the reading's own, with FORGIVEN_K, Cel, [n].
        last: the run known before.
    Returns: last (if any) as it then is and each new run, in order.
    """
    runs = [] if last is None else [last]
    rises = np.flatnonzero(value - recent_least >= RISE_K)
    at = 0
    while at < len(value):
        if runs and runs[-1].under_way:
            at = _followed(runs, time_ns, received_ns, value, at)
        else:
            later = rises[np.searchsorted(rises, at) :]
            if runs and runs[-1].inferred and runs[-1].ended_ns is not None:
                recent_ns = runs[-1].ended_ns + RISE_BINS * RISE_BIN_NS
                later = later[(time_ns[later] >= recent_ns) | (value[later] >= runs[-1].peak)]
            if not len(later):
                break
            at = int(later[0])
            began = int(time_ns[at]) - QUICK_BINS * RISE_BIN_NS
            if runs and runs[-1].ended_ns is not None:
                began = max(began, runs[-1].ended_ns)
            runs.append(
                Run(began, int(received_ns[at]), inferred=True, peak=float(value[at]), peak_ns=int(time_ns[at]))
            )
            at += 1
    return runs


def _followed(runs: list[Run], time_ns: Int64, received_ns: Int64, value: Float64, at: int) -> int:
    """Follows the run under way from reading `at`; the first reading after its end."""
    run = runs[-1]
    peaks = np.maximum.accumulate(np.concatenate(([run.peak], value[at:])))[1:]
    lasted = time_ns[at:] - run.began_ns
    fall = np.where(lasted > LONG_NS, FALL_LONG_K, FALL_K)
    most = np.where(value[at:] >= HOT_CEL, HOT_RUN_NS_MAX, RUN_NS_MAX)
    over = np.flatnonzero((peaks - value[at:] >= fall) | (lasted > most))
    stop = int(over[0]) if len(over) else len(peaks) - 1
    held = np.flatnonzero(value[at : at + stop + 1] >= peaks[: stop + 1] - HELD_K)
    if len(held):
        run = replace(run, peak=float(peaks[stop]), peak_ns=int(time_ns[at + held[-1]]))
    if len(over):
        run = replace(run, ended_ns=run.peak_ns, ended_noticed_ns=int(received_ns[at + stop]))
    runs[-1] = run
    return at + stop + 1
