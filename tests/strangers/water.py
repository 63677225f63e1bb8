"""Jacket water as a loop of parts: heater tank, hose, block top, block bottom, radiator stub, combustion deck.

In: what each unit's parts are, and the minute's drives. Out: temperatures a minute on. May import: numpy,
tests.strangers. Touches nothing. All arrays have the shape [unit]; temperatures Cel, heat W, capacities J/K,
conductances W/K.

The tank is solved exactly over a minute (its own time constant is shorter), the block's parts by plain steps. What
leaves the tank arrives at the block some minutes later, through a line of past values. Heat is kept: what the tank
gives is what the block gets.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick
from tests.strangers.span import STEP_S

HOSE_MINUTES_MAX = 8
COOLANT_CIRCULATES_ABOVE = 0.72  # share of full; under it the upper hose hangs in air, our choice
LEVEL_SWITCH_AT = 0.80  # share of full, our choice
TANK_BOILS_CEL = 112.0  # pressurised glycol-water, from memory
SENSOR_PLACES = ("block top", "block bottom", "heater outlet", "thermostat housing")

FAMILIES = {
    "tank bimetal": 0.28,
    "tank electronic": 0.15,
    "proportional": 0.13,
    "pumped bimetal": 0.10,
    "pumped electronic": 0.12,
    "two stage": 0.10,
    "plug": 0.12,
}


def draw_water(rng: Rng, *, coldest: float) -> tuple[dict[str, str], dict[str, float]]:
    """Family and parts of one unit's water.

    Args:
        rng: the unit's.
        coldest: air of the place's cold nights, Cel: heaters are chosen for it.
    """
    family = pick(rng, {name: w for name, w in FAMILIES.items() if name != "plug" or coldest > -12})
    place = pick(rng, dict(zip(SENSOR_PLACES, (0.4, 0.15, 0.2, 0.25), strict=True)))
    litres = log_between(rng, 2.5, 24.0)  # displacement
    capacity = litres * log_between(rng, 32e3, 60e3)  # iron and coolant, 30-60 kJ/K a litre: weights, from memory
    loss = capacity / (log_between(rng, 5.0, 28.0) * 3600.0)
    set_at = between(rng, 36.0, 52.0)
    wide = family in ("tank bimetal", "pumped bimetal", "two stage")
    hysteresis = between(rng, 5.0, 13.0) if wide else between(rng, 0.8, 3.0)
    margin = log_between(rng, 1.35, 3.2)
    power = max(loss * (set_at + hysteresis - coldest) * margin, 350.0)
    if family == "plug":  # no thermostat: chosen so that the coldest night still leaves it warm
        power = loss * (between(rng, 31.0, 40.0) - coldest)
    top = between(rng, 0.35, 0.6)
    stub = between(rng, 0.04, 0.12)
    pumped = family.startswith("pumped")
    lift = between(rng, 7.0, 20.0)  # K that drive a siphon round at full power
    hottest = set_at + hysteresis + (4.0 if pumped else 1.25 * lift)
    numbers = {
        "capacity_tank": max(between(rng, 6e3, 22e3), 4.5 * power),  # strong heaters have larger tanks
        "capacity_top": capacity * top * (1 - stub),
        "capacity_bottom": capacity * (1 - top) * (1 - stub),
        "capacity_stub": capacity * stub,
        "loss_tank": between(rng, 0.2, 0.9),
        "loss_top": loss * between(rng, 0.5, 0.65),
        "loss_bottom": loss * between(rng, 0.35, 0.5),
        "loss_stub": between(rng, 3.0, 15.0),
        "stub_leak": 0.0 if chance(rng, 0.5) else loss * log_between(rng, 0.02, 0.35),  # past the engine thermostat
        "wind_factor": log_between(rng, 0.01, 0.09),
        "between_parts": loss * log_between(rng, 3.0, 14.0),
        "flow_pumped": between(rng, 180.0, 500.0) if pumped else 0.0,
        "flow_siphon": 0.0 if pumped else power / lift**1.5,
        "hose_minutes": float(rng.integers(0, 2 if pumped else HOSE_MINUTES_MAX)),
        "flow_switch": float(pumped and chance(rng, 0.6)),
        "power": power,
        "set_at": set_at,
        "hysteresis": hysteresis,
        "proportional": float(family == "proportional"),
        "plug": float(family == "plug"),
        "two_stage": float(family == "two stage"),
        "senses_tank": between(rng, 0.0, 0.25) if pumped else between(rng, 0.1, 0.45),
        "sense_lag": 1 - np.exp(-1 / log_between(rng, 0.6, 9.0)),
        "cut_out": min(max(between(rng, 80.0, 97.0), hottest + 12.0), 108.0),
        "cut_out_manual": float(chance(rng, 0.5)),
        "off_in_run": float(chance(rng, 0.75)),
        "thermostat_at": between(rng, 77.0, 89.0),
        "run_heat": litres * log_between(rng, 3.5e3, 6e3),  # to coolant at full load, W: some 5 kW a litre, from memory
        "ambient_rating": between(rng, 50.0, 60.0),  # air at which the radiator is just enough, common practice 50
        "deck_share": between(rng, 0.04, 0.11),
        "sensor_lag": 1 - np.exp(-1 / log_between(rng, 0.5, 15.0)),
        "sensor_place": float(SENSOR_PLACES.index(place)),
    }
    return {"heater": family, "water_sensor": place}, numbers


@dataclass(slots=True)
class WaterDrives:
    """What acts on the water in this minute, each shape [unit].

    air: round the block; outside: at the radiator, Cel. wind: m/s. line: line volts over nominal. powered: 1 where the
    heater has its supply. running: 0 or 1. load: 0..1. airflow: share of the fan's air that gets through. Of the
    faults: element (share of power left), stuck (+1 closed, -1 open), set_shift (K), circulation (share), coolant
    (share of full).
    """

    air: Array
    outside: Array
    wind: Array
    line: Array
    powered: Array
    running: Array
    load: Array
    airflow: Array
    element: Array
    stuck: Array
    set_shift: Array
    circulation: Array
    coolant: Array


class Water:
    """The water of all units; step() carries it a minute on."""

    def __init__(self, numbers: dict[str, Array], air: Array) -> None:
        self.p = numbers
        count = len(air)
        held = np.where(numbers["plug"] > 0, air + 30.0, numbers["set_at"] + 1.0)
        self.tank, self.top, self.bottom = held + 2.0, held.copy(), held - 2.0
        self.stub, self.deck = air.copy(), held.copy()
        self.sensed, self.reading = held.copy(), held.copy()
        self.on = np.zeros(count)
        self.second = np.zeros(count)
        self.cut = np.zeros(count)
        self.heat_to_air = np.zeros(count)
        self.heater_watt = np.zeros(count)
        self._hose = np.zeros((HOSE_MINUTES_MAX, count))  # heat under way, W
        self._minute = 0
        self._all = np.arange(count)
        self._minutes_of_hose = numbers["hose_minutes"].astype(int)
        self._deck = numbers["deck_share"] * numbers["capacity_top"]

    def step(self, d: WaterDrives) -> None:
        """A minute on."""
        p = self.p
        loss = 1 + p["wind_factor"] * d.wind
        got, flow = self._tank_step(d, self._heat_asked(d))
        # The block: warm top over cold bottom mixes slowly, the other way round at once; a running pump mixes it.
        mixing = p["between_parts"] * np.where(self.top < self.bottom, 6.0, 1.0)
        exchange = mixing * (self.top - self.bottom)
        stub_heat = p["stub_leak"] * (self.top - self.stub)
        loss_top = p["loss_top"] * loss * (self.top - d.air)
        loss_bottom = p["loss_bottom"] * loss * (self.bottom - d.air)
        from_deck = self._deck / 300.0 * (self.deck - self.top)  # five minutes of after-heat, from memory
        plug = self.heater_watt * p["plug"]
        self.deck -= from_deck * (STEP_S / self._deck)
        self.top += (got - exchange - stub_heat - loss_top + from_deck) * (STEP_S / p["capacity_top"])
        self.bottom += (exchange - loss_bottom + plug) * (STEP_S / p["capacity_bottom"])
        self.stub += (stub_heat - p["loss_stub"] * loss * (self.stub - d.outside)) * (STEP_S / p["capacity_stub"])
        self.heat_to_air = loss_top + loss_bottom + p["loss_tank"] * (self.tank - d.air)
        if d.running.any():
            self._run(d)
        self._read(d, flow)
        self._minute += 1

    def _heat_asked(self, d: WaterDrives) -> Array:
        """Electrical heat of this minute, W, by the unit's kind of control."""
        p = self.p
        seen = p["senses_tank"] * self.tank + (1 - p["senses_tank"]) * self.bottom
        self.sensed += p["sense_lag"] * (seen - self.sensed)
        set_at = p["set_at"] + d.set_shift
        self.on = np.where(self.sensed < set_at, 1.0, np.where(self.sensed > set_at + p["hysteresis"], 0.0, self.on))
        late = self.sensed < set_at - 3.0
        self.second = np.where(late, 1.0, np.where(self.sensed > set_at + 1.0, 0.0, self.second))
        duty = np.where(p["two_stage"] > 0, self.on * (0.5 + 0.5 * self.second), self.on)
        band = np.clip((set_at + p["hysteresis"] - self.sensed) / p["hysteresis"], 0.0, 1.0)
        duty = np.where(p["proportional"] > 0, band, duty)
        duty = np.where(d.stuck > 0.5, 1.0, np.where(d.stuck < -0.5, 0.0, duty))
        duty = np.where(p["plug"] > 0, 1.0, duty)
        # Only its own heat trips it: a tank warmed by a run, too, would lock a sound heater out.
        hot = (self.tank > p["cut_out"]) & (self.heater_watt > 0)
        back = (self.tank < p["cut_out"] - 22.0) & (p["cut_out_manual"] < 1)
        self.cut = np.where(hot & (p["plug"] < 1), 1.0, np.where(back, 0.0, self.cut))
        no_flow = (p["flow_switch"] > 0) & (d.circulation < 0.15)
        allowed = d.powered * (1 - self.cut) * (1 - d.running * p["off_in_run"]) * ~no_flow
        self.heater_watt = p["power"] * d.element * d.line**2 * duty * allowed
        return self.heater_watt

    def reset_cut_outs(self, units: Array) -> None:
        """Somebody presses the red buttons: manual cut-outs of these units close again."""
        self.cut[units] = 0.0

    def _tank_step(self, d: WaterDrives, heat: Array) -> tuple[Array, Array]:
        """The tank, exactly over a minute; heat that arrives at the block now (W) and the loop's conductance (W/K)."""
        p = self.p
        lift = np.clip(self.tank - self.bottom, 0.0, 60.0)
        filled = np.where(d.coolant < COOLANT_CIRCULATES_ABOVE, 0.04, 1.0)
        flow = (p["flow_pumped"] + p["flow_siphon"] * np.sqrt(lift + 0.2)) * d.circulation * filled
        flow *= 1 - p["plug"]
        flow = np.where(lift <= 0, np.minimum(flow, p["flow_pumped"] * d.circulation * filled + 0.5), flow)
        heat_tank = heat * (1 - p["plug"])
        pull = flow + p["loss_tank"]
        rest = (heat_tank + flow * self.bottom + p["loss_tank"] * d.air) / pull
        turns = pull * STEP_S / p["capacity_tank"]
        stay = np.exp(-turns)
        mean = rest + (self.tank - rest) * (1 - stay) / turns
        self.tank = np.minimum(rest + (self.tank - rest) * stay, TANK_BOILS_CEL)
        given = flow * (mean - self.bottom)
        self._hose[self._minute % HOSE_MINUTES_MAX] = given
        arriving = self._hose[(self._minute - self._minutes_of_hose) % HOSE_MINUTES_MAX, self._all]
        return arriving, flow

    def _run(self, d: WaterDrives) -> None:
        """What a running engine does to its water: warms it, and its thermostat and radiator hold it."""
        p = self.p
        heat = p["run_heat"] * (0.22 + 0.78 * d.load)
        whole = p["capacity_top"] + p["capacity_bottom"]
        # The radiator as rated: full heat at the rated air and the thermostat wide open, 16 K over its start.
        reach = p["run_heat"] / (p["thermostat_at"] + 16.0 - p["ambient_rating"])
        reach = reach * np.maximum(d.airflow, 0.03) ** 0.75 * np.clip(d.coolant, 0.2, 1.0)
        wide_open = d.outside + heat / reach
        ease = heat / (reach * np.maximum(p["thermostat_at"] + 4.0 - d.outside, 5.0))
        held = np.maximum(p["thermostat_at"] + 8.0 * np.clip(ease, 0.0, 1.0), np.minimum(wide_open, 125.0))
        rising = self.top + heat * STEP_S / whole
        top = np.where(rising > held, np.maximum(np.minimum(rising, held), self.top + 0.4 * (held - self.top)), rising)
        even = (p["capacity_top"] * top + p["capacity_bottom"] * self.bottom) / whole
        top, bottom = top + 0.5 * (even - top), self.bottom + 0.5 * (even - self.bottom)
        on = d.running > 0
        self.top = np.where(on, top, self.top)
        self.bottom = np.where(on, bottom, self.bottom)
        self.deck = np.where(on, self.top + 8.0 + 45.0 * d.load, self.deck)
        hose = p["flow_pumped"] * 0 + 0.2  # the engine's own pump drives some coolant through the tank
        self.tank = np.where(on, self.tank + hose * (self.top - self.tank), self.tank)
        open_share = np.clip((self.top - p["thermostat_at"]) / 8.0, 0.0, 1.0)
        self.stub = np.where(on, self.stub + 0.5 * open_share * (self.top - 6.0 - self.stub), self.stub)

    def _read(self, d: WaterDrives, flow: Array) -> None:
        """What the sensor in its place comes to."""
        place = self.p["sensor_place"]
        outlet = self.top + (self.tank - self.top) * flow / (flow + 6.0)
        housing = 0.85 * self.top + 0.15 * d.air
        seen = np.where(place == 0, self.top, np.where(place == 1, self.bottom, np.where(place == 2, outlet, housing)))
        # With the coolant gone the sensor hangs in air between warm iron and the enclosure.
        dry = (d.coolant < 0.5) & (place != 1)
        seen = np.where(dry, 0.55 * self.top + 0.45 * d.air, seen)
        self.reading += self.p["sensor_lag"] * (seen - self.reading)

    @property
    def block(self) -> Array:
        """The true temperature of the block: its parts by their capacities, Cel."""
        top, bottom = self.p["capacity_top"], self.p["capacity_bottom"]
        return np.asarray((top * self.top + bottom * self.bottom) / (top + bottom))
