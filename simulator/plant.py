"""The plant of a scenario: parameters of every room for all units, and the states from which they begin.

In: a scenario. Out: parameters and states as arrays [unit]. May import: numpy, simulator. Touches nothing.
"""

from dataclasses import dataclass, replace

import numpy as np

from simulator import battery, enclosure, gas, water
from simulator.chance import Bool, Float64, Int64
from simulator.climate import CLIMATES, Extreme
from simulator.fleet import RATED_W, Unit, battery_ah, starter_a
from simulator.rows import exchanged, taken
from simulator.running import Engine, drawn_engines
from simulator.scenario import WEATHER_EVENTS, Scenario
from simulator.sun import standard_pressure


@dataclass(frozen=True, slots=True)
class Plant:
    """What stays: parameters, each room's [unit]. site: row of each unit's site. heated: has a jacket heater.

    blocks, rated_w: of battery and generator. elevation_pressure: mean barometer of the site, Pa abs.
    """

    scenario: Scenario
    water: water.WaterParameters
    enclosure: enclosure.EnclosureParameters
    battery: battery.BatteryParameters
    gas: gas.GasParameters
    engine: Engine
    site: Int64
    heated: Bool
    blocks: Float64
    rated_w: Float64
    standing_pressure: Float64

    @property
    def units(self) -> int:
        """How many."""
        return len(self.site)


@dataclass(frozen=True, slots=True)
class States:
    """What the rooms remember, each [unit]."""

    water: water.WaterState
    enclosure: enclosure.EnclosureState
    battery: battery.BatteryState
    gas: gas.GasState


def rows_of(plant: Plant, states: States, rows: Int64) -> tuple[Plant, States]:
    """Some units out of the plant, with their states."""
    units = plant.units
    part = replace(
        taken(plant, rows, units=units),
        water=taken(plant.water, rows, units=units),
        enclosure=taken(plant.enclosure, rows, units=units),
        battery=taken(plant.battery, rows, units=units),
        gas=taken(plant.gas, rows, units=units),
        engine=taken(plant.engine, rows, units=units),
    )
    return part, States(
        water=taken(states.water, rows, units=units),
        enclosure=taken(states.enclosure, rows, units=units),
        battery=taken(states.battery, rows, units=units),
        gas=taken(states.gas, rows, units=units),
    )


def with_rows(states: States, rows: Int64, by: States, *, units: int) -> States:
    """States in which some units have become others."""
    return States(
        water=exchanged(states.water, rows, by.water, units=units),
        enclosure=exchanged(states.enclosure, rows, by.enclosure, units=units),
        battery=exchanged(states.battery, rows, by.battery, units=units),
        gas=exchanged(states.gas, rows, by.gas, units=units),
    )


def extremes(scenario: Scenario) -> list[tuple[str, Extreme]]:
    """The scenario's extreme weather, by site; where none is named, over all of them."""
    found: list[tuple[str, Extreme]] = []
    for event in scenario.events:
        if event.kind in WEATHER_EVENTS:
            sites = [event.site] if event.site else [site.id for site in scenario.sites]
            found += [(site, Extreme(event.kind, event.from_ns, event.to_ns, event.size)) for site in sites]
    return found


def plant_of(scenario: Scenario) -> Plant:
    """Parameters of every unit, each varied by chance that hangs on the scenario's seed and the unit's id alone."""
    ids, seed, units = scenario.unit_ids, scenario.seed, scenario.units
    row_of = {site.id: row for row, site in enumerate(scenario.sites)}
    elevation = np.array([[CLIMATES[site.climate].elevation_m] for site in scenario.sites])
    engines = [f"{unit.size}+cold_heater" if unit.cold_heater else unit.size for unit in units]
    houses = [f"{unit.size}+space_heater" if unit.space_heater else unit.size for unit in units]
    site = np.array([row_of[unit.site] for unit in units], np.int64)
    return Plant(
        scenario=scenario,
        water=water.draw(ids, engines, seed=seed),
        enclosure=enclosure.draw(ids, houses, seed=seed),
        battery=battery.draw(ids, [_battery(unit) for unit in units], seed=seed),
        gas=gas.draw(ids, [unit.set_point for unit in units], seed=seed),
        engine=drawn_engines(ids, seed=seed),
        site=site,
        heated=np.array([unit.heater != "none" for unit in units]),
        blocks=np.array([float(unit.blocks) for unit in units]),
        rated_w=np.array([RATED_W[unit.size] for unit in units]),
        standing_pressure=standard_pressure(elevation)[site, 0],
    )


def _battery(unit: Unit) -> battery.Build:
    return battery.Build(unit.battery_type, unit.blocks, battery_ah(unit), starter_a(unit))


def begin(plant: Plant, *, ambient: Float64) -> States:
    """Sound units that have stood there for long, without sun.

    Args:
        ambient: of the first minute, Cel, [unit].
    """
    housed = enclosure.begin(plant.enclosure, ambient)
    return States(
        water=water.begin(plant.water, housed.air),
        enclosure=housed,
        battery=battery.begin(plant.battery, housed.air),
        gas=gas.begin(
            plant.gas,
            case_temperature=enclosure.case_temperature(plant.enclosure, housed),
            atmospheric_pressure=plant.standing_pressure,
        ),
    )
