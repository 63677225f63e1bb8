"""Starting battery, its charger and alternator: float, discharge, recharge, age and the dip of a crank.

In: air, line, loads, what is wrong with battery and charger. Out: volts of the set and charger current, stepped; volts
and amperes of each second of a crank. May import: numpy, simulator.chance and .electrolyte. Touches nothing.

A set is one or two 12 V blocks in series; all of its blocks are alike, and volts in here are of a block. Over the rest
volts E(charge, temperature) lie: r0 I; a branch rc1 of minutes (diffusion); a branch rc2, the surface charge, that
stands some 0.8 V high on float, is used up within hours once nothing feeds it, and in seconds by a starter; and acid,
what concentration the plates keep for days after charging. Charge that is not taken up gasses:

    Cs d(rc2)/dt = I - f(rc2),   f = G(charge) rc2 + gas(rc2) above 0, rc2 / r2 below
    C d(charge)/dt = I - gas - self-discharge

A starter takes rc2 in its first second: of Cs it reaches the double layer alone, not what lies deep in the plates. rc2
is solved linearised at the step's end, so volts are linear in the current and those of charger and alternator (constant
current until a set voltage) follow in closed form: stable at any step, and charge is kept count of to rounding.

A shorted cell lowers E. What charges holds its volts all the same, and so pushes rc2 up: the other cells gas and warm.

What gasses in a sealed block is recombined there, and all its power stays as heat: hot plates gas more, and where
volts do not give way that runs away. What bounds it: oxygen finds the other plate at a certain rate and no quicker, the
rest leaves by the valves and takes its heat along; the source's limit; acid that boils; and water that is gone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.chance import even, keys
from simulator.electrolyte import LIQUID_ABOVE, frozen_share

Float64 = NDArray[np.float64]
Bool = NDArray[np.bool_]

CELLS = 6  # of a block
KELVIN = 273.15  # of 0 Cel
CHARGES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
FLOODED_REST = np.array([11.89, 12.06, 12.24, 12.45, 12.65])  # V, BCI table, TRADE.md section 4
AGM_REST = np.array([11.70, 12.00, 12.30, 12.60, 12.85])  # V, one maker, TRADE.md section 4; empty from memory
REST_TEMPERATURE = 26.7  # Cel, of the BCI table
REST_SLOPE = 0.0012  # V/K, 0.2 mV/K a cell (from memory)
FLOAT_TEMPERATURE = 25.0  # Cel, from which floats are compensated
FLOAT_VOLTS = 13.5  # at which float currents are stated
COLD_AT = np.array([-40.0, -29.0, -18.0, 0.0, 27.0])  # Cel
CRANKING_POWER = np.array([0.18, 0.25, 0.40, 0.65, 1.0])  # trade chart, TRADE.md section 4; -40 Cel extrapolated
# Resistance ~ power^-0.4: part of the lost power is chemistry. So at 0 Cel a block gives 1.2 times, at 27 Cel 1.4 times
# the amperes that it gives at -18 Cel down to 7.2 V, as makers rate theirs (1.2-1.25 and 1.4-1.5 times, from memory).
COLD_OHM = CRANKING_POWER**-0.4
DRAG_AT = np.array([-40.0, -29.0, -18.0, 0.0, 27.0, 60.0])  # Cel
DRAG_NEEDED = np.array([4.6, 3.5, 2.1, 1.55, 1.0, 0.75])  # power at like speed, same chart; both ends extrapolated
DRAG_POWER = 0.4  # a starter with more to turn slows down: its current grows less (our choice)
INRUSH, INRUSH_S = 0.3, 0.7  # a second's mean current above the later, at the first, and how it fades (from memory)
TURNS_VOLTS = 7.2  # a block, under which a starter hardly turns (common practice)
SHORTED_VOLTS = 2.1  # a cell, TRADE.md section 4
ACID_S, ACID_FED_S = 48 * 3600.0, 2 * 3600.0  # how long plates keep, and take up, concentrated acid (our choice)
RC1_S = 300.0  # diffusion (order of magnitude)
SURFACE_F = 2500.0  # of 100 Ah: 0.85 V over rest are some 0.6 Ah (our choice, for TRADE.md's 'within hours')
QUICK_A = 8.0  # of 100 Ah: at so much half the surface charge is within reach, at a starter's some 50 F (our choice)
ACCEPTANCE = 60.0  # A/V at 100 Ah wholly empty: at 14.4 V the current falls with some hour (common practice)
COLD_ACCEPTANCE = 0.03  # 1/K: a charge takes about twice as long 25 K colder (from memory)
GAS_PER_VOLT = 1.8  # 1/V: tenfold in 1.3 V a block (Tafel slopes of both electrodes, from memory)
# K, activation energy over gas constant: self-discharge, gassing and ageing double from 20 to 30 Cel (TRADE.md section
# 4), as Arrhenius has it by less where it is hot: 8.8 times at 60 Cel, 25 at 80.
WARM_K = np.log(2.0) / (1.0 / 293.15 - 1.0 / 303.15)
RECOMBINED = 0.02  # A of gassing for each Ah that a sealed block recombines at most (order of magnitude, from memory)
VENTED_AS_WATER = 1.0  # of what a sealed block vents beyond that
BOILS = 110.0  # Cel, acid of full charge: some 1.28 (from memory)
BOIL_J_PER_G = 2257.0  # of water (steam tables, from memory)
GASSES_ABOVE = 0.2  # share of water; drier plates gas less and less (our choice)
WATER_G_PER_AH = 0.336  # a cell: 18.015 g/mol over two Faradays (computed)
WATER_G_OF_AH = 7.5  # in a cell of 1 Ah (order of magnitude)
GAS_HEAT_VOLTS = 1.48 * CELLS  # that gas takes along, thermoneutral, V (from memory)
EMPTY, EMPTY_PER_K = 0.04, 0.004  # charge below which volts collapse under load; and more a K under 25 Cel
EMPTY_OHM = 0.1  # at 100 Ah, halfway from there to no charge (our choice)
LOAD_VOLTS = 12.0  # at which loads draw what they are stated to; less as volts collapse
ICE_POWER = 3.0  # resistance ~ liquid share^-3: Bruggeman's 1.5 between the plates and in them (our choice)
LIFE_S = 5 * 365.25 * 86_400.0  # at 25 Cel, TRADE.md section 4
OHM_SIZE = 0.7  # resistance ~ Ah^-0.7: makers' cold-crank amperes grow more slowly than Ah (from memory)
DAILY_SHARE = 1.2 / 24.0  # 1/h: flat to full within 24 h (NFPA 110, TRADE.md section 1), a sixth of it gassed
CHARGERS_A = np.array([2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0])  # common practice
BULK_S = 300.0  # at its limit for so long, a charger goes on to absorption (our choice)
BULK_MOST_S = 36 * 3600.0  # a battery that is still not up then is faulty (common practice)
ABSORPTION_MOST_S = 10 * 3600.0  # then it returns to float in any case (common practice)


@dataclass(frozen=True, slots=True)
class BatteryParameters:
    """Batteries, their chargers and alternators; each array [unit].

    blocks: 12 V ones in series. agm: 1, flooded 0. capacity_ah: at 25 Cel. r0, r1, r2: of a block at 27 Cel, full, new,
    at its posts, ohm. surface_f: capacity of rc2 on a block, F. self_discharge: share a month at 25 Cel. gas_a: scale
    of gassing at 25 Cel, A. acid_volts: over rest after long charging, V a block. water_share: of gassing that leaves
    as water. heat_capacity: of the set, J/K; air_conductance: W/K. float_volts, absorption_volts, equalise_volts: V a
    block at 25 Cel. compensation: V/K a block, 0 or negative. limit_a: of the charger; tail_a: under which it leaves
    absorption, A. alternator_a: most that it gives, 0: none; alternator_volts: V a block at 25 Cel;
    alternator_compensation: V/K a block. standing_a: load of controls, A. starter_a: after the inrush at 27 Cel, A;
    starter_ohm: of a stalled starter, a block. begin_age: of a life, 0..1.
    """

    blocks: Float64
    agm: Float64
    capacity_ah: Float64
    r0: Float64
    r1: Float64
    r2: Float64
    surface_f: Float64
    self_discharge: Float64
    gas_a: Float64
    acid_volts: Float64
    water_share: Float64
    heat_capacity: Float64
    air_conductance: Float64
    float_volts: Float64
    absorption_volts: Float64
    equalise_volts: Float64
    compensation: Float64
    limit_a: Float64
    tail_a: Float64
    alternator_a: Float64
    alternator_volts: Float64
    alternator_compensation: Float64
    standing_a: Float64
    starter_a: Float64
    starter_ohm: Float64
    begin_age: Float64


@dataclass(frozen=True, slots=True)
class BatteryState:
    """What battery and charger remember, [unit].

    soc: charge, 0..1 of the capacity it has now. rc1, rc2, acid: V a block. temperature: Cel. water: share left. age:
    of a life. absorbing: 0 or 1; bulk_s, absorbed_s: at the charger's limit, and at absorption volts, s. battery_a,
    lost_a: mean of the last step, A: into the battery, and of it what gassed or discharged itself.
    """

    soc: Float64
    rc1: Float64
    rc2: Float64
    acid: Float64
    temperature: Float64
    water: Float64
    age: Float64
    absorbing: Float64
    bulk_s: Float64
    absorbed_s: Float64
    battery_a: Float64
    lost_a: Float64


# TRADE.md section 4 for floats, self-discharge and float currents; r0 and R2 are of 100 Ah: with both, sound ones have
# 3-8 mOhm at the sizes there are.
PRESETS: Mapping[str, Mapping[str, float]] = {
    "flooded": {"agm": 0.0, "float": 13.4, "self": 0.05, "float_a": 0.10, "acid": 0.10, "water": 0.5, "r0": 4.2e-3,
                "equalise": 15.0},
    "agm": {"agm": 1.0, "float": 13.6, "self": 0.025, "float_a": 0.07, "acid": 0.05, "water": 0.02, "r0": 3.5e-3,
            "equalise": 14.4},
}  # fmt: skip
R1, R2 = 1.5e-3, 1.2e-3  # ohm of 100 Ah: diffusion; what plates lose within a second of discharge (order of magnitude)
UNCOMPENSATED = 0.2  # share of chargers without compensation (our choice)
WITH_ALTERNATOR = 0.5  # share of engines that drive one (common practice: many do, many do not)


@dataclass(frozen=True, slots=True)
class Build:
    """What an installer chose for one unit. kind: a name of PRESETS. blocks: in series. capacity_ah: of a block.

    starter_a: that the starter draws at 27 Cel, A.
    """

    kind: str
    blocks: int
    capacity_ah: float
    starter_a: float


def draw(ids: Sequence[str], builds: Sequence[Build], *, seed: int) -> BatteryParameters:
    """Batteries of units, each varied about its build by chance that hangs on seed and id alone; Ah are as built."""

    def chance(what: str, spread: float, middle: float = 0.0) -> Float64:
        return middle + spread * even(keys(seed, ids, f"battery {what}"), np.zeros(1, np.int64))[:, 0]

    def preset(name: str) -> Float64:
        return np.array([PRESETS[build.kind][name] for build in builds], np.float64)

    blocks = np.array([float(build.blocks) for build in builds])
    capacity = np.array([build.capacity_ah for build in builds], np.float64)
    size = capacity / 100.0
    starter_a = np.array([build.starter_a for build in builds], np.float64) * chance("starter", 0.08, 1.0)
    standing_a = size**0.5 * chance("standing", 0.05, 0.16)  # controls and gateway, on large sets more (our choice)
    float_a = preset("float_a") * size * chance("float current", 0.3, 1.0)
    agm, acid_volts = preset("agm"), preset("acid") * chance("acid", 0.2, 1.0)
    over = FLOAT_VOLTS - acid_volts - FLOODED_REST[-1] - agm * (AGM_REST[-1] - FLOODED_REST[-1])
    return BatteryParameters(
        blocks=blocks,
        agm=agm,
        capacity_ah=capacity,
        r0=preset("r0") / size**OHM_SIZE * chance("r0", 0.1, 1.0),
        r1=R1 / size**OHM_SIZE,
        r2=R2 / size**OHM_SIZE,
        surface_f=SURFACE_F * size * chance("surface", 0.15, 1.0),
        self_discharge=preset("self") * chance("self", 0.3, 1.0),
        gas_a=float_a / np.expm1(GAS_PER_VOLT * over),
        acid_volts=acid_volts,
        water_share=preset("water"),
        heat_capacity=25e3 * size * blocks * chance("heat", 0.1, 1.0),  # 25 kg of about 1 kJ/(kg K) at 100 Ah
        air_conductance=3.0 * size ** (2.0 / 3.0) * blocks * chance("conductance", 0.2, 1.0),
        float_volts=preset("float") + chance("float", 0.08),
        absorption_volts=14.4 + chance("absorption", 0.05),
        equalise_volts=preset("equalise"),
        compensation=np.where(
            chance("compensated", 0.5, 0.5) < UNCOMPENSATED, 0.0, CELLS * chance("slope", 5e-4, -4e-3)
        ),
        limit_a=_charger_a(DAILY_SHARE * capacity + standing_a, larger=chance("limit", 1.0) > 0.0),
        tail_a=0.02 * capacity,
        alternator_a=np.where(
            chance("alternator", 0.5, 0.5) < WITH_ALTERNATOR, chance("alternator amperes", 15.0, 50.0), 0.0
        ),  # 35-65 A (common practice)
        alternator_volts=14.2 + chance("alternator volts", 0.2),  # 14.0-14.4 V a block (common practice)
        alternator_compensation=np.where(
            chance("alternator compensated", 1.0) > 0.0, chance("alternator slope", 4e-3, -12e-3), 0.0
        ),  # half of them, less than chargers (from memory)
        standing_a=standing_a,
        starter_a=starter_a,
        starter_ohm=1.6 / starter_a,
        begin_age=chance("age", 0.2, 0.2),
    )


def _charger_a(needed_a: Float64, *, larger: Bool) -> Float64:
    """The smallest charger of those sold that gives what is needed, or where larger the next one, A; [unit]."""
    smallest = np.searchsorted(CHARGERS_A, needed_a)
    return CHARGERS_A[np.minimum(smallest + larger, len(CHARGERS_A) - 1)]


def begin(p: BatteryParameters, air: Float64, *, new: bool = False) -> BatteryState:
    """Sound batteries that have stood on float for long.

    Args:
        air: around them, Cel, [unit]. new: just bought, not as old as those that were there at the beginning.
    """
    none = np.zeros_like(p.capacity_ah)
    on_float = p.float_volts + p.compensation * (air - FLOAT_TEMPERATURE) - _rest(p, none + 0.999, air)
    surface = np.maximum(on_float - p.acid_volts, 0.0)
    return BatteryState(
        soc=none + 0.999,
        rc1=none,
        rc2=surface,
        acid=p.acid_volts,
        temperature=none + air,
        water=none + 1.0,
        age=none if new else p.begin_age,
        absorbing=none,
        bulk_s=none,
        absorbed_s=none,
        battery_a=none,
        lost_a=none,
    )


def _rest(p: BatteryParameters, soc: Float64, temperature: Float64) -> Float64:
    flooded = np.interp(soc, CHARGES, FLOODED_REST)
    more = np.interp(soc, CHARGES, AGM_REST - FLOODED_REST)
    rest: Float64 = flooded + p.agm * more + REST_SLOPE * (temperature - REST_TEMPERATURE)
    return rest


def rest_volts(p: BatteryParameters, soc: Float64, temperature: Float64) -> Float64:
    """Of a sound block long at rest, V; soc 0..1, temperature Cel, [unit] each."""
    return _rest(p, soc, temperature)


def capacity_now(p: BatteryParameters, s: BatteryState, resistance_factor: Float64) -> Float64:
    """Ah that the set holds at 25 Cel: less with age, sulphate (three times the resistance: 60 %) and lost water."""
    left = (1.0 - 0.2 * (resistance_factor - 1.0)) * (1.0 - 0.2 * s.age) * (0.4 + 0.6 * s.water)
    return p.capacity_ah * np.maximum(left, 0.1)


def _resistance(p: BatteryParameters, s: BatteryState, resistance_factor: Float64) -> tuple[Float64, Float64]:
    """Factor over r0, r1, r2 of new, full and warm, and what collapses on discharge near empty, ohm a block."""
    cold = np.interp(s.temperature, COLD_AT, COLD_OHM)
    gone = 1.0 - s.soc
    factor = cold * (1.0 + 0.8 * gone * gone) * resistance_factor * (1.0 + 0.3 * s.age) * (2.5 - 1.5 * s.water)
    if s.temperature.min() < LIQUID_ABOVE:
        factor = factor / (1.0 - frozen_share(s.soc, s.temperature)) ** ICE_POWER
    empty = EMPTY + EMPTY_PER_K * np.maximum(FLOAT_TEMPERATURE - s.temperature, 0.0)
    short = np.maximum(empty - s.soc, 0.0) / np.maximum(s.soc, 1e-6)
    return factor, EMPTY_OHM * 100.0 / p.capacity_ah * short * short


def _warm(s: BatteryState) -> Float64:
    """How much quicker than at 25 Cel a battery discharges itself, gasses and ages."""
    quicker: Float64 = np.exp(WARM_K * (1.0 / (KELVIN + FLOAT_TEMPERATURE) - 1.0 / (KELVIN + s.temperature)))
    return quicker


def _reached(p: BatteryParameters, starter_a: Float64) -> Float64:
    """What of a block's surface capacity a starter's current reaches, F."""
    return p.surface_f / (1.0 + starter_a / (QUICK_A / 100.0 * p.capacity_ah))


def _cells_left(p: BatteryParameters, shorted: Float64) -> Float64:
    """Share of a set's cells that are not shorted."""
    return 1.0 - shorted / (CELLS * p.blocks)


def _taken_up(
    p: BatteryParameters, s: BatteryState, rc2: Float64, r2: Float64, *, warm: Float64, below: Bool, shorted: Float64
) -> tuple[Float64, Float64, Float64, Float64]:
    """f(rc2) of the module's head and its slope, and of them what gasses, A and A/V.

    Args:
        warm: of _warm. below: where the step ends with rc2 below 0, so that it is linearised there.
    """
    base = p.gas_a * warm * np.minimum(s.water / GASSES_ABOVE, 1.0) * ~below
    # A Tafel slope grows with absolute temperature; and fewer cells share the volts over rest.
    per_volt = GAS_PER_VOLT * (KELVIN + FLOAT_TEMPERATURE) / (KELVIN + s.temperature) / _cells_left(p, shorted)
    swollen = base * np.exp(per_volt * np.maximum(rc2, 0.0))
    gas, gas_slope = swollen - base, per_volt * swollen
    accepting = np.exp(COLD_ACCEPTANCE * np.minimum(s.temperature - FLOAT_TEMPERATURE, 10.0))
    main = np.where(below, 1.0 / r2, ACCEPTANCE / 100.0 * p.capacity_ah * (1.0 - s.soc) * accepting)
    return main * rc2 + gas, main + gas_slope, gas, gas_slope


def step(
    p: BatteryParameters,
    s: BatteryState,
    *,
    air: Float64,
    line_on: Float64,
    running: Float64,
    draw_a: Float64,
    output_share: Float64,
    current_share: Float64,
    interrupted: Float64,
    shorted: Float64,
    resistance_factor: Float64,
    left_load: Float64,
    over_volts: Float64,
    equalise: Float64,
    dt_s: float,
) -> tuple[BatteryState, Float64, Float64]:
    """Battery and charger a step later, volts of the set then, and the charger's current, A.

    Args:
        air: around the battery, Cel. line_on: above 0.5 the charger is supplied. running: 0 or 1, an alternator turns.
        draw_a: of starter or test, over the step, A. output_share, current_share: of the charger's volts and of its
        limit. interrupted: above 0.5 its output is off. shorted: cells of the set. resistance_factor: of the battery, 1
        sound. left_load: left on, as a share of a sound charger's limit. over_volts: above its float that a faulty
        charger holds at least, V a block. equalise: above 0.5 by order. dt_s: s. All but dt_s have the shape [unit].
    """
    factor, empty_ohm = _resistance(p, s, resistance_factor)
    capacity_as = 3600.0 * capacity_now(p, s, resistance_factor)
    r0, r1, r2 = p.r0 * factor, p.r1 * factor, p.r2 * factor
    over_25, warm = s.temperature - FLOAT_TEMPERATURE, _warm(s)
    self_a = p.self_discharge / 2.63e6 * capacity_as * s.soc * warm
    on = (line_on > 0.5) & (interrupted < 0.5)
    limit = p.limit_a * current_share * on
    load = p.standing_a + left_load * p.limit_a + draw_a
    turned_a = p.alternator_a * running
    carried = np.minimum(load, limit + turned_a)
    left = (load - carried) / (1.0 + empty_ohm * load / LOAD_VOLTS)  # as the volts at a load collapse, it draws less
    stored_a = np.maximum(s.soc * capacity_as / dt_s - self_a, 0.0)  # all that is left, within this step
    left = np.minimum(left, stored_a)
    load = carried + left
    surface_f = _reached(p, draw_a)
    below = (s.rc2 <= 0.0) | (s.rc2 * surface_f < draw_a * dt_s)
    taken, slope, gas, gas_slope = _taken_up(p, s, s.rc2, r2, warm=warm, below=below, shorted=shorted)
    stiff = surface_f / dt_s + slope
    fade = np.exp(-dt_s / RC1_S)
    idle = _rest(p, s.soc, s.temperature) - SHORTED_VOLTS * shorted / p.blocks + s.acid + s.rc1 * fade
    idle = idle + s.rc2 - taken / stiff - empty_ohm * left  # volts of the block at the step's end without any current
    usual = np.where(s.absorbing > 0.5, p.absorption_volts, p.float_volts)
    wanted = np.maximum(np.where(equalise > 0.5, p.equalise_volts, usual), p.float_volts + over_volts)
    wanted = (wanted + p.compensation * over_25) * output_share
    ohm = r0 + r1 * (1.0 - fade) + 1.0 / stiff
    turned = p.alternator_volts + p.alternator_compensation * over_25
    turned_a = np.minimum(np.maximum((turned - idle) / ohm + load, 0.0), turned_a)
    rest_a = load - turned_a
    charger = np.minimum(np.maximum((wanted - idle) / ohm + rest_a, np.maximum(rest_a - stored_a, 0.0)), limit)
    current = charger - rest_a
    volts = np.maximum(idle + ohm * current, 0.0)
    rc2 = s.rc2 + (current - taken) / stiff
    gassing = np.maximum(gas + gas_slope * (rc2 - s.rc2), 0.0)
    lost = self_a + gassing
    lost = np.minimum(lost, s.soc * capacity_as / dt_s + current)  # not below empty
    lost = np.maximum(lost, current - (1.0 - s.soc) * capacity_as / dt_s)  # what a full battery cannot keep, gasses
    soc = np.minimum(np.maximum(s.soc + (current - lost) * dt_s / capacity_as, 0.0), 1.0)
    fed = p.acid_volts * np.minimum(np.maximum(rc2 / 0.6, 0.0), 1.0)
    acid = s.acid + (fed - s.acid) * -np.expm1(-dt_s / np.where(fed > s.acid, ACID_FED_S, ACID_S))
    temperature, dried = _warmed_and_dried(
        p, s, air=air, gassing=gassing, volts=volts, ohmic_w=current * current * (r0 + r2 * (rc2 < 0.0)),
        shorted=shorted, dt_s=dt_s,
    )  # fmt: skip
    at_limit = on & (limit > 0.0) & (charger >= 0.98 * limit)
    bulk_s = np.where(at_limit, s.bulk_s + dt_s, 0.0)
    given_up = bulk_s > BULK_MOST_S
    over = (charger < p.tail_a) | (s.absorbed_s >= ABSORPTION_MOST_S) | given_up
    absorbing = on & (((s.absorbing > 0.5) & ~over) | ((s.absorbing < 0.5) & (bulk_s >= BULK_S) & ~given_up))
    after = BatteryState(
        soc=soc,
        rc1=s.rc1 * fade + r1 * (1.0 - fade) * current,
        rc2=rc2,
        acid=acid,
        temperature=temperature,
        water=np.maximum(s.water - dried, 0.0),
        age=s.age + warm * (dt_s / LIFE_S),
        absorbing=absorbing.astype(np.float64),
        bulk_s=bulk_s,
        absorbed_s=np.where(absorbing, s.absorbed_s + dt_s * ~at_limit, 0.0),
        battery_a=current,
        lost_a=lost,
    )
    return after, volts * p.blocks, charger


def _warmed_and_dried(
    p: BatteryParameters,
    s: BatteryState,
    *,
    air: Float64,
    gassing: Float64,
    volts: Float64,
    ohmic_w: Float64,
    shorted: Float64,
    dt_s: float,
) -> tuple[Float64, Float64]:
    """A battery's temperature a step later, Cel, and the share of its water that is lost in the step; [unit].

    Args:
        air: around it, Cel. gassing: A. volts, ohmic_w: of a block, V and W. shorted: cells of the set. dt_s: s.
    """
    vented = np.where(p.agm > 0.5, np.maximum(gassing - RECOMBINED * p.capacity_ah, 0.0), gassing)
    gas_w = gassing * volts - vented * np.minimum(GAS_HEAT_VOLTS * _cells_left(p, shorted), volts)
    settled = air + p.blocks * (ohmic_w + gas_w) / p.air_conductance
    temperature = settled + (s.temperature - settled) * np.exp(-dt_s * p.air_conductance / p.heat_capacity)
    as_water = np.where(
        p.agm > 0.5, (gassing - vented) * p.water_share + vented * VENTED_AS_WATER, gassing * p.water_share
    )
    lost_g = as_water * (WATER_G_PER_AH * dt_s / 3600.0)  # a cell
    over = np.maximum(temperature - BOILS, 0.0)
    lost_g = lost_g + over * p.heat_capacity / (BOIL_J_PER_G * CELLS * p.blocks)
    return temperature - over, lost_g / (WATER_G_OF_AH * p.capacity_ah)


def crank(
    p: BatteryParameters,
    s: BatteryState,
    *,
    water: Float64,
    shorted: Float64,
    resistance_factor: Float64,
    seconds: int,
) -> tuple[Float64, Bool, Float64]:
    """Volts of the set at each second of a crank, whether the engine turns, and amperes. Changes no state.

    Args:
        water: temperature of the engine, Cel; the colder, the harder it turns. shorted: cells of the set.
        resistance_factor: of the battery, 1 sound. All [unit].
    Returns: volts [unit, second], turns [unit], A [unit, second].
    """
    factor, empty_ohm = _resistance(p, s, resistance_factor)
    r0, r2 = p.r0 * factor + empty_ohm, p.r2 * factor
    steady = p.starter_a * np.interp(water, DRAG_AT, DRAG_NEEDED**DRAG_POWER)
    under = _rest(p, s.soc, s.temperature) - SHORTED_VOLTS * shorted / p.blocks + s.acid + s.rc1
    rc2, warm, stalled = s.rc2, _warm(s), np.zeros(len(water), np.bool_)
    volts, amperes = np.empty((2, len(water), seconds))
    for second in range(seconds):
        wanted = steady * (1.0 + INRUSH * np.exp(-second / INRUSH_S))
        surface_f = _reached(p, wanted)
        below = rc2 * surface_f < wanted
        taken, slope, _, _ = _taken_up(p, s, rc2, r2, warm=warm, below=below, shorted=shorted)
        stiff = surface_f + slope
        idle, ohm = np.maximum(under + rc2 - taken / stiff, 0.0), r0 + 1.0 / stiff
        most = idle / (ohm + p.starter_ohm)
        current = np.minimum(wanted, most)
        volts[:, second] = idle - ohm * current
        amperes[:, second] = current
        stalled |= (most < wanted) | (volts[:, second] < TURNS_VOLTS)
        rc2 = rc2 - (current + taken) / stiff
    return volts * p.blocks[:, None], ~stalled, amperes
