"""Gas at the engine: what regulator, trapped gas, weather, vent, seat, supply and the engine make of its pressure.

In: temperatures, barometer, supply, flow, what is wrong with vent, seat and spring. Out: gas pressure behind the
regulator, stepped, and second by second in a start. May import: numpy, simulator.chance. Touches nothing.

A diaphragm stands in balance between the gas below it and spring and air above it. The air above breathes through a
vent: sealed, it is weather caught in a box and a second spring. With the engine off the gas between seat and shut-off
valve is trapped; it lifts the diaphragm as it warms, and the regulator fills up what cooling took. The shut-off valve
weeps by a cm3 an hour: what makes humps over a flat floor of one endless wave.

Volumes swept by the diaphragm stand for its way: lift v = A y, m3, upward from where the valve touches its seat. With
K = k/A^2, Pa/m3: p_abs = s + K v + p_case. Below zero the valve is open.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, expm1, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from simulator.chance import even, keys

Float64 = NDArray[np.float64]

ZERO_CELSIUS = 273.15  # K
SUPPLY_PA = 13_800.0  # elevated line before a line regulator, TRADE.md section 5
DIAPHRAGM_M2 = 0.0177  # 150 mm across, TRADE.md section 5
CASE_M3 = 2.5e-3  # air above the diaphragm with spring tower; TRADE.md's table takes 1 L (our choice)
SPRING_PER_M = 50.0  # share of the set point a metre of way: 137 Pa/mm at 2740 Pa; TRADE.md section 5: 82 (our choice)
DIAPHRAGM_STOP_M = 8e-3  # as far as it lifts (order of magnitude)
RELIEF_PA = 2200.0  # token relief opens that far over the set point (7-14 inH2O, from memory)
RELIEF_S = 5.0  # time in which it passes what is too much into the vent (order of magnitude)
SEAT_LEAK_S = 2400.0  # time constant toward supply of a seat that leaks as badly as one does (order of magnitude)
WEEP_M3_S = 3e-10  # 1 cm3/h past the shut-off valve; valves may lose some 40 (EN 161, from memory)
ADIABATIC = 0.4  # cp/cv of air less 1: what sudden compression adds, TRADE.md section 5 (1.79 and 2.51 kPa/mm)
ADIABATIC_S = 5.0  # in which the case's walls take that heat (order of magnitude)
SUCTION_PA = -300.0  # what an engine that finds no gas makes of its inlet (order of magnitude)
WIDE_OPEN_SHARE = 0.3  # of the set point, lost in the wide open valve at full flow (our choice)
RING_RAD_S, RING_DAMPING = 2.5, 0.4  # of the engine's draw about its new value after a change (our choice)
NEWTONS = 3


@dataclass(frozen=True, slots=True)
class GasParameters:
    """Regulators with their pipes; each array [unit].

    set_point: s, Pa. supply_nominal: Pa, before the regulator. diaphragm_area: A, m2. spring: k, N/m. case_volume: of
    air above the diaphragm, m3. outlet_volume: Vg, between seat and shut-off valve, m3. lift_stop: m3 that the
    diaphragm sweeps upward at most. vent_time_s: tau_v of the open vent, s. droop: share of the set point lost at full
    flow. lock_up: share over the set point that shuts the valve after a stop. relief: Pa over the set point at which
    the token relief opens. seat_leak_s: time constant toward supply of a fully leaking seat, s. weep: what the shut-off
    valve loses under the set point, m3/s at the barometer's pressure.
    """

    set_point: Float64
    supply_nominal: Float64
    diaphragm_area: Float64
    spring: Float64
    case_volume: Float64
    outlet_volume: Float64
    lift_stop: Float64
    vent_time_s: Float64
    droop: Float64
    lock_up: Float64
    relief: Float64
    seat_leak_s: Float64
    weep: Float64


@dataclass(frozen=True, slots=True)
class GasState:
    """What regulator and pipe remember, [unit].

    case_pressure: of the air above the diaphragm, as warm as its walls, Pa abs; quick_pressure: what sudden compression
    adds for some seconds, Pa. case_temperature: K. atmospheric_pressure: Pa abs. lift: swept upward from the seat, m3,
    below 0 open. trapped: amount of gas behind the seat as p_abs V/T, J/K. flow: share of full-load flow.
    """

    case_pressure: Float64
    quick_pressure: Float64
    case_temperature: Float64
    atmospheric_pressure: Float64
    lift: Float64
    trapped: Float64
    flow: Float64


def draw(ids: Sequence[str], set_points: Sequence[float], *, seed: int) -> GasParameters:
    """Regulators of units, each varied about the usual by chance that hangs on seed and id alone.

    Args:
        ids: of units. set_points: Pa, one a unit.
    """

    def chance(what: str, middle: float, spread: float) -> Float64:
        return middle + spread * even(keys(seed, ids, f"gas {what}"), np.zeros(1, np.int64))[:, 0]

    set_point = np.array(set_points, np.float64)
    area = DIAPHRAGM_M2 * chance("diaphragm", 1.0, 0.1)
    return GasParameters(
        set_point=set_point,
        supply_nominal=SUPPLY_PA * chance("supply", 1.0, 0.06),
        diaphragm_area=area,
        spring=SPRING_PER_M * set_point * area * chance("spring", 1.0, 0.15),
        case_volume=CASE_M3 * chance("case", 1.0, 0.2),
        outlet_volume=chance("outlet", 1.3e-3, 0.7e-3),
        lift_stop=area * DIAPHRAGM_STOP_M,
        vent_time_s=chance(
            "vent", 0.1, 0.05
        ),  # some millimetres of hole: a start dips 0.25 kPa at most, TRADE.md section 5
        droop=chance("droop", 0.13, 0.03),
        lock_up=chance("lock-up", 0.13, 0.05),
        relief=RELIEF_PA * chance("relief", 1.0, 0.2),
        seat_leak_s=SEAT_LEAK_S * chance("seat", 1.0, 0.5),
        weep=WEEP_M3_S * chance("weep", 1.0, 0.5),
    )


def begin(p: GasParameters, *, case_temperature: Float64, atmospheric_pressure: Float64) -> GasState:
    """Sound regulators at their floor, pipe as warm as case; Cel and Pa abs, [unit]."""
    kelvin = case_temperature + ZERO_CELSIUS
    still = np.zeros_like(kelvin)
    return GasState(
        case_pressure=atmospheric_pressure.copy(),
        quick_pressure=still,
        case_temperature=kelvin,
        atmospheric_pressure=atmospheric_pressure.copy(),
        lift=still,
        trapped=(atmospheric_pressure + p.set_point) * p.outlet_volume / kelvin,
        flow=still,
    )


def vent_time(p: GasParameters, vent_open: Float64) -> Float64:
    """tau_v, s, [unit]: that of the open vent over the share of its area that is left, infinite at 0.

    An orifice passes in proportion to its area (TRADE.md section 5), whatever of its kind the dirt leaves.
    """
    with np.errstate(divide="ignore", over="ignore"):
        time_s: Float64 = p.vent_time_s / np.minimum(np.maximum(vent_open, 0.0), 1.0)
    return time_s


def supply_left(*, supply: Float64, supply_loss: Float64, flow_share: Float64) -> Float64:
    """What is left of the supply before the regulator while gas flows, Pa: the line loses with the square of the flow.

    Args:
        supply: standing, Pa. supply_loss: at full flow, Pa. flow_share: of full flow. All of one shape.
    """
    left: Float64 = np.maximum(supply - supply_loss * flow_share * flow_share, 0.0)
    return left


def _lifted(
    low: Float64,
    stiff: Float64,
    air: Float64,
    case: Float64,
    gas: Float64,
    outlet: Float64,
    stop: Float64,
    lift: Float64,
) -> Float64:
    """Where trapped gas holds the diaphragm, m3 within 0..stop, [unit]: the zero of a rising function, by Newton.

    low + stiff v + air (1/(case - v) - 1/(case - lift)) = gas / (outlet + v)

    Args:
        low: s and the air's pressure were the diaphragm to stay, Pa abs. stiff: K, Pa/m3. air, gas: J. case, outlet,
        stop: m3. lift: where it stood, m3.
    """
    base = low - air / (case - lift)
    v = np.minimum(np.maximum(lift, 0.0), stop)
    for _ in range(NEWTONS):
        above, below = 1.0 / (case - v), 1.0 / (outlet + v)
        pushed, pushing = air * above, gas * below
        v = v - (base + stiff * v + pushed - pushing) / (stiff + pushed * above + pushing * below)
        v = np.minimum(np.maximum(v, 0.0), stop)
    return v


def step(
    p: GasParameters,
    s: GasState,
    *,
    case_temperature: Float64,
    pipe_temperature: Float64,
    atmospheric_pressure: Float64,
    supply: Float64,
    supply_loss: Float64,
    flow_share: Float64,
    vent_open: Float64,
    seat_leak: Float64,
    spring_shift: Float64,
    dt_s: float,
) -> tuple[GasState, Float64]:
    """Regulator and pipe a step later, and the gas pressure behind the regulator, Pa.

    Air above:     d(p_case - p_atm)/dt = p_case dT/(T dt) - dp_atm/dt + p_case dv/((V - v) dt) - (p_case - p_atm)/tau_v
    Engine on:     p = s - K w + p_case - p_atm, w = flow droop s/K opened; not above what supply leaves
    Engine off:    n T/(Vg + v) = s + K v + p_case, v >= 0; below s + p_case the regulator fills up;
                   n gains what leaks in, loses what weeps out and what lifts the token relief
    Within the step temperature, barometer and diaphragm move evenly, and the air is solved exactly for that.

    Args:
        case_temperature, pipe_temperature: of the air above the diaphragm and of the trapped gas, Cel.
        atmospheric_pressure: Pa abs. supply: before the regulator, standing, Pa; supply_loss: of it at full flow, Pa.
        flow_share: of the gas at full load, 0 off. vent_open: share of the vent's area, 0 sealed. seat_leak: 0 tight, 1
        as bad as one gets. spring_shift: of the set point, share.
        dt_s: s. All but dt_s have the shape [unit].
    """
    atmosphere = atmospheric_pressure
    kelvin, pipe_kelvin = case_temperature + ZERO_CELSIUS, pipe_temperature + ZERO_CELSIUS
    set_point = p.set_point * (1.0 + spring_shift)
    stiff = p.spring / (p.diaphragm_area * p.diaphragm_area)
    supply_abs = np.maximum(supply, 0.0) + atmosphere
    # Air above the diaphragm, first as if that stood still.
    leaked = np.maximum(dt_s / vent_time(p, vent_open), 1e-12)
    kept = np.exp(-leaked)
    moved = -np.expm1(-leaked) / leaked  # of an even change within the step, what is left at its end
    before = s.case_pressure - s.atmospheric_pressure
    warmed = s.case_pressure * (kelvin / s.case_temperature)
    still = atmosphere + before * kept + (warmed - atmosphere - before) * moved
    quick_still = s.quick_pressure * kept * exp(-dt_s / ADIABATIC_S)
    quick_share = ADIABATIC * -expm1(-dt_s / ADIABATIC_S) * ADIABATIC_S / dt_s
    flowing = flow_share > 0.0
    any_flowing, all_flowing = bool(flowing.any()), bool(flowing.all())
    lift = s.lift
    if any_flowing and bool((flowing & (lift > 0.0)).any()):  # a lifted diaphragm falls on its seat at once
        fallen = np.where(flowing, still * kept * -np.maximum(lift, 0.0) / p.case_volume, 0.0)
        still = still + fallen
        quick_still = quick_still + ADIABATIC * exp(-dt_s / ADIABATIC_S) * fallen
        lift = np.where(flowing, np.minimum(lift, 0.0), lift)
    room = p.case_volume - lift
    air = moved * still * room
    air_quick = air * (1.0 + quick_share)
    low = set_point + still + quick_still
    if not all_flowing:
        stopped = ~flowing & (s.flow > 0.0)
        gas = s.trapped * pipe_kelvin
        holds = p.outlet_volume + np.maximum(lift, 0.0)
        if stopped.any():  # the valve shuts only once the gas stands its lock-up over the set point
            shut = np.minimum(p.lock_up * set_point / stiff, p.lift_stop)
            over = low + air_quick * (1.0 / (p.case_volume - shut) - 1.0 / room) + p.lock_up * set_point
            holds = np.where(stopped, p.outlet_volume + shut, holds)
            gas = np.where(stopped, np.minimum(over, supply_abs) * holds, gas)
        gas = gas - dt_s * p.weep * atmosphere / p.set_point * np.maximum(gas / holds - atmosphere, 0.0)
        entering = -np.expm1(-seat_leak * dt_s / p.seat_leak_s)
        gas = gas + entering * np.maximum(supply_abs * holds - gas, 0.0)
        lift = _lifted(low, stiff, air_quick, p.case_volume, gas, p.outlet_volume, p.lift_stop, lift)
    if any_flowing:  # where the wanted opening leaves less than the engine's suction, the valve opens less
        wanted = flow_share * p.droop * set_point / stiff
        at_seat = low + air_quick * (1.0 / p.case_volume - 1.0 / room)
        fall = stiff * wanted + air_quick * (1.0 / p.case_volume - 1.0 / (p.case_volume + wanted))
        reached = (at_seat - atmosphere - SUCTION_PA) / np.maximum(fall, 1e-9)
        lift = np.where(flowing, -wanted * np.minimum(np.maximum(reached, 0.0), 1.0), lift)
    swept = air * (1.0 / (p.case_volume - lift) - 1.0 / room)
    case = still + swept
    quick = quick_still + quick_share * swept
    balance = set_point + stiff * lift + case + quick
    pressure = balance
    if not all_flowing:
        held = gas / (p.outlet_volume + lift)
        limit = set_point + p.relief + case + quick
        held = np.where(lift > 0.0, held, np.maximum(held, balance))
        closed = np.exp(-np.minimum(np.maximum(vent_open, 0.0), 1.0) * (dt_s / RELIEF_S))
        held = np.minimum(held, limit + np.maximum(held - limit, 0.0) * closed)
        pressure = np.minimum(held, supply_abs)
    if any_flowing:
        flowing_supply = supply_left(supply=supply, supply_loss=supply_loss, flow_share=flow_share)
        left = flowing_supply + atmosphere - WIDE_OPEN_SHARE * p.set_point * flow_share * flow_share
        running = np.maximum(np.minimum(balance, left), atmosphere + SUCTION_PA)
        pressure = np.where(flowing, running, pressure)
    after = GasState(
        case_pressure=case,
        quick_pressure=quick,
        case_temperature=kelvin,
        atmospheric_pressure=atmosphere,
        lift=lift,
        trapped=pressure * (p.outlet_volume + np.maximum(lift, 0.0)) / pipe_kelvin,
        flow=flow_share,
    )
    return after, pressure - atmosphere


def start(
    p: GasParameters,
    s: GasState,
    *,
    case_temperature: Float64,
    pipe_temperature: Float64,
    atmospheric_pressure: Float64,
    supply: Float64,
    supply_loss: Float64,
    flow_share: Float64,
    vent_open: Float64,
    seat_leak: Float64,
    spring_shift: Float64,
    seconds: int,
) -> tuple[Float64, GasState]:
    """Pressure, Pa, [unit, second], as the engine goes over to another flow, and the state after the last second.

    The draw rings about its new value, r(t) = 1 - exp(-z w t) (cos wd t + z w/wd sin wd t); to no flow it goes at once.

    Args:
        As step has them; flow_share: gone over to. seconds: how many.
    """
    pressure = np.empty((len(flow_share), seconds))
    damped = RING_RAD_S * sqrt(1.0 - RING_DAMPING**2)
    decay = RING_RAD_S * RING_DAMPING
    change = flow_share - s.flow
    for second in range(seconds):
        t = second + 1.0
        missing = exp(-decay * t) * (cos(damped * t) + decay / damped * sin(damped * t))
        drawn = np.where(flow_share > 0.0, np.maximum(flow_share - change * missing, 0.0), 0.0)
        s, pressure[:, second] = step(
            p,
            s,
            case_temperature=case_temperature,
            pipe_temperature=pipe_temperature,
            atmospheric_pressure=atmospheric_pressure,
            supply=supply,
            supply_loss=supply_loss,
            flow_share=drawn,
            vent_open=vent_open,
            seat_leak=seat_leak,
            spring_shift=spring_shift,
            dt_s=1.0,
        )
    return pressure, s
