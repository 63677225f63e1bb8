"""Jacket water: what heater, thermosiphon, engine and cold air make of the coolant's temperature.

In: air, wind, line volts, runs, what is wrong with heater, hoses and coolant. Out: temperatures of the heater's loop,
of the coolant in the engine and of its iron, stepped; heat given to the enclosure. May import: numpy, simulator.chance,
simulator.glycol. Touches nothing.

Three nodes in a chain: the loop (heater tank with its hoses, where the sensor sits), the coolant in the engine, the
block. Warm coolant rises out of the tank by itself and draws cold in after it: the flow is the stronger the warmer the
tank, so a hose that closes makes the tank hot and leaves the block cold. Within a sub-step of at most SUB_STEP_S the
chain is linear and solved at its end (backward Euler): stable at any step, and the energy balance closes to rounding.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from simulator.chance import even, keys
from simulator.glycol import density, heat_capacity, viscosity

Float64 = NDArray[np.float64]

SUB_STEP_S = 20.0  # a tank without flow climbs some 10 K in it, less than thermostat and cut-out are apart
IRON_HEAT = 460.0  # J/(kg K), TRADE.md section 3
BAND_TEMPERATURE = 45.0  # Cel, at which capacities and flows are stated
FLOW_POWER = 0.5  # flow ~ sqrt(temperature difference) where bends and fittings resist, ~ 1 in smooth laminar hoses
VISCOSITY_POWER = 0.25  # and how far thick coolant slows it (Blasius friction factor, from memory)
LOCK_FROM, LOCK_FULL = 0.92, 0.80  # share of coolant at which air reaches the hoses, and stops them (our choice)
PUMPED_LOOP, PUMPED_BLOCK = 4.0, 12.0  # times the still conductance while the pump turns: iron 5-10 K over coolant
REJECTED_IDLE = 0.35  # share of the full-load heat into coolant at no load (common practice)
SURFACE_IDLE = 0.6  # share of the full-load heat off exhaust and alternator at no load (common practice)
LOSS_OF_BLOCK, LOSS_OF_COOLANT = 0.87, 0.13  # of the engine's loss; the loop's own comes on top
BURNT_CONTACTS = 0.3  # share of power that a chattering contactor loses in the mean


@dataclass(frozen=True, slots=True)
class WaterParameters:
    """Engines with their jacket-water heaters; each array [unit].

    heater_w: at rated volts, W. cut_in, cut_out: of its thermostat, Cel; bulb_time_s: the lag of its bulb, s.
    limit_open, limit_close: of its high cut-out, Cel. loop_capacity, coolant_capacity, block_capacity: J/K, full.
    flow_conductance: mass flow times heat capacity at flow_difference, K, and 45 Cel, W/K. hose_conductance: loop to
    coolant without flow, W/K. block_conductance: coolant to iron, still, W/K. air_conductance, loop_conductance: of
    engine and of loop to the air in the enclosure, still, W/K; wind_loss: share more of it a m/s outside.
    leak_conductance: coolant past the engine's thermostat to the radiator and outdoors, W/K. radiator_conductance:
    fully open in a run, W/K. engine_open, engine_full: of the engine's thermostat, Cel. engine_w: into the coolant at
    full load, W; surface_w: straight into the air at full load, W. glycol: mass share. band_viscosity: of the coolant
    at 45 Cel, Pa s. begin_share: where in its band the water begins, 0..1.
    """

    heater_w: Float64
    cut_in: Float64
    cut_out: Float64
    bulb_time_s: Float64
    limit_open: Float64
    limit_close: Float64
    loop_capacity: Float64
    coolant_capacity: Float64
    block_capacity: Float64
    flow_conductance: Float64
    flow_difference: Float64
    hose_conductance: Float64
    block_conductance: Float64
    air_conductance: Float64
    loop_conductance: Float64
    wind_loss: Float64
    leak_conductance: Float64
    radiator_conductance: Float64
    engine_open: Float64
    engine_full: Float64
    engine_w: Float64
    surface_w: Float64
    glycol: Float64
    band_viscosity: Float64
    begin_share: Float64


@dataclass(frozen=True, slots=True)
class WaterState:
    """What the jacket water remembers, [unit].

    loop, coolant, block, bulb: Cel; the bulb is the thermostat's. contact, limit_tripped: 0 or 1. heater_w, engine_w,
    rejected_w: mean of the last step, W: electric heat, all heat of the engine, what the radiator took outdoors.
    """

    loop: Float64
    coolant: Float64
    block: Float64
    bulb: Float64
    contact: Float64
    limit_tripped: Float64
    heater_w: Float64
    engine_w: Float64
    rejected_w: Float64


# 'small' some 25 kW, 'medium' 60 kW, 'large' 150 kW. Heaters of 183 W a litre of displacement (305 for '+cold_heater'),
# iron and coolant in proportion to TRADE.md section 3's worked engine; heat into coolant about the electrical output,
# straight into the air 7 % of the fuel. The rest is common practice and our choice.
PRESETS: Mapping[str, Mapping[str, float]] = {
    "small": {"litres": 2.4, "heater_w": 500.0, "iron_kg": 220.0, "coolant_l": 13.0, "loop_l": 1.6, "engine_w": 28e3,
              "surface_w": 6.0e3, "time_constant_h": 9.5},
    "medium": {"litres": 5.7, "heater_w": 1000.0, "iron_kg": 450.0, "coolant_l": 26.0, "loop_l": 2.4, "engine_w": 65e3,
               "surface_w": 14.5e3, "time_constant_h": 11.5},
    "large": {"litres": 12.0, "heater_w": 2000.0, "iron_kg": 900.0, "coolant_l": 52.0, "loop_l": 3.5, "engine_w": 155e3,
              "surface_w": 34e3, "time_constant_h": 13.5},
}  # fmt: skip


def draw(ids: Sequence[str], presets: Sequence[str], *, seed: int) -> WaterParameters:
    """Engines of units, each varied about its preset by chance that hangs on seed and id alone.

    Args:
        ids, presets: one name of PRESETS a unit; '+cold_heater' behind it gives it a heater of 305 W a litre.
    """

    def chance(what: str, spread: float, middle: float = 0.0) -> Float64:
        return middle + spread * even(keys(seed, ids, f"water {what}"), np.zeros(1, np.int64))[:, 0]

    def preset(name: str) -> Float64:
        return np.array([PRESETS[one.partition("+")[0]][name] for one in presets], np.float64)

    cold = np.array([one.endswith("+cold_heater") for one in presets])
    heater_w = np.where(cold, np.round(preset("litres") * 305.0 / 250.0) * 250.0, preset("heater_w"))
    glycol = chance("glycol", 0.06, 0.52)
    warm = np.full(len(ids), BAND_TEMPERATURE)
    litre_capacity = density(glycol, warm) * heat_capacity(glycol, warm) / 1000.0
    coolant_capacity = litre_capacity * preset("coolant_l") * chance("coolant", 0.12, 1.0)
    block_capacity = IRON_HEAT * preset("iron_kg") * chance("iron", 0.12, 1.0)
    time_s = 3600.0 * preset("time_constant_h") * chance("time constant", 0.25, 1.0)
    air_conductance = (coolant_capacity + block_capacity) / time_s
    cut_out = chance("cut out", 1.5, 48.0)
    limit_open = chance("limit", 5.0, 85.0)
    engine_open = chance("engine thermostat", 2.5, 82.0)
    flow_difference = chance("flow", 0.8, 3.5)
    return WaterParameters(
        heater_w=heater_w * chance("heater", 0.04, 1.0),
        cut_in=cut_out - chance("differential", 1.5, 8.5),
        cut_out=cut_out,
        bulb_time_s=chance("bulb", 20.0, 55.0),
        limit_open=limit_open,
        limit_close=limit_open - 15.0,
        loop_capacity=litre_capacity * preset("loop_l") * chance("loop", 0.2, 1.0) + 1500.0,  # 1.5 kJ/K of tank
        coolant_capacity=coolant_capacity,
        block_capacity=block_capacity,
        flow_conductance=heater_w / flow_difference,
        flow_difference=flow_difference,
        hose_conductance=chance("hose", 2.0, 8.0),
        block_conductance=70.0 * preset("litres") * chance("jacket", 0.2, 1.0),
        air_conductance=air_conductance,
        loop_conductance=chance("tank", 0.08, 0.25),
        wind_loss=chance("wind loss", 0.04, 0.10),
        leak_conductance=0.02 * air_conductance,
        radiator_conductance=preset("engine_w") / 36.0 * chance("radiator", 0.1, 1.0),  # full load at 55 Cel inlet
        engine_open=engine_open,
        engine_full=engine_open + 11.0,
        engine_w=preset("engine_w") * chance("engine", 0.08, 1.0),
        surface_w=preset("surface_w") * chance("surface", 0.1, 1.0),
        glycol=glycol,
        band_viscosity=viscosity(glycol, warm),
        begin_share=chance("begin", 0.5, 0.5),
    )


def begin(p: WaterParameters, air: Float64) -> WaterState:
    """Healthy engines, each somewhere in the falling half of its tooth; air in the enclosure, Cel, [unit]."""
    water = np.maximum(air, p.cut_in + 0.5 * p.begin_share * (p.cut_out - p.cut_in))
    off = np.zeros_like(water)
    return WaterState(water, water, water - 0.3, water, off, off, off, off, off)


def water_temperature(s: WaterState) -> Float64:
    """What a perfect sensor at the jacket-water heater reads, Cel, [unit]."""
    return s.loop


def _moving(coolant_share: Float64) -> Float64:
    """Share of the flow that air in the hoses leaves, 1 full, 0 locked, [unit]."""
    part = np.minimum(np.maximum((coolant_share - LOCK_FULL) / (LOCK_FROM - LOCK_FULL), 0.0), 1.0)
    moving: Float64 = part * part * (3.0 - 2.0 * part)
    return moving


def capacities(p: WaterParameters, coolant_share: Float64) -> tuple[Float64, Float64, Float64]:
    """J/K of loop, coolant and block, [unit] each, with that share of the coolant left.

    An air lock half empties the tank. Coolant that leaves takes its heat along.
    """
    return (
        p.loop_capacity * (0.5 + 0.5 * _moving(coolant_share)),
        p.coolant_capacity * np.maximum(coolant_share, 0.05),
        p.block_capacity,
    )


def step(
    p: WaterParameters,
    s: WaterState,
    *,
    air: Float64,
    ambient: Float64,
    wind: Float64,
    line_voltage: Float64,
    running: Float64,
    load: Float64,
    element_share: Float64,
    stuck_on: Float64,
    chatter: Float64,
    flow_share: Float64,
    coolant_share: Float64,
    set_point_shift: Float64,
    dt_s: float,
    noise: Float64,
) -> tuple[WaterState, Float64]:
    """Jacket water a step later, and the heat it and the engine gave to the air in the enclosure, W.

    CL dTL/dt = P + F (TC - TL) + gL (Ta - TL),                 F = F0 share (max(TL - TC, 0) / d)^1/2 + hose
    CC dTC/dt = Q1 + F (TL - TC) + K (TB - TC) + gC (Ta - TC) - radiator - leak
    CB dTB/dt = Q2 + K (TC - TB) + gB (Ta - TB)
    P = element share * rated power * volts^2 while the thermostat asks, the cut-out allows and the engine stands.

    Args:
        air, ambient: in the enclosure and outdoors, Cel. wind: outdoors, m/s. line_voltage: share of rated, 0 off.
        running, load: 0..1, of the step and of full load. element_share: of the heater's power that is left, 0..1.
        stuck_on: above 0.5 the contact does not open. chatter: 0..1, contacts that close and open all the time.
        flow_share: of the thermosiphon that the hoses let through, 0..1. coolant_share: left, 0..1.
        set_point_shift: of cut-in and cut-out, K. dt_s: s. noise: of standard deviation 1, for chatter.
        All but dt_s have the shape [unit].
    """
    count = max(1, ceil(dt_s / SUB_STEP_S))
    sub_s = dt_s / count
    moving = _moving(coolant_share)
    loop_capacity, coolant_capacity, block_capacity = capacities(p, coolant_share)
    windy = 1.0 + p.wind_loss * wind
    engine_loss = p.air_conductance * windy
    loop_loss = p.loop_conductance * windy
    coolant_loss, block_loss = LOSS_OF_COOLANT * engine_loss, LOSS_OF_BLOCK * engine_loss
    thin = (p.band_viscosity / viscosity(p.glycol, s.coolant)) ** VISCOSITY_POWER
    rising = p.flow_conductance * flow_share * moving * thin / np.sqrt(p.flow_difference)
    hoses = p.hose_conductance * np.maximum(flow_share * moving, 0.08)
    cut_out = p.cut_out + set_point_shift + chatter * noise
    cut_in = cut_out - (p.cut_out - p.cut_in) * (1.0 - 0.85 * chatter)
    burnt = 1.0 - chatter * np.minimum(np.maximum(BURNT_CONTACTS * (1.0 + 0.5 * noise), 0.0), 1.0)
    power = p.heater_w * element_share * line_voltage * line_voltage * burnt * (1.0 - running)
    stuck = stuck_on > 0.5
    any_running = bool(running.any())
    block_conductance = p.block_conductance
    coolant_w = surface_w = np.zeros_like(air)
    if any_running:
        hoses = hoses + running * PUMPED_LOOP * p.flow_conductance * flow_share * moving
        block_conductance = block_conductance * (1.0 + running * (PUMPED_BLOCK - 1.0))
        coolant_w = running * p.engine_w * (REJECTED_IDLE + (1.0 - REJECTED_IDLE) * load)
        surface_w = running * p.surface_w * (SURFACE_IDLE + (1.0 - SURFACE_IDLE) * load)
    loop_rate, coolant_rate, block_rate = loop_capacity / sub_s, coolant_capacity / sub_s, block_capacity / sub_s
    block_sum = block_rate + block_conductance + block_loss
    block_through = block_conductance / block_sum
    coolant_sum = (
        coolant_rate + coolant_loss + p.leak_conductance + block_conductance - block_conductance * block_through
    )
    loop_air, coolant_air, block_air = (
        loop_loss * air,
        coolant_loss * air + p.leak_conductance * ambient,
        block_loss * air,
    )
    radiator = running * p.radiator_conductance * moving
    bulb_share = sub_s / (sub_s + p.bulb_time_s)
    loop, coolant, block, bulb = s.loop, s.coolant, s.block, s.bulb
    contact, tripped = s.contact > 0.5, s.limit_tripped > 0.5
    heater_sum = radiator_sum = loop_total = coolant_total = block_total = np.zeros_like(air)
    for _ in range(count):
        contact = (bulb < cut_in) | (contact & (bulb <= cut_out)) | stuck
        tripped = (loop > p.limit_open) | (tripped & (loop >= p.limit_close))
        heat = power * (contact & ~tripped)
        flow = rising * np.sqrt(np.maximum(loop - coolant, 0.0)) + hoses
        loop_sum = loop_rate + loop_loss + flow
        loop_known = loop_rate * loop + heat + loop_air
        block_known = block_rate * block + block_air
        loop_through = flow / loop_sum
        coolant_known = coolant_rate * coolant + coolant_air + loop_through * loop_known
        total = coolant_sum + flow - flow * loop_through
        if any_running:  # heat of combustion reaches the coolant through the iron; the radiator linearised about now
            block_known = block_known + coolant_w
            opening = np.minimum(np.maximum((coolant - p.engine_open) / (p.engine_full - p.engine_open), 0.0), 1.0)
            steep = (opening > 0.0) & (opening < 1.0)
            slope = radiator * (opening + steep * (coolant - air) / (p.engine_full - p.engine_open))
            now = radiator * opening * (coolant - air)
            coolant_known = coolant_known + slope * coolant - now
            total = total + slope
            before = coolant
        coolant = (coolant_known + block_through * block_known) / total
        loop = (loop_known + flow * coolant) / loop_sum
        block = (block_known + block_conductance * coolant) / block_sum
        bulb = bulb + bulb_share * (loop - bulb)
        heater_sum = heater_sum + heat
        loop_total, coolant_total, block_total = loop_total + loop, coolant_total + coolant, block_total + block
        if any_running:
            radiator_sum = radiator_sum + now + slope * (coolant - before)
    loop_mean, coolant_mean, block_mean = loop_total / count, coolant_total / count, block_total / count
    to_air = loop_loss * (loop_mean - air) + coolant_loss * (coolant_mean - air) + block_loss * (block_mean - air)
    after = WaterState(
        loop=loop,
        coolant=coolant,
        block=block,
        bulb=bulb,
        contact=contact.astype(np.float64),
        limit_tripped=tripped.astype(np.float64),
        heater_w=heater_sum / count,
        engine_w=coolant_w + surface_w,
        rejected_w=radiator_sum / count + p.leak_conductance * (coolant_mean - ambient),
    )
    return after, to_air + surface_w
