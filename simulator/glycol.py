"""Antifreeze: what ethylene glycol in water weighs, holds and resists.

In: mass share of glycol, temperature. Out: density, heat capacity, viscosity. May import: numpy. Touches nothing.

Source: M. Conde, Thermophysical properties of brines: models, Zurich 2011: each property of the aqueous solution is
A1 + A2 w + A3 h + A4 w h + A5 h^2 with h = 273.15 K / T (of viscosity: its logarithm). The coefficients are from
memory; the tests hold them against CoolProp.
"""

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]

DENSITY = (658.49825, -54.81501, 664.71643, 232.72605, -322.61661)  # kg/m3
HEAT_CAPACITY = (5.36449, 0.78863, -2.59001, -2.73187, 1.43759)  # kJ/(kg K)
LOG_VISCOSITY = (-4.63024, -2.14817, -12.70106, 5.40536, 10.98990)  # of Pa s


def _property(coefficients: tuple[float, float, float, float, float], share: Float64, temperature: Float64) -> Float64:
    constant, by_share, by_heat, by_both, by_square = coefficients
    heat = 273.15 / (temperature + 273.15)
    value: Float64 = constant + by_share * share + by_heat * heat + by_both * share * heat + by_square * heat * heat
    return value


def density(share: Float64, temperature: Float64) -> Float64:
    """kg/m3, any shape, for a mass share 0.2..0.6 of glycol and a temperature -30..100 Cel, liquid."""
    return _property(DENSITY, share, temperature)


def heat_capacity(share: Float64, temperature: Float64) -> Float64:
    """J/(kg K), any shape; arguments as of density."""
    return 1000.0 * _property(HEAT_CAPACITY, share, temperature)


def viscosity(share: Float64, temperature: Float64) -> Float64:
    """Pa s, dynamic, any shape; arguments as of density."""
    value: Float64 = np.exp(_property(LOG_VISCOSITY, share, temperature))
    return value
