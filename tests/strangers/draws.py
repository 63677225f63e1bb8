"""Random draws: a stream of its own for each unit and purpose, so that a change in one room moves no other.

In: a seed. Out: generators and the few shapes of distribution that are drawn from. May import: numpy. Touches nothing.
"""

from collections.abc import Mapping, Sequence
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Rng = np.random.Generator


def stream(seed: int, unit: int, purpose: str) -> Rng:
    """The random stream of one unit for one purpose.

    Args:
        seed: of the whole run, >= 0.
        unit: its number, >= 0; what belongs to no unit takes 999_999.
        purpose: any word; another word is another stream.
    """
    return np.random.default_rng([seed, unit, crc32(purpose.encode())])


def log_between(rng: Rng, low: float, high: float) -> float:
    """A number whose logarithm is even between two bounds: for what differs by factors, like leaks and masses."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def between(rng: Rng, low: float, high: float) -> float:
    """A number evenly between two bounds."""
    return float(rng.uniform(low, high))


def chance(rng: Rng, share: float) -> bool:
    """True in this share of the draws."""
    return bool(rng.random() < share)


def pick(rng: Rng, weights: Mapping[str, float]) -> str:
    """One of the names, by weight."""
    names = list(weights)
    shares = np.array([weights[name] for name in names])
    return names[int(rng.choice(len(names), p=shares / shares.sum()))]


def columns(rows: Sequence[Mapping[str, float]]) -> dict[str, Array]:
    """Rows of equal keys, one a unit, as one array a key, shape [unit]."""
    return {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}
