"""The mains of each site: line voltage that wanders, sags now and then, and fails.

In: ids of sites, a seed, a span. Out: volts as a share of the rated, outages. May import: numpy, simulator.chance.
Touches nothing.

Every number hangs on seed, site and time alone: any span gives the same volts at the same times.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64, even, keys, slow, white

DAY_NS = 86_400 * SECOND_NS
OFFSET = 0.02  # a site's mean is up to so far off the rated (ANSI C84.1 range A is 5 %, from memory)
WANDER, WANDER_S = 0.015, 6 * 3600.0  # what the feeder's load takes within hours (order of magnitude)
FLICKER, FLICKER_S = 0.005, 1200.0  # and within minutes
GRAIN = 0.001  # standard deviation from minute to minute
SAGS_A_DAY = 0.15  # some 50 a year to under 90 % (order of magnitude of feeder surveys, from memory)
SAG_LEAST, SAG_MOST = 0.60, 0.90  # deeper ones last no minute
SAG_S = 60.0
OUTAGES_A_DAY = 0.015  # some five a year at the end of a rural feeder (order of magnitude)
OUTAGE_LEAST_S, OUTAGE_MOST_S = 120.0, 36 * 3600.0  # most last an hour or so, few a day
OUTAGE_BENDS = 1.6  # the higher, the fewer are long: median about 1 h
LOOK_BACK_DAYS = 2  # the longest outage


@dataclass(frozen=True, slots=True)
class Supply:
    """voltage: share of the rated, 0 in outages, [site, t]. outages: site id, from and to in ns, sorted by time."""

    voltage: Float64
    outages: tuple[tuple[str, int, int], ...]


def line(site_ids: Sequence[str], *, seed: int, from_ns: int, to_ns: int, step_s: int = 60) -> Supply:
    """The mains at from_ns <= time < to_ns, a value each step_s; outages whole that lie in it or reach into it."""
    time_ns = np.arange(from_ns, to_ns, step_s * SECOND_NS, dtype=np.int64)

    def key(what: str) -> np.ndarray[tuple[int, ...], np.dtype[np.uint64]]:
        return keys(seed, site_ids, f"supply {what}")

    voltage: Float64 = 1.0 + OFFSET * even(key("offset"), np.zeros(1, np.int64))
    voltage = voltage + WANDER * slow(key("wander"), time_ns, knot_s=WANDER_S)
    voltage = voltage + FLICKER * slow(key("flicker"), time_ns, knot_s=FLICKER_S)
    voltage = voltage + GRAIN * white(key("grain"), time_ns)
    day = np.arange(from_ns // DAY_NS - LOOK_BACK_DAYS, (to_ns - 1) // DAY_NS + 1, dtype=np.int64)
    for row, begin_ns, size in _drawn(key("sag"), day, chance=SAGS_A_DAY):
        lasting = (time_ns >= begin_ns) & (time_ns < begin_ns + int(SAG_S * SECOND_NS))
        voltage[row, lasting] = np.minimum(voltage[row, lasting], SAG_LEAST + (SAG_MOST - SAG_LEAST) * size)
    outages: list[tuple[str, int, int]] = []
    for row, begin_ns, size in _drawn(key("outage"), day, chance=OUTAGES_A_DAY):
        lasting_s = OUTAGE_LEAST_S * (OUTAGE_MOST_S / OUTAGE_LEAST_S) ** (size**OUTAGE_BENDS)
        end_ns = begin_ns + int(lasting_s) * SECOND_NS
        if end_ns > from_ns and begin_ns < to_ns:
            voltage[row, (time_ns >= begin_ns) & (time_ns < end_ns)] = 0.0
            outages.append((site_ids[row], begin_ns, end_ns))
    return Supply(voltage, tuple(sorted(outages, key=lambda outage: (outage[1], outage[0]))))


def _drawn(
    key: np.ndarray[tuple[int, ...], np.dtype[np.uint64]], day: Int64, *, chance: float
) -> list[tuple[int, int, float]]:
    """At most one a site and day: row of the site, begin, ns, to the second, and a size evenly over 0..1."""
    happens = 0.5 + 0.5 * even(key, 3 * day) < chance
    begin_s = (0.5 + 0.5 * even(key, 3 * day + 1)) * 86_400.0
    size = 0.5 + 0.5 * even(key, 3 * day + 2)
    return [
        (row, int(day[column]) * DAY_NS + int(begin_s[row, column]) * SECOND_NS, float(size[row, column]))
        for row, column in np.argwhere(happens).tolist()
    ]
