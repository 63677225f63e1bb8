"""Air and walls round the engine: two nodes a unit, of very unlike houses.

In: what the house is, and the minute's drives. Out: its air a minute on. May import: numpy, tests.strangers. Touches
nothing. Arrays [unit]; Cel, W, W/K, J/K.

The air is light and is solved for its balance; walls, floor and iron are heavy and are stepped.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick
from tests.strangers.span import STEP_S

FAMILIES = {"sheet steel": 0.4, "concrete room": 0.22, "rooftop": 0.15, "basement": 0.13, "container": 0.1}


def draw_enclosure(rng: Rng, *, coldest: float) -> tuple[dict[str, str], dict[str, float]]:
    """Family and numbers of one unit's house. All our choice, sized so that TRADE.md's rises come out.

    Args:
        rng: the unit's.
        coldest: air of the place's cold nights, Cel.
    """
    family = pick(rng, FAMILIES)
    light = family in ("sheet steel", "rooftop", "container")
    louvers = pick(rng, {"gravity": 0.4, "motorised": 0.35, "fixed": 0.25})
    leak = {"gravity": 12.0, "motorised": 6.0, "fixed": 30.0}[louvers] * log_between(rng, 0.6, 1.8)
    heated = chance(rng, 0.65 if coldest < -5 else 0.15)
    walls = between(rng, 18.0, 70.0) if light else between(rng, 30.0, 110.0)
    numbers = {
        "capacity_walls": log_between(rng, 1.2e5, 8e5) if light else log_between(rng, 6e6, 5e7),
        "walls_in": walls * between(rng, 2.0, 4.0),
        "walls_out": walls,
        "leak": leak,
        "leak_wind": log_between(rng, 0.02, 0.2) if louvers != "motorised" else log_between(rng, 0.01, 0.05),
        "sun": {"sheet steel": 0.015, "rooftop": 0.024, "container": 0.018}.get(
            family, 0.002
        )  # sol-air over roof and all walls, K m2/W
        * between(rng, 0.7, 1.3),
        "sky": {"rooftop": 4.0, "sheet steel": 2.5, "container": 2.5}.get(family, 0.0),
        "neighbour": between(rng, 40.0, 160.0) if family == "basement" else 0.0,
        "neighbour_at": between(rng, 17.0, 29.0),
        "heater": between(rng, 500.0, 2500.0) if heated else 0.0,
        "heater_at": between(rng, 4.0, 13.0),
        "fan_flow": between(rng, 150.0, 600.0) if chance(rng, 0.3) else 0.0,
        "fan_at": between(rng, 28.0, 40.0),
        "run_flow": log_between(rng, 1.2e3, 9e3),
        "run_rise": between(rng, 8.0, 15.0),
        "trip": between(rng, 68.0, 78.0),
        "sensor_lag": 1 - np.exp(-1 / log_between(rng, 0.7, 12.0)),
        "sensor_sun": between(rng, 0.0, 0.006) if light and chance(rng, 0.4) else 0.0,
        "sensor_near_block": between(rng, 0.0, 0.12) if chance(rng, 0.4) else 0.0,
    }
    return {"enclosure": family, "louvers": louvers, "space_heater": "yes" if heated else "no"}, numbers


@dataclass(slots=True)
class AirDrives:
    """What acts on the air in this minute, each shape [unit].

    outside: Cel. sun: W/m2. wind: m/s. powered, running, doors: 0 or 1. load: 0..1. airflow: share of the fan's air
    that gets through. louvers: standing leak over its normal. heat: from the block, W. block: its temperature, Cel.
    """

    outside: Array
    sun: Array
    wind: Array
    powered: Array
    running: Array
    doors: Array
    load: Array
    airflow: Array
    louvers: Array
    heat: Array
    block: Array


class Enclosure:
    """The houses of all units; step() carries them a minute on."""

    def __init__(self, numbers: dict[str, Array], outside: Array) -> None:
        self.p = numbers
        near = numbers["neighbour"] > 0
        self.air = np.where(near, numbers["neighbour_at"], outside + 3.0)
        self.walls = self.air.copy()
        self.reading = self.air.copy()
        self.heater = np.zeros(len(outside))
        self.fan = np.zeros(len(outside))

    def step(self, d: AirDrives) -> None:
        """A minute on."""
        p = self.p
        self.heater = np.where(
            self.air < p["heater_at"], 1.0, np.where(self.air > p["heater_at"] + 3, 0.0, self.heater)
        )
        self.fan = np.where(self.air > p["fan_at"], 1.0, np.where(self.air < p["fan_at"] - 4, 0.0, self.fan))
        flow = p["leak"] * d.louvers * (1 + p["leak_wind"] * d.wind) + p["fan_flow"] * self.fan * d.powered
        flow += d.doors * 150.0
        through = p["run_flow"] * np.maximum(d.airflow, 0.02)
        flow += d.running * through
        heat = d.heat + p["heater"] * self.heater * d.powered
        heat += d.running * p["run_flow"] * p["run_rise"] * (0.35 + 0.65 * d.load)
        pull = p["walls_in"] + flow
        balance = (p["walls_in"] * self.walls + flow * d.outside + heat) / pull
        self.air += (balance - self.air) * (1 - np.exp(-STEP_S * pull / 60e3))  # air, sheet and cables: 60 kJ/K
        sol_air = d.outside + p["sun"] * d.sun - p["sky"] * (d.sun < 5.0)
        into = p["walls_in"] * (self.air - self.walls) + p["walls_out"] * (sol_air - self.walls)
        into += p["neighbour"] * (p["neighbour_at"] - self.walls)
        self.walls += into * (STEP_S / p["capacity_walls"])
        seen = self.air + p["sensor_sun"] * d.sun + p["sensor_near_block"] * (d.block - self.air) * (1 - d.running)
        self.reading += p["sensor_lag"] * (seen - self.reading)
