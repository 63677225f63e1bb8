"""The acid of a lead-acid battery: its gravity at a charge, when it freezes, how much of it is ice.

In: charge, temperature. Out: specific gravity, freezing point, share of ice. May import: numpy, simulator.chance.
Touches nothing.

Discharge turns acid into water: what stays liquid to -59 Cel when full is slush below -10 Cel when empty. Ice is pure
water; the acid left between it grows stronger until its own freezing point is that of the cold.
"""

import numpy as np

from simulator.chance import Float64

CHARGES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
GRAVITIES = np.array([1.120, 1.155, 1.190, 1.225, 1.265])  # at 26.7 Cel, BCI table, TRADE.md section 4
# US Army TM 5-1185, table III: 19, 5, -16, -62, -90 F (read); that of water added.
FREEZING_GRAVITIES = np.array([1.0, 1.1, 1.15, 1.2, 1.25, 1.28])
FREEZING_POINTS = np.array([0.0, -7.2, -15.0, -26.7, -52.2, -67.8])  # Cel
LIQUID_ABOVE = -10.0  # Cel: the acid of an empty battery, 1.120, freezes at -10.3 Cel


def gravity(charge: Float64) -> Float64:
    """Specific gravity of the acid at 26.7 Cel; charge 0..1."""
    found: Float64 = np.interp(charge, CHARGES, GRAVITIES)
    return found


def freezing_point(gravity: Float64) -> Float64:
    """Where the first ice appears, Cel; gravity 1.0..1.28, beyond them as there."""
    found: Float64 = np.interp(gravity, FREEZING_GRAVITIES, FREEZING_POINTS)
    return found


def frozen_share(charge: Float64, temperature: Float64) -> Float64:
    """Share of the acid's mass that is ice, 0 where it is all liquid.

    Lever rule: the acid is all in what is liquid, so ice = 1 - x/y, with x of all and y of the liquid that freezes at
    just this temperature; as shares of acid stand gravities less 1, which grow with them nearly evenly.

    Args:
        charge: 0..1. temperature: Cel. Of one shape.
    """
    held = gravity(charge) - 1.0
    liquid = np.interp(temperature, FREEZING_POINTS[::-1], FREEZING_GRAVITIES[::-1]) - 1.0
    ice: Float64 = 1.0 - held / np.maximum(liquid, held)
    return ice
