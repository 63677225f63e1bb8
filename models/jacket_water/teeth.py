"""The saw-tooth of a heater: turning points of one unit's water, and the legs between them.

In: one unit's cells. Out: legs. May import: numpy, models.windows. Touches nothing. The loop goes over local extremes,
not over cells.
"""

from dataclasses import dataclass

import numpy as np

from models.seen import Bool
from models.windows import Float64, Int64

HEIGHT_K_LEAST = 1.2  # K: closest thermostats switch within 2-3 K (common practice); less may be noise
NOISES = 8.0  # a leg is at least so many noise sigmas high: extremes of hundreds of readings reach 3-4 on both sides
SPREADS = 3.0  # and than three usual ranges of a cell's readings (our choice)
RESOLUTIONS = 2.2  # and more than two steps of what the readings resolve
KNOWN_LEAST = 0.7  # share of a leg's cells that must be known


@dataclass(frozen=True, slots=True)
class Legs:
    """Monotone stretches between turning points, oldest first, [leg].

    begin, end: cell of the turning points (place on the grid), int64. from_k, to_k: water there, Cel. hours: between
    them, h (+-5 min each). whole: bool, both ends are turning points and enough of it is known.
    """

    begin: Int64
    end: Int64
    from_k: Float64
    to_k: Float64
    hours: Float64
    whole: Bool

    @property
    def rise(self) -> Float64:
        """K; negative where it falls."""
        return self.to_k - self.from_k


def least_height(noise: float, spread: float, resolution: float) -> float:
    """Height from which a leg counts, K.

    Args:
        noise: of a cell's mean, K. spread: range of a cell's readings by noise alone, K. resolution: smallest step, K.
    """
    return max(HEIGHT_K_LEAST, NOISES * noise, SPREADS * spread, RESOLUTIONS * resolution)


def legs(mean: Float64, least: Float64, greatest: Float64, *, height: float, spread: float) -> Legs:
    """Legs of a saw-tooth, higher than `height`.

    Within a cell the least comes first where the water is rising, else the greatest.

    Args:
        mean, least, greatest: one unit's water, Cel, NaN where unknown, [cell]. height: K. spread: range
        of a cell's readings by noise alone, K, which its extremes are drawn in by.
    Returns: [leg]; the first and the last are not whole.
    """
    cell = np.flatnonzero(~np.isnan(mean))
    if len(cell) < 3:
        return Legs(*(np.zeros(0, np.int64),) * 2, *(np.zeros(0),) * 3, np.zeros(0, np.bool_))
    middle = mean[cell]
    low = np.minimum(least[cell] + spread / 2, middle)
    high = np.maximum(greatest[cell] - spread / 2, middle)
    up = np.empty(len(cell), np.bool_)
    up[1:] = middle[1:] >= middle[:-1]
    up[0] = up[1]
    path = np.empty(2 * len(cell))
    path[0::2], path[1::2] = np.where(up, low, high), np.where(up, high, low)
    step = np.diff(path)
    moving = np.flatnonzero(step)
    turn = moving[1:][(step[moving[1:]] > 0) != (step[moving[:-1]] > 0)]
    candidates = np.concatenate(([0], turn, [len(path) - 1]))
    kept = _turning(path[candidates].tolist(), height)
    at = candidates[kept]
    value, where = path[at], cell[at // 2]
    half = 2 * where + at % 2
    span = np.maximum(np.diff(where), 1)
    known = np.diff(at // 2) / span
    whole = known >= KNOWN_LEAST
    whole[:1] = whole[-1:] = False
    return Legs(where[:-1], where[1:], value[:-1], value[1:], np.maximum(np.diff(half), 1) / 12.0, whole)


def _turning(value: list[float], height: float) -> list[int]:
    """Places of the turning points in a list of local extremes: each at least `height` from the next."""
    kept = [0]
    low = high = 0
    rising: bool | None = None
    for place in range(1, len(value)):
        here = value[place]
        if rising is None:
            low, high = (place if here < value[low] else low), (place if here > value[high] else high)
            if here - value[low] >= height:
                rising, kept = True, [low]
                high = place
            elif value[high] - here >= height:
                rising, kept = False, [high]
                low = place
        elif rising:
            if here >= value[high]:
                high = place
            elif value[high] - here >= height:
                kept.append(high)
                rising, low = False, place
        elif here <= value[low]:
            low = place
        elif here - value[low] >= height:
            kept.append(low)
            rising, high = True, place
    last = high if rising else low
    if rising is not None and last != kept[-1]:
        kept.append(last)
    return kept
