"""The simulator's battery without its charger against PyBaMM's lead-acid model, which knows acid where ours has charge.

PyBaMM (Sulzer et al. 2019, leading-order quasi-static model, parameters 'Sulzer2019', rest volts of Bode 1977) has no
surface charge of a float, no self-discharge that its parameters would support, and no ageing. So it is given what our
battery loses each hour in all, and the days count from the second on.
"""

from collections.abc import Callable

import numpy as np
import pytest

from simulator import battery
from simulator.battery import Build

IDS = [f"unit-{row}" for row in range(12)]
P = battery.draw(IDS, [Build("flooded", 1, 100.0, 340.0), Build("flooded", 2, 70.0, 204.0)] * 6, seed=3)
ROOM = 21.7  # Cel, that of PyBaMM's parameters
DAYS = 12
FULL_ACID = 4592.0  # mol/m3: gravity 1.265, 35.6 mass % of 98.08 g/mol (TRADE.md section 4)
ACID_SPENT = 2594.0  # mol/m3 from there down to gravity 1.120, 17.5 mass %: 100 % of the BCI table's charge

Decay = Callable[[float], tuple[np.ndarray, np.ndarray]]


@pytest.fixture(scope="module")
def ours() -> tuple[np.ndarray, np.ndarray]:
    """Volts a block at the end of each day without charger, [unit, day], and the share of charge lost a day, [unit]."""
    ones, none, air = np.ones(len(IDS)), np.zeros(len(IDS)), np.full(len(IDS), ROOM)
    state = battery.begin(P, air)
    begun, volts = state.soc, []
    for minute in range(1, DAYS * 1440 + 1):
        state, shown, _ = battery.step(
            P, state, air=air, line_on=none, running=none, draw_a=none, output_share=ones, current_share=ones,
            interrupted=none, shorted=none, resistance_factor=ones, left_load=none, over_volts=none, equalise=none,
            dt_s=60.0,
        )  # fmt: skip
        if minute % 1440 == 0:
            volts.append(shown / P.blocks)
    return np.array(volts).T, (begun - state.soc) / DAYS


@pytest.fixture(scope="module")
def pybamms() -> Decay:
    """Volts of a block and acid, mol/m3, at the end of each day, by the share of the rated Ah drawn a day."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYBAMM_DISABLE_TELEMETRY", "true")
        pybamm = pytest.importorskip("pybamm", reason="a test extra: pybamm")

    def decay(share: float) -> tuple[np.ndarray, np.ndarray]:
        values = pybamm.ParameterValues("Sulzer2019")
        values["Current function [A]"] = share / 24.0 * values["Nominal cell capacity [A.h]"]
        values["Initial concentration in electrolyte [mol.m-3]"] = FULL_ACID
        values["Lower voltage cut-off [V]"] = 1.2  # a cell: none
        solved = pybamm.Simulation(pybamm.lead_acid.LOQS(), parameter_values=values).solve([0.0, DAYS * 86_400.0])
        day_s = 86_400.0 * np.arange(1, DAYS + 1)
        volts, acid = (
            np.interp(day_s, solved["Time [s]"].entries, solved[name].entries)
            for name in ("Battery voltage [V]", "X-averaged electrolyte concentration [mol.m-3]")
        )
        return volts, acid

    return decay


SLOW, MIDDLE, QUICK = 0, 6, 11  # rows by the share of charge that they lose a day


def test_the_same_acid_spent_a_day_gives_the_same_volts(ours: tuple[np.ndarray, np.ndarray], pybamms: Decay):
    """PyBaMM's cell holds less acid for its Ah than the BCI table has it, so its current is less by what it says.

    0.06 V: our rest volts are the BCI table's, PyBaMM's Bode's (up to 0.02 V apart, TRADE.md section 4), ours fall with
    temperature a little, and the concentrated acid that our plates keep is gone by half on the second day.
    """
    volts, lost = ours
    _, acid = pybamms(0.04)
    spent_a_rated_charge = (acid[0] - acid[-1]) / (DAYS - 1) / 0.04
    for row in np.argsort(lost)[[SLOW, MIDDLE, QUICK]]:
        expected, _ = pybamms(float(lost[row]) * ACID_SPENT / spent_a_rated_charge)
        np.testing.assert_allclose(volts[row, 1:], expected[1:], atol=0.06)
        fall = (volts[row, -1] - volts[row, 3]) / (expected[-1] - expected[3])
        assert 0.85 < fall < 1.2


def test_the_same_share_of_rated_charge_falls_slower_than_in_a_cell_short_of_acid(
    ours: tuple[np.ndarray, np.ndarray], pybamms: Decay
):
    """How much acid a rated Ah uses up is the maker's choice: PyBaMM's 17 Ah cell is short of it and falls quicker."""
    volts, lost = ours
    for row in np.argsort(lost)[[SLOW, MIDDLE, QUICK]]:
        expected, _ = pybamms(float(lost[row]))
        fall = (volts[row, -1] - volts[row, 3]) / (expected[-1] - expected[3])
        assert 0.6 < fall < 0.9
