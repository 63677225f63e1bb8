"""What an installer would choose: starter for engine, battery for starter, charger for battery; as the fleet says."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import battery
from simulator.fleet import SIZES, Unit, battery_ah, fleet_toml, starter_a
from simulator.plant import plant_of
from simulator.scenario import parse_scenario

USUAL = [("small", 1), ("medium", 1), ("medium", 2), ("large", 1), ("large", 2)]  # sizes and blocks of drawn fleets
COUNT = 100


def built(kind: str, *, cold: bool = False) -> battery.BatteryParameters:
    units = [
        Unit(f"u-{row}", "", "", size=size, blocks=blocks, battery_type=kind, cold_heater=cold)
        for row in range(COUNT)
        for size, blocks in [USUAL[row % len(USUAL)]]
    ]
    builds = [battery.Build(unit.battery_type, unit.blocks, battery_ah(unit), starter_a(unit)) for unit in units]
    return battery.draw([unit.id for unit in units], builds, seed=5)


def least_volts(p: battery.BatteryParameters, air: float, *, water: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    volts, turns, _ = battery.crank(
        p,
        battery.begin(p, np.full(COUNT, air)),
        water=np.full(COUNT, water),
        shorted=np.zeros(COUNT),
        resistance_factor=np.ones(COUNT),
        seconds=15,
    )
    return volts.min(axis=1) / p.blocks, turns


def test_simulated_set_and_fleet_file_say_the_same():
    scenario = parse_scenario('from = 2026-01-05\ndays = 1\nfleet = "wide-country"\ncount = 40\n')
    plant, text = plant_of(scenario), fleet_toml(scenario.sites, scenario.units)
    for row, unit in enumerate(scenario.units):
        said = f"{plant.battery.blocks[row]:.0f} x 12 V {plant.battery.capacity_ah[row]:.0f} Ah {unit.battery_type}"
        assert said in text.partition(f"[units.{unit.id}]")[2].partition("\n[")[0]


@pytest.mark.parametrize("blocks", [1, 2])
def test_bigger_engines_have_bigger_starters_and_batteries(blocks: int):
    units = [Unit("u", "", "", size=size, blocks=blocks) for size in SIZES]
    assert np.all(np.diff([starter_a(unit) for unit in units]) > 0.0)
    assert np.all(np.diff([battery_ah(unit) for unit in units]) > 0.0)
    for unit in units:
        assert battery_ah(replace(unit, cold_heater=True)) >= battery_ah(unit)


def test_chargers_are_of_sizes_that_are_sold_and_refill_within_a_day():
    p = built("flooded")
    assert np.all(np.isin(p.limit_a, battery.CHARGERS_A))
    assert np.all(p.limit_a >= 1.2 * p.capacity_ah / 24.0 + p.standing_a)
    assert np.all(p.limit_a < 4.0 * p.capacity_ah / 24.0)


@pytest.mark.parametrize("kind", ["flooded", "agm"])
def test_a_sound_new_full_set_dips_as_the_trade_knows_it(kind: str):
    """At 27 Cel to 9.8-11 V a block, at -18 Cel with a warm block to some 9-10 V (common practice)."""
    p = replace(built(kind), begin_age=np.zeros(COUNT))
    warm, cold = (np.median(least_volts(p, air)[0]) for air in (27.0, -18.0))
    assert 9.8 < warm < 11.0
    assert 9.0 < cold < 10.3
    assert np.all((least_volts(p, 27.0)[0] > 9.8) & (least_volts(p, 27.0)[0] < 11.4))


@pytest.mark.parametrize(("kind", "cold", "air"), [("flooded", False, -20.0), ("agm", False, -30.0)])
def test_sound_sets_start_in_the_cold_with_a_warm_block(kind: str, cold: bool, air: float):
    least, turns = least_volts(built(kind, cold=cold), air)
    assert turns.all()
    assert np.all(least > 8.0)


@pytest.mark.parametrize("kind", ["flooded", "agm"])
def test_what_is_built_for_a_cold_country_starts_at_minus_40(kind: str):
    least, turns = least_volts(built(kind, cold=True), -40.0)
    assert turns.all()
    assert np.all(least > 8.0)
