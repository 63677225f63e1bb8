"""Limits: the bound that holds now, and whether readings lie beyond it.

In: a limit's numbers, what was learned for the unit, readings of one track. Out: bounds and verdicts a reading.
May import: numpy, models.normal. Touches nothing. Delays and deadband's memory are the alarm system's, not ours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.normal import COMPENSATED_AT_CEL, SLOPE_DEFAULT
from models.windows import Float64

Verdict = NDArray[np.int8]
ABSENT, BETWEEN, PRESENT, UNKNOWN = -1, 0, 1, 2
"""Verdicts: back within the deadband's far side, between limit and there, beyond the limit, cannot be judged."""


@dataclass(frozen=True, slots=True)
class Bound:
    """One limit as numbers, in the signal's symbol (battery: V a 12 V block).

    low: below is beyond, else above. from_normal, times_normal: against the learned normal. at: absolute. Each None
    where it is not given, but not all. deadband: >= 0, how far back is back.
    """

    low: bool
    from_normal: float | None = None
    times_normal: float | None = None
    at: float | None = None
    deadband: float = 0.0


def learned_bound(bound: Bound, normal: Float64) -> Float64:
    """The bound relative to what was learned; NaN where nothing was learned or the limit has no such part.

    Args:
        normal: learned normal at each reading, in the symbol, [n]; NaN until learned.
    Returns: in the symbol, [n]. With both from_normal and times_normal the nearer one to the normal counts.
    """
    parts = []
    if bound.from_normal is not None:
        parts.append(normal + bound.from_normal)
    if bound.times_normal is not None:
        parts.append(normal * bound.times_normal)
    if not parts:
        return np.full_like(normal, np.nan)
    nearer: Float64 = np.fmax.reduce(parts) if bound.low else np.fmin.reduce(parts)
    return nearer


def absolute_bound(bound: Bound, normal: Float64, shift: Float64 | float = 0.0) -> Float64:
    """The bound that counts until something is learned, and as the outermost one after.

    A normal that was learned wrongly (a cold engine taken for a normal one) must not loosen a limit beyond `at`. But a
    unit whose sound normal lies beyond `at` (a thermostat of 30 Cel) must not stand under alarm for good: once learned,
    `at` comes no nearer to the normal than half the learned distance.

    Args:
        normal: as learned_bound. shift: added to `at`, in the symbol, [n] or a number.
    Returns: in the symbol, [n]; NaN where the limit has no absolute part.
    """
    if bound.at is None:
        return np.full_like(normal, np.nan)
    at = np.broadcast_to(np.asarray(bound.at + shift, np.float64), normal.shape)
    halfway = (normal + learned_bound(bound, normal)) / 2
    return np.fmin(at, halfway) if bound.low else np.fmax(at, halfway)


def effective_bound(bound: Bound, normal: Float64, shift: Float64 | float = 0.0) -> Float64:
    """The stricter of the learned and the absolute bound; NaN: no bound, nothing is judged. [n], in the symbol."""
    learned, absolute = learned_bound(bound, normal), absolute_bound(bound, normal, shift)
    return np.fmax(learned, absolute) if bound.low else np.fmin(learned, absolute)


def with_habit(limit: Float64, habit: float, *, low: bool, margin: float, outermost: float) -> Float64:
    """A bound that gives way to what a unit does on most days, with nothing wrong.

    Args:
        limit: the bound until now, in the symbol, [n]; NaN: none, and there is none then.
        habit: how far the signal goes on most days; NaN: not known. low: whether below the bound is beyond.
        margin: how far beyond the habit the bound comes to lie, > 0. outermost: how far it gives way at most.
    """
    if np.isnan(habit):
        return limit
    if low:
        return np.minimum(limit, max(habit - margin, outermost))
    return np.maximum(limit, min(habit + margin, outermost))


def verdicts(value: Float64, limit: Float64, *, low: bool, deadband: float) -> Verdict:
    """PRESENT beyond the limit, ABSENT once back by the deadband, BETWEEN in between, UNKNOWN where a NaN is met.

    Args:
        value, limit: in the symbol, [n]. deadband: >= 0.
    """
    excess = limit - value if low else value - limit  # > 0: beyond
    verdict = np.where(excess > 0, PRESENT, np.where(excess <= -deadband, ABSENT, BETWEEN))
    return np.where(np.isnan(excess), UNKNOWN, verdict).astype(np.int8)


def float_at(float_voltage: float, slope: float, temperature: Float64) -> Float64:
    """Float voltage a block at a battery temperature, V, [n]: V25 + slope * (T - 25 Cel). NaN stays NaN.

    Source: compensation of -3 to -5 mV/K a cell, shared trade facts section 4 (read).
    """
    return float_voltage + slope * (temperature - COMPENSATED_AT_CEL)


def high_shift(temperature: Float64) -> Float64:
    """What temperature compensation adds to an absolute high battery limit, V a block, [n]; 0 where T is NaN.

    14.4 V at 25 Cel is about 15.5 V at -20 Cel. Low limits are not shifted up: a rested battery's voltage hardly
    depends on temperature, and a charger without compensation must not trip them in the cold (our choice).
    """
    slope = -0.024  # V/K a block: -4 mV/K a cell, the middle of what is published
    return np.nan_to_num(slope * (np.clip(temperature, -40.0, 60.0) - COMPENSATED_AT_CEL), nan=0.0)


HIGHEST_V = 16.0  # V a block: no cold shifts a high limit beyond; electronics suffer (shared trade facts, section 2)
UNLEARNED_V = -0.3  # V a block: a full battery rests as low as this under the plain warning (section 4, our reading)


def low_shift(temperature: Float64) -> Float64:
    """What is taken off an absolute low battery warning as long as no float is learned, V a block, [n].

    A sound charger that compensates holds 13.2 V at 25 Cel as 12.77 V at 49 Cel; the weaker end of what is published
    has to do (models.normal). And whether it charges at all times, or lets a full battery rest, is not known yet.
    """
    heat = SLOPE_DEFAULT * (np.clip(temperature, COMPENSATED_AT_CEL, 50.0) - COMPENSATED_AT_CEL)
    return np.minimum(UNLEARNED_V, np.nan_to_num(heat, nan=0.0))


assert SLOPE_DEFAULT < 0, "a charger's float falls with temperature"
