"""A start that is imagined is judged by what the real attempt at that moment would show."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import battery
from simulator.attempts import AFTER_S, Charging, attempt
from simulator.imagined import Moment, imagined_start
from simulator.inputs import inputs_of, moment, plan_of
from simulator.plant import Plant, States, begin, plant_of, rows_of
from simulator.rows import taken
from simulator.scenario import parse_scenario
from simulator.world import MINUTE_NS

ONE, NONE = np.ones(1), np.zeros(1)
NO_CHARGER = Charging(
    line_on=NONE,
    output_share=ONE,
    current_share=ONE,
    interrupted=NONE,
    left_load=NONE,
    over_volts=NONE,
    equalise=NONE,
)


@pytest.fixture(scope="module")
def standing() -> tuple[Plant, States, Moment]:
    scenario = parse_scenario('from = 2026-01-05\ndays = 1\nfleet = "tarn-valley"\noutages = false\n')
    plant = plant_of(scenario)
    inputs = inputs_of(plant, plan_of(scenario), from_ns=scenario.from_ns, to_ns=scenario.from_ns + MINUTE_NS)
    return plant, begin(plant, ambient=inputs.ambient[0]), moment(inputs, 0)


@pytest.mark.parametrize(
    ("what", "cold"),
    [
        ({}, {}),
        ({"soc": 0.5, "rc2": 0.0}, {}),
        ({"soc": 0.15, "rc2": 0.0}, {}),
        ({"temperature": -25.0}, {}),
        ({"temperature": -15.0, "rc2": 0.0}, {"block": 22.0}),
        ({"temperature": -15.0, "rc2": 2.5}, {"block": 8.0}),
    ],
)
@pytest.mark.parametrize("acting", [{}, {"shorted": 1.0}, {"resistance_factor": 1.6}])
def test_least_volts_imagined_are_those_of_the_real_crank(standing, what, cold, acting):
    plant, begun, now = standing

    def flat(values):
        return {name: np.full(plant.units, value) for name, value in values.items()}

    states = replace(begun, battery=replace(begun.battery, **flat(what)), water=replace(begun.water, **flat(cold)))
    now = replace(now, **flat(acting))
    volts, _ = imagined_start(plant, states, now)
    fired = 0
    for row in range(plant.units):
        rows = np.array([row])
        part, its = rows_of(plant, states, rows)
        done = attempt(part, its, taken(now, rows, units=plant.units), NO_CHARGER, load=0.5)
        fired += done.started
        if done.attempts == 1:
            assert volts[row] == pytest.approx(done.least_block_volts, abs=1e-9)
        else:
            assert volts[row] >= done.least_block_volts - 1e-9, "of later cranks the battery is the weaker"
    assert fired or volts.min() < 9.5


def test_a_cold_engine_is_judged_over_all_the_seconds_that_it_cranks(standing, monkeypatch):
    """Without an inrush volts sink through a crank, so that the least is the last before it fires."""
    monkeypatch.setattr(battery, "INRUSH", 0.0)
    plant, begun, now = standing
    held = replace(begun.battery, rc2=np.full(plant.units, 2.5))
    for water in (45.0, 15.0):
        states = replace(begun, battery=held, water=replace(begun.water, block=np.full(plant.units, water)))
        volts, _ = imagined_start(plant, states, now)
        for row in range(plant.units):
            rows = np.array([row])
            part, its = rows_of(plant, states, rows)
            done = attempt(part, its, taken(now, rows, units=plant.units), NO_CHARGER, load=0.5)
            assert done.started
            cranked = done.volts[:-AFTER_S] / plant.blocks[row]
            assert cranked.argmin() == len(cranked) - 1
            assert volts[row] == pytest.approx(cranked[-1], abs=1e-9)
