"""The simulator's antifreeze against CoolProp, whose data come from another collection (Melinder 2010)."""

import numpy as np
import pytest

from simulator.glycol import density, heat_capacity, viscosity

CoolProp = pytest.importorskip("CoolProp.CoolProp", reason="a test extra: CoolProp")

STATES = [(share, temperature) for share in (0.3, 0.4, 0.5, 0.6) for temperature in (0.0, 20.0, 50.0, 80.0)]


@pytest.mark.parametrize(
    ("ours", "letter", "tolerance"), [(density, "D", 0.02), (heat_capacity, "C", 0.035), (viscosity, "V", 0.16)]
)
@pytest.mark.parametrize(("share", "temperature"), STATES)
def test_glycol_and_water_are_coolprops(ours, letter, tolerance, share, temperature):
    """Source: CoolProp INCOMP::MEG at 101325 Pa abs (TRADE.md section 3).

    Two collections of measurements differ by up to 2 % in density, 3 % in heat capacity, 15 % in viscosity; what
    follows for the simulated water, a fourth root of viscosity, is far inside the spread between units.
    """
    expected = CoolProp.PropsSI(letter, "T", 273.15 + temperature, "P", 101_325.0, f"INCOMP::MEG[{share}]")
    np.testing.assert_allclose(ours(np.array(share), np.array(temperature)), expected, rtol=tolerance)


@pytest.mark.parametrize(
    ("temperature", "litre", "holds"), [(0.0, 1074.6, 3203.0), (20.0, 1064.9, 3312.0), (50.0, 1047.1, 3459.0)]
)
def test_half_glycol_is_the_tables(temperature, litre, holds):
    """Source: TRADE.md section 3, the row of mass share 0.50, kg/m3 and J/(kg K)."""
    share = np.array(0.5)
    np.testing.assert_allclose(density(share, np.array(temperature)), litre, rtol=0.015)
    np.testing.assert_allclose(heat_capacity(share, np.array(temperature)), holds, rtol=0.015)
