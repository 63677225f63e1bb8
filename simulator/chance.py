"""Chance that can be asked anew: each number follows from a key and a time, so nothing has to be remembered.

In: keys of units and signals, times. Out: numbers. May import: numpy, hashlib. Touches nothing.
"""

from collections.abc import Sequence
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]
Int64 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Keys = NDArray[np.uint64]

SECOND_NS = 1_000_000_000


def keys(seed: int, names: Sequence[str], what: str) -> Keys:
    """One key a name, [name, 1]: from the name itself, so that its order in the fleet changes nothing."""
    digests = [blake2b(f"{seed}/{name}/{what}".encode(), digest_size=8).digest() for name in names]
    return np.array([[int.from_bytes(digest, "little")] for digest in digests], np.uint64)


def _mixed(number: Keys) -> Keys:
    """Finaliser of splitmix64 (Steele, Lea, Flood 2014, from memory): neighbours become strangers."""
    number = (number ^ (number >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    number = (number ^ (number >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return number ^ (number >> np.uint64(31))


def _bits(key: Keys, count: Int64) -> Keys:
    return _mixed(key + _mixed(count.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)))


def even(key: Keys, count: Int64) -> Float64:
    """Evenly spread over [-1, 1), [key, count]."""
    return (_bits(key, count) >> np.uint64(11)).astype(np.float64) * 2.0**-52 - 1.0


def white(key: Keys, time_ns: Int64) -> Float64:
    """Sensor noise of standard deviation 1, [key, time]: nearly normal, never beyond 3.5.

    A sum of four even numbers. The bound is wanted: a healthy unit has no reading that is nobody's fault.
    """
    bits = _bits(key, time_ns)
    total = np.zeros(bits.shape)
    for shift in (0, 16, 32, 48):
        total += (bits >> np.uint64(shift)) & np.uint64(0xFFFF)
    spread: Float64 = (total / 65_536.0 - 2.0) * 3.0**0.5
    return spread


def slow(key: Keys, time_ns: Int64, *, knot_s: float) -> Float64:
    """A smooth wandering between -1 and 1, [key, time]: an even number each knot_s, with soft curves between."""
    knot, rest = np.divmod(time_ns, int(knot_s * SECOND_NS))
    part = rest / (knot_s * SECOND_NS)
    weight = part * part * (3.0 - 2.0 * part)
    return even(key, knot) * (1.0 - weight) + even(key, knot + 1) * weight
