"""The enclosure round an engine-generator: its air and its steel under sun, wind, heat from within and ventilation.

In: weather, heat from the engine and its heater, how far louvers, grilles and doors stand open. Out: temperatures of
air, steel and the regulator on the wall outside, stepped. May import: numpy, simulator.chance. Touches nothing.

Two nodes that a linear balance couples, solved at the end of the step (backward Euler), so that any step is stable and
the energy balance closes to rounding. A third, light one, the gas regulator outside, takes part in nobody's balance.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.chance import even, keys

Float64 = NDArray[np.float64]

AIR_HEAT = 1.2 * 1006.0  # J/(m3 K) of air, 1.2 kg/m3 and 1006 J/(kg K)
STILL_H, H_PER_WIND = 5.7, 3.8  # W/(m2 K), W/(m2 K) a m/s: McAdams 1954 after Juerges, with radiation, to 5 m/s
SKY_LOSS_K = 4.0  # what a roof radiates to the sky, as K of air at h_o 17: ASHRAE Fundamentals, sol-air temperature
SKY_H = 17.0  # W/(m2 K), h_o of that table
WALL_SUN = 0.35  # mean over four walls of the sun that level ground has; low sun gives more, shade less (our choice)
CASE_SUN = 0.4  # share of the wall's sol-air excess that reaches a regulator in the lee of the wall (our choice)
DOOR_FLOW = 0.25  # m3/s that a door wide open lets through in still air; grows with wind (order of magnitude, ours)
DOOR_FLOW_PER_WIND = 0.15  # m3/s a m/s
OPEN_MIN = 0.03  # a stuck louver and a clogged grille still leave gaps


@dataclass(frozen=True, slots=True)
class EnclosureParameters:
    """How enclosures are built; each array [unit].

    air_capacity, steel_capacity: J/K, of air with what takes its temperature at once, and of sheet, frame, alternator.
    roof_area, wall_area: m2. absorptance: of sun, 0.44 light, 0.88 dark. sky_loss_k: K at h_o 17. wind_share: of the
    wind at 10 m that reaches it. inner_conductance: steel to air, W/K. gap_flow: m3/s through grilles in still air;
    gap_flow_per_wind: m3/s a m/s; closed_flow: the same with grilles closed. fan_flow: m3/s in a run, all open.
    resistance: of louver and grille to the fan, against all other resistance in its way, 1. space_heater_w: W at rated
    volts, 0 none; space_cut_in, space_cut_out: Cel of air. case_time_s: of the regulator outside, s. case_steel: share
    of the wall in its temperature. pipe_air: share of the inner air in that of the pipe behind it.
    """

    air_capacity: Float64
    steel_capacity: Float64
    roof_area: Float64
    wall_area: Float64
    absorptance: Float64
    sky_loss_k: Float64
    wind_share: Float64
    inner_conductance: Float64
    gap_flow: Float64
    gap_flow_per_wind: Float64
    closed_flow: Float64
    fan_flow: Float64
    resistance: Float64
    space_heater_w: Float64
    space_cut_in: Float64
    space_cut_out: Float64
    case_time_s: Float64
    case_steel: Float64
    pipe_air: Float64


@dataclass(frozen=True, slots=True)
class EnclosureState:
    """What an enclosure remembers, [unit]: temperatures of air, steel and regulator case, Cel; space heater on, 0 or 1.

    vented_w, surface_w, space_w: mean of the last step, W: carried off by air, into the steel from sun, sky and wind
    together, electric heat.
    """

    air: Float64
    steel: Float64
    case: Float64
    heater_on: Float64
    vented_w: Float64
    surface_w: Float64
    space_w: Float64


# 'small' some 25 kW, 'medium' 60 kW, 'large' 150 kW. Fan flows carry 7 % of the fuel off with a rise of 13 K at full
# load (TRADE.md section 6: heat to air 5-10 % of fuel, rise 8-15 K); the rest is common practice and our choice.
PRESETS: Mapping[str, Mapping[str, float]] = {
    "small": {
        "air_capacity": 18e3, "steel_capacity": 130e3, "roof_area": 2.0, "wall_area": 8.5, "inner_conductance": 28.0,
        "gap_flow": 0.014, "gap_flow_per_wind": 0.008, "closed_flow": 0.004, "fan_flow": 0.38, "space_heater_w": 0.0,
    },
    "medium": {
        "air_capacity": 35e3, "steel_capacity": 300e3, "roof_area": 3.6, "wall_area": 15.0, "inner_conductance": 48.0,
        "gap_flow": 0.022, "gap_flow_per_wind": 0.013, "closed_flow": 0.006, "fan_flow": 0.91, "space_heater_w": 0.0,
    },
    "large": {
        "air_capacity": 80e3, "steel_capacity": 750e3, "roof_area": 8.0, "wall_area": 28.0, "inner_conductance": 88.0,
        "gap_flow": 0.030, "gap_flow_per_wind": 0.018, "closed_flow": 0.012, "fan_flow": 2.12, "space_heater_w": 0.0,
    },
}  # fmt: skip
COMMON: Mapping[str, float] = {
    "absorptance": 0.47, "sky_loss_k": SKY_LOSS_K, "wind_share": 0.45, "resistance": 0.8,
    "space_cut_in": 5.0, "space_cut_out": 10.0, "case_time_s": 1500.0, "case_steel": 0.45, "pipe_air": 0.5,
}  # fmt: skip
SPREAD: Mapping[str, float] = {
    "air_capacity": 0.15, "steel_capacity": 0.12, "roof_area": 0.06, "wall_area": 0.06, "absorptance": 0.25,
    "sky_loss_k": 0.15, "wind_share": 0.3, "inner_conductance": 0.2, "gap_flow": 0.3, "gap_flow_per_wind": 0.3,
    "closed_flow": 0.3, "fan_flow": 0.10, "resistance": 0.15, "case_time_s": 0.25, "case_steel": 0.25,
    "pipe_air": 0.3,
}  # fmt: skip  # half width of an even spread about the preset, as a share of it (our choice)


def draw(ids: Sequence[str], presets: Sequence[str], *, seed: int) -> EnclosureParameters:
    """Enclosures of units, each varied about its preset by chance that hangs on seed and id alone.

    Args:
        ids, presets: one name of PRESETS a unit; '+space_heater' behind it adds one of 10 W a m2 of surface times 12 K.
    """
    rows: dict[str, Float64] = {}
    for name in EnclosureParameters.__slots__:
        base = np.array([{**COMMON, **PRESETS[preset.partition("+")[0]]}[name] for preset in presets], np.float64)
        chance = even(keys(seed, ids, f"enclosure {name}"), np.zeros(1, np.int64))[:, 0]
        rows[name] = base * (1.0 + SPREAD.get(name, 0.0) * chance)
    heated = np.array([preset.endswith("+space_heater") for preset in presets])
    sized = np.ceil((rows["roof_area"] + rows["wall_area"]) * 60.0 / 250.0) * 250.0  # W, in steps of 250 W
    rows["space_heater_w"] = np.where(heated, sized, 0.0)
    return EnclosureParameters(**rows)


def begin(p: EnclosureParameters, ambient: Float64) -> EnclosureState:
    """Enclosures that have stood in air of that temperature, Cel, [unit], without sun or heat."""
    still = np.zeros_like(ambient)
    return EnclosureState(ambient.copy(), ambient.copy(), ambient.copy(), still, still, still, still)


def outer_conductance(wind: Float64) -> Float64:
    """h_o of a surface in wind, W/(m2 K): 5.7 + 3.8 v. Source: McAdams 1954 (from memory), 17 W/(m2 K) at 3 m/s."""
    return STILL_H + H_PER_WIND * wind


def sol_air_temperature(
    *, ambient: Float64, sun: Float64, absorptance: Float64, conductance: Float64, sky_loss_w: Float64 | float = 0.0
) -> Float64:
    """Air temperature that would heat a surface as sun, air and sky together do, Cel: t = t_o + (a I - e dR) / h_o.

    Args:
        ambient: t_o, Cel. sun: I on the surface, W/m2. absorptance: a. conductance: h_o, W/(m2 K).
        sky_loss_w: e dR to the sky, W/m2: 4 K times 17 for a roof, 0 for a wall.
    Source: ASHRAE Fundamentals, sol-air temperature (TRADE.md section 6).
    """
    return ambient + (absorptance * sun - sky_loss_w) / conductance


def air_flow(
    p: EnclosureParameters, *, wind: Float64, running: Float64, louver_open: Float64, grille_open: Float64,
    door_open: Float64,
) -> Float64:  # fmt: skip
    """Fresh air through the enclosure, m3/s, [unit].

    Stopped, wind and warmth push some through the grilles while gravity closes the louver; running, the fan meets its
    own curve dp = p0 (1 - q^2) and a resistance k q^2 that grows as louver and grille close, so q = 1/sqrt(1 + k/p0)
    (affinity of fans, any handbook; from memory). A door lets air in past both.

    Args:
        wind: at the enclosure, m/s. running: 0..1. louver_open: how far the louver comes open in a run, 0..1.
        grille_open, door_open: 0..1.
    """
    louver, grille = np.maximum(louver_open, OPEN_MIN), np.maximum(grille_open, OPEN_MIN)
    fan_share = np.sqrt((1.0 + p.resistance) / (1.0 + 0.5 * p.resistance * (louver**-2 + grille**-2)))
    drawn = p.fan_flow * (fan_share + (1.0 - fan_share) * 0.5 * door_open)
    gaps = p.closed_flow + grille_open * (p.gap_flow + p.gap_flow_per_wind * wind)
    door = door_open * (DOOR_FLOW + DOOR_FLOW_PER_WIND * wind)
    flow: Float64 = gaps + door + running * drawn
    return flow


def step(
    p: EnclosureParameters,
    s: EnclosureState,
    *,
    ambient: Float64,
    sun: Float64,
    wind: Float64,
    heat_w: Float64,
    running: Float64,
    louver_open: Float64,
    grille_open: Float64,
    door_open: Float64,
    line_voltage: Float64,
    dt_s: float,
) -> EnclosureState:
    """The enclosures a step later.

    Ca dTa/dt = heat + space heater + Gi (Ts - Ta) + rho cp V (To - Ta)
    Cs dTs/dt = Gi (Ta - Ts) + sum over roof and walls of h_o A (sol-air - Ts)

    Args:
        ambient: To, Cel. sun: on level ground, W/m2. wind: at 10 m, m/s. heat_w: into the air, W.
        running, louver_open, grille_open, door_open: 0..1; the louver stands at louver_open in a run, else closed.
        line_voltage: share of the rated, 0 while the supply is off: the space heater needs it. dt_s: s.
        All but dt_s have the shape [unit].
    """
    near = wind * p.wind_share
    outer_h = outer_conductance(near)
    sky_loss_w = SKY_H * p.sky_loss_k
    roof_air = sol_air_temperature(
        ambient=ambient, sun=sun, absorptance=p.absorptance, conductance=outer_h, sky_loss_w=sky_loss_w
    )
    wall_air = sol_air_temperature(ambient=ambient, sun=WALL_SUN * sun, absorptance=p.absorptance, conductance=outer_h)
    outer = outer_h * (p.roof_area + p.wall_area)
    outer_known = outer_h * (p.roof_area * roof_air + p.wall_area * wall_air)
    flow = AIR_HEAT * air_flow(
        p, wind=near, running=running, louver_open=louver_open, grille_open=grille_open, door_open=door_open
    )
    heater_on = np.where(s.air < p.space_cut_in, 1.0, np.where(s.air > p.space_cut_out, 0.0, s.heater_on))
    space_w = heater_on * p.space_heater_w * line_voltage * line_voltage * (1.0 - running)
    air_rate, steel_rate = p.air_capacity / dt_s, p.steel_capacity / dt_s
    air_sum = air_rate + p.inner_conductance + flow
    steel_sum = steel_rate + p.inner_conductance + outer
    air_known = air_rate * s.air + heat_w + space_w + flow * ambient
    steel_known = steel_rate * s.steel + outer_known
    steel = (steel_known * air_sum + p.inner_conductance * air_known) / (
        steel_sum * air_sum - p.inner_conductance * p.inner_conductance
    )
    air = (air_known + p.inner_conductance * steel) / air_sum
    outside = ambient + CASE_SUN * (wall_air - ambient)
    target = outside + p.case_steel * (steel - outside)
    case = s.case + (target - s.case) * (dt_s / (dt_s + p.case_time_s))
    return EnclosureState(
        air=air,
        steel=steel,
        case=case,
        heater_on=heater_on,
        vented_w=flow * (air - ambient),
        surface_w=outer_known - outer * steel,
        space_w=space_w,
    )


def case_temperature(p: EnclosureParameters, s: EnclosureState) -> Float64:
    """The gas regulator's spring case, outside on the wall, Cel, [unit]: between outdoor air and steel, late."""
    return s.case


def pipe_temperature(p: EnclosureParameters, s: EnclosureState) -> Float64:
    """The pipe between regulator and shut-off valve, Cel, [unit]: it leads from the wall into the inner air."""
    return s.case + p.pipe_air * (s.air - s.case)
