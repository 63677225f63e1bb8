"""When gateways read their sensors: in a rhythm, and quickly around cranks.

In: rhythms, phases, spans. Out: times of samples. May import: numpy, simulator.chance. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Bool, Float64, Int64

WATCHED_NS = 930 * SECOND_NS  # from the first second of a crank: 30 s each second, then a quarter of an hour
WATCH_EVERY_NS = 10 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Samples:
    """What gateways read: when by the true time, ns, unit, signal and value, [row]."""

    time_ns: Int64
    unit: Int64
    signal: Int64
    value: Float64


def concatenated(parts: Sequence[Samples]) -> Samples:
    """The rows of all parts."""
    none = np.empty(0, np.int64)
    whole = [*parts, Samples(none, none, none, np.empty(0))]
    return Samples(
        np.concatenate([part.time_ns for part in whole]),
        np.concatenate([part.unit for part in whole]),
        np.concatenate([part.signal for part in whole]),
        np.concatenate([part.value for part in whole]),
    )


def rhythm(every_s: int, phase_ns: Int64, *, after_ns: int, last_ns: int) -> tuple[Int64, Bool]:
    """Times of the samples in after_ns < time <= last_ns, and which of them lie in it, both [unit, sample].

    Args:
        phase_ns: of each unit, ns after whole multiples of every_s since 1970, [unit].
    """
    every_ns = every_s * SECOND_NS
    turns = np.arange(after_ns // every_ns - 1, last_ns // every_ns + 1, dtype=np.int64)
    time_ns: Int64 = turns[None, :] * every_ns + phase_ns[:, None]
    valid: Bool = (time_ns > after_ns) & (time_ns <= last_ns)
    return time_ns, valid


def still_watched(before_ns: Int64, quick_time_ns: Int64, quick_unit: Int64, quick: Bool) -> Int64:
    """Until when each unit reports each ten seconds, ns, [unit]: a quarter of an hour after a crank's quick rows began.

    Args:
        before_ns: as of the span before, [unit]. quick_time_ns, quick_unit: the quick rows, [row]. quick: whether a
            unit's gateway can, [unit].
    """
    until_ns = before_ns.copy()
    rows = quick[quick_unit]
    np.maximum.at(until_ns, quick_unit[rows], quick_time_ns[rows] + WATCHED_NS - 30 * SECOND_NS)
    return until_ns


def quick_samples(until_ns: Int64, *, after_ns: int, last_ns: int) -> tuple[Int64, Int64]:
    """Times and units of the ten-second reports in a span, [row].

    Args:
        until_ns: as still_watched gives it, [unit].
    """
    time_ns, unit = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for row in np.flatnonzero(until_ns > after_ns):
        end_ns = min(int(until_ns[row]), last_ns)
        # A quarter of an hour is all that was asked for, whatever the first quick row was.
        begin_ns = max(after_ns + 1, int(until_ns[row]) - WATCHED_NS)
        times = np.arange(-(-begin_ns // WATCH_EVERY_NS) * WATCH_EVERY_NS, end_ns + 1, WATCH_EVERY_NS, dtype=np.int64)
        time_ns.append(times)
        unit.append(np.full(len(times), row, np.int64))
    return np.concatenate(time_ns), np.concatenate(unit)
