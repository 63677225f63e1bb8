"""Cranks: dips of the battery that a starter makes, found in the readings as they arrive.

In: battery readings of one unit that bring news, in order, and the dip that was open before them. Out: cranks. Pure.
May import: numpy, models.seen, monitor.batch.

A crank lasts seconds, so it is seen only where readings come each second or two; of slower ones the least is an upper
bound, and a dip between two readings is not seen at all. Nothing is guessed from what is not there.
"""

from dataclasses import dataclass, replace

import numpy as np

from monitor.batch import Float64, Int64
from monitor.times import SECOND_NS

DIP_V = 1.0  # V a block: a starter takes 1.5-4 V; a charger that stops lets go of 0.5-0.9 V (common practice)
DEAD_V = 3.0  # V a block: below it no starter turns, the sensor or its wire has let go
RECOVERED = 0.5  # share of the dip; the rest may take minutes while the battery recovers without a charger
DIP_NS_MAX = 180 * SECOND_NS  # from the last reading before to the first after: three at a minute; longer is no crank
SEEN_S = 2.0  # longest gap between readings with which the true least is near the least read (contract)


@dataclass(frozen=True, slots=True)
class Dip:
    """A dip that has not recovered yet. V a block; ns.

    before_ns, before: the reading before it. at_ns: its first reading. least: so far. last_ns: its newest reading.
    gap_ns: the longest between its readings so far; how long before it nothing was read does not count, since gateways
    quicken with the crank.
    """

    before_ns: int
    before: float
    at_ns: int
    least: float
    last_ns: int
    gap_ns: int


@dataclass(frozen=True, slots=True)
class Found:
    """A dip that recovered. received_ns: arrival of the reading that says so. seen_s: longest gap up to that one."""

    at_ns: int
    received_ns: int
    least: float
    before: float
    seen_s: float


def may_dip(value: Float64, before: Float64) -> np.ndarray:
    """Readings before which the battery stood higher by a dip, bool [n]; V a block, NaN before the first."""
    with np.errstate(invalid="ignore"):
        deep: np.ndarray = before - value >= DIP_V
    return deep


def found_in(
    time_ns: Int64, received_ns: Int64, value: Float64, previous: tuple[int, float] | None, dip: Dip | None
) -> tuple[list[Found], Dip | None]:
    """Cranks that end in some readings, and the dip that is open after them.

    Args:
        time_ns, received_ns, value: in order, V a block, [n]. previous: time and value of the reading before them, None
        where there was none. dip: as open before them.
    """
    found: list[Found] = []
    times = time_ns if previous is None else np.append(previous[0], time_ns)
    values = value if previous is None else np.append(previous[1], value)
    skipped = 0 if previous is None else 1
    deep = np.flatnonzero(may_dip(values[1:], values[:-1])) + 1
    at = skipped
    while at < len(values):
        if dip is None:
            later = deep[np.searchsorted(deep, at) :]
            if not len(later):
                break
            at = int(later[0])
            dip = _opened(int(times[at - 1]), float(values[at - 1]), int(times[at]), float(values[at]))
        else:
            dip, ended = _followed(dip, int(times[at]), float(values[at]))
            if ended:
                seen_s = max(dip.gap_ns, int(times[at]) - dip.last_ns) / SECOND_NS
                if dip.least >= DEAD_V:
                    received = int(received_ns[at - skipped])
                    found.append(Found(dip.at_ns, received, round(dip.least, 6), round(dip.before, 6), seen_s))
                dip = None
        if dip is not None and int(times[at]) - dip.before_ns > DIP_NS_MAX:
            dip = None  # it stays low: a battery or a charger, no starter
        at += 1
    return found, dip


def _opened(before_ns: int, before: float, at_ns: int, value: float) -> Dip:
    return Dip(before_ns, before, at_ns, value, at_ns, 0)


def _followed(dip: Dip, time_ns: int, value: float) -> tuple[Dip, bool]:
    """The dip with one more reading, and whether that one says that it is over."""
    if time_ns - dip.before_ns <= DIP_NS_MAX and value >= dip.before - RECOVERED * (dip.before - dip.least):
        return dip, True
    gap_ns = max(dip.gap_ns, time_ns - dip.last_ns)
    return replace(dip, least=min(dip.least, value), last_ns=time_ns, gap_ns=gap_ns), False
