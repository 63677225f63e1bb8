"""Starts that are only imagined: would a unit, as it stands now, crank, get its gas and stay cool at full load?

In: parameters, states and inputs of the moment. Out: least cranking voltage, gas under load, temperatures at the end of
an hour at full load. Nothing of it changes a state. May import: numpy, simulator. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from simulator import battery, enclosure, gas, water
from simulator.chance import Float64
from simulator.plant import Plant, States
from simulator.running import CRANK_S, fire_after_s

LOADED_S = 3600.0  # an hour of full load has reached what temperatures it will (common practice)
LOADED_STEP_S = 60.0
GAS_STEPS_S = (1.0, 14.0)  # the valve opens; then its case has breathed, if it can, when the load has to be carried


@dataclass(frozen=True, slots=True)
class Moment:
    """What acts on the units at one moment, each [unit]; as faults.Effects, weather and mains have it."""

    ambient: Float64
    sun: Float64
    wind: Float64
    atmospheric_pressure: Float64
    gas_supply: Float64
    supply_loss: Float64
    flow_share: Float64
    coolant_share: Float64
    shorted: Float64
    resistance_factor: Float64
    vent_open: Float64
    seat_leak: Float64
    spring_shift: Float64
    louver_open: Float64
    grille_open: Float64


def imagined_start(plant: Plant, states: States, now: Moment) -> tuple[Float64, Float64]:
    """Least cranking voltage of a 12 V block, V, and gas under full load as a share of the set point, [unit] each.

    The least voltage is that of the seconds that a unit cranks until it fires, at most a whole crank, as in an attempt.
    """
    cranking_s = np.clip(np.ceil(fire_after_s(plant.engine.fire_s, states.water.block)), 1.0, CRANK_S)
    longest = int(cranking_s.max())
    volts, _, _ = battery.crank(
        plant.battery,
        states.battery,
        water=states.water.block,
        shorted=now.shorted,
        resistance_factor=now.resistance_factor,
        seconds=longest,
    )
    volts[np.arange(longest) >= cranking_s[:, None]] = np.inf
    held = states.gas
    for seconds in GAS_STEPS_S:
        held, pressure = gas.step(
            plant.gas,
            held,
            case_temperature=enclosure.case_temperature(plant.enclosure, states.enclosure),
            pipe_temperature=enclosure.pipe_temperature(plant.enclosure, states.enclosure),
            atmospheric_pressure=now.atmospheric_pressure,
            supply=now.gas_supply,
            supply_loss=now.supply_loss,
            flow_share=np.ones(plant.units),
            vent_open=now.vent_open,
            seat_leak=now.seat_leak,
            spring_shift=now.spring_shift,
            dt_s=seconds,
        )
    return volts.min(axis=1) / plant.blocks, pressure / plant.gas.set_point


def imagined_load(plant: Plant, states: States, now: Moment) -> tuple[Float64, Float64]:
    """Coolant and enclosure air at the end of an hour at full load, Cel, [unit] each.

    The supply counts as off, as in an outage; weather stays as it is.
    """
    one, nothing = np.ones(plant.units), np.zeros(plant.units)
    wet, housed = states.water, states.enclosure
    for _ in range(int(LOADED_S / LOADED_STEP_S)):
        wet, heat_w = water.step(
            plant.water,
            wet,
            air=housed.air,
            ambient=now.ambient,
            wind=now.wind,
            line_voltage=nothing,
            running=one,
            load=one,
            element_share=one,
            stuck_on=nothing,
            chatter=nothing,
            flow_share=now.flow_share,
            coolant_share=now.coolant_share,
            set_point_shift=nothing,
            dt_s=LOADED_STEP_S,
            noise=nothing,
        )
        housed = enclosure.step(
            plant.enclosure,
            housed,
            ambient=now.ambient,
            sun=now.sun,
            wind=now.wind,
            heat_w=heat_w,
            running=one,
            louver_open=now.louver_open,
            grille_open=now.grille_open,
            door_open=nothing,
            line_voltage=nothing,
            dt_s=LOADED_STEP_S,
        )
    return wet.coolant, housed.air
