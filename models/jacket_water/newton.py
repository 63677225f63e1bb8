"""Newton's cooling and its consequences for a block with a heater: the few formulas that everything here leans on.

Letters: T water, Ta air round the block, tau time constant, h = P/C heating rate (heater power over heat capacity).
dT/dt = h - (T - Ta)/tau. May import: numpy, models.windows. Touches nothing.
"""

import numpy as np

from models.windows import Float64


def cooling_time_h(start: Float64, limit: Float64, air: Float64, time_constant_h: Float64) -> Float64:
    """Time in which an unheated engine cools to a limit: t = tau * ln((T0 - Ta) / (TL - Ta)).

    Args:
        start, limit, air: T0, TL, Ta, Cel; time_constant_h: tau, h, > 0; of one shape or broadcast to one.
    Returns: h, of that shape: 0 at or below the limit, inf where the air is no colder than the limit, NaN where any
        input is NaN.
    Source: lumped capacitance, Incropera, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory).
    """
    start, limit, air, time_constant_h = np.broadcast_arrays(start, limit, air, time_constant_h)
    unknown = np.isnan(start + limit + air + time_constant_h)
    with np.errstate(divide="ignore", invalid="ignore"):  # those are answered by the cases below
        time_h = time_constant_h * np.log((start - air) / (limit - air))
    return np.select([unknown, start <= limit, air >= limit], [np.nan, 0.0, np.inf], default=time_h)


def warming_time_h(
    start: Float64, limit: Float64, air: Float64, time_constant_h: Float64, heating_k_per_h: Float64
) -> Float64:
    """Time in which the heater, always on, warms an engine to a limit.

    Args:
        start, limit, air: T0, TL, Ta, Cel; time_constant_h: tau, h; heating_k_per_h: h, K/h; of one shape.
    Returns: h: 0 at or above the limit, inf where the heater is too weak for it, NaN where any input is NaN.
    Source: as cooling_time_h, with Ta + h * tau for the air.
    """
    return cooling_time_h(-start, -limit, -(air + heating_k_per_h * time_constant_h), time_constant_h)


def duty(held: Float64, air: Float64, time_constant_h: Float64, heating_k_per_h: Float64) -> Float64:
    """Share of time the heater is on: D = (T - Ta) / (R P), and R P = tau * h.

    Args:
        held: mean water, Cel; air: Cel; time_constant_h: h; heating_k_per_h: K/h; of one shape.
    Returns: 0..1, over 1 where the heater cannot hold that.
    Source: shared trade facts, section 3.
    """
    return (held - air) / (time_constant_h * heating_k_per_h)


def coldest_air_held(held: Float64, time_constant_h: Float64, heating_k_per_h: Float64) -> Float64:
    """Air below which a heater that is always on cannot hold the water: Ta = T - h * tau.

    Args:
        held: Cel; time_constant_h: h; heating_k_per_h: K/h; of one shape.
    Returns: Cel.
    Source: duty = 1.
    """
    return held - heating_k_per_h * time_constant_h


def heat_received(
    water_begin: float, water_end: float, excess_k: Float64, step_h: float, time_constant_h: float
) -> float:
    """Heat that a block was given, in kelvin it would have warmed by: the change plus what was lost meanwhile.

    Args:
        water_begin, water_end: Cel. excess_k: water over air at each step between, K, [n]. step_h: h.
        time_constant_h: h.
    Returns: K: the integral of dT/dt + (T - Ta)/tau.
    Source: balance of the lumped block.
    """
    return float(water_end - water_begin + excess_k.sum() * step_h / time_constant_h)
