"""The simulator's battery acid against published freezing points and the mass of acid in a solution."""

import numpy as np
import pytest

from simulator.electrolyte import freezing_point, frozen_share, gravity


@pytest.mark.parametrize(("charge", "specific"), [(1.0, 1.265), (0.75, 1.225), (0.5, 1.19), (0.25, 1.155), (0.0, 1.12)])
def test_gravity_is_the_bci_table(charge, specific):
    """Source: TRADE.md section 4, row 'cell gravity', BCI (read)."""
    np.testing.assert_allclose(gravity(np.array(charge)), specific, atol=1e-9)


@pytest.mark.parametrize(
    ("specific", "freezes"),
    [(1.28, -71.0), (1.265, -59.0), (1.225, -37.0), (1.2, -27.0), (1.16, -17.0), (1.15, -15.0), (1.1, -8.0)],
)
def test_acid_freezes_where_two_other_tables_say(specific, freezes):
    """Source: TRADE.md section 4, row 'freezing at gravity': another Army manual and one maker (read).

    The simulator takes a third table. 3.5 K: so far do the printed ones differ where acid is strongest (-67.8 and -71).
    """
    np.testing.assert_allclose(freezing_point(np.array(specific)), freezes, atol=3.5)


def test_an_empty_battery_freezes_where_the_trade_says():
    """Source: TRADE.md section 2: a flat battery freezes near -8..-15 Cel."""
    assert -15.0 < float(freezing_point(gravity(np.array(0.0)))) < -8.0


@pytest.mark.parametrize(("share", "specific"), [(0.175, 1.12), (0.221, 1.155), (0.265, 1.19), (0.307, 1.225)])
def test_ice_by_gravity_is_ice_by_mass_of_acid(share, specific):
    """Source: TRADE.md section 4, row 'Bode 1977': mass % of acid at the gravities; lever rule on those masses.

    At the cold in which acid of 35.6 mass % (1.265) would begin to freeze.
    """
    charge = np.interp(specific, [1.12, 1.155, 1.19, 1.225], [0.0, 0.25, 0.5, 0.75])
    ice = frozen_share(np.array(charge), freezing_point(np.array(1.265)))
    np.testing.assert_allclose(ice, 1.0 - share / 0.356, atol=0.05)


def test_acid_above_its_freezing_point_has_no_ice_and_below_it_ever_more():
    charge = np.array([0.0, 0.3, 0.7])
    point = freezing_point(gravity(charge))
    assert np.all(frozen_share(charge, point + 0.1) == 0.0)
    ice = np.array([frozen_share(charge, point - colder) for colder in (0.5, 3.0, 10.0)])
    assert np.all(ice[0] > 0.0)
    assert np.all(np.diff(ice, axis=0) > 0.0)
    assert np.all(ice < 1.0)
    assert float(frozen_share(np.array(1.0), np.array(-40.0))) == 0.0
