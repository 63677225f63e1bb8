"""The simulator's jacket water and enclosure against tables and formulas from outside."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import enclosure, water

HOUR_S = 3600.0
# TRADE.md section 3, 'hours from 49 Cel to L, computed': (air, limit), then time constant, h: hours.
COOLING = [
    ((10.0, 38.0), {5.0: 1.66, 10.0: 3.31, 15.0: 4.97, 20.0: 6.63, 30.0: 9.94}),
    ((10.0, 32.0), {5.0: 2.86, 10.0: 5.73, 15.0: 8.59, 20.0: 11.45, 30.0: 17.18}),
    ((0.0, 32.0), {5.0: 2.13, 10.0: 4.26, 15.0: 6.39, 20.0: 8.52, 30.0: 12.78}),
    ((0.0, 38.0), {5.0: 1.27, 10.0: 2.54, 15.0: 3.81, 20.0: 5.08, 30.0: 7.63}),
    ((0.0, 21.0), {5.0: 4.24, 10.0: 8.47, 15.0: 12.71, 20.0: 16.95, 30.0: 25.42}),
    ((-10.0, 32.0), {5.0: 1.70, 10.0: 3.40, 15.0: 5.10, 20.0: 6.80, 30.0: 10.20}),
    ((-10.0, 21.0), {5.0: 3.22, 10.0: 6.44, 15.0: 9.65, 20.0: 12.87, 30.0: 19.31}),
    ((-20.0, 32.0), {5.0: 1.41, 10.0: 2.82, 15.0: 4.24, 20.0: 5.66, 30.0: 8.49}),
    ((-20.0, 21.0), {5.0: 2.60, 10.0: 5.21, 15.0: 7.81, 20.0: 10.41, 30.0: 15.62}),
]


def one_lump(time_constant_h: np.ndarray, *, heater_w: float = 0.0) -> water.WaterParameters:
    """Engines of 461 kJ/K (TRADE.md section 3, worked) whose coolant and iron cannot differ, [unit]."""
    ids = [f"unit-{row}" for row in range(len(time_constant_h))]
    drawn = water.draw(ids, ["large"] * len(ids), seed=1)
    flat = np.ones(len(ids))
    return replace(
        drawn,
        heater_w=heater_w * flat,
        cut_in=48.9 * flat,
        cut_out=90.0 * flat,
        loop_capacity=1e3 * flat,
        coolant_capacity=139e3 * flat,
        block_capacity=321e3 * flat,
        flow_conductance=0.0 * flat,
        hose_conductance=1e6 * flat,
        block_conductance=1e6 * flat,
        air_conductance=461e3 / (time_constant_h * HOUR_S),
        loop_conductance=0.0 * flat,
        leak_conductance=0.0 * flat,
    )


def temperatures(p, *, start, air, hours, line_voltage=1.0):
    """What the sensors would read each minute, [unit, minute], of engines that stand still."""

    def all_units(number):
        return np.full(len(p.cut_in), number)

    state = replace(
        water.begin(p, all_units(air)),
        loop=all_units(start),
        coolant=all_units(start),
        block=all_units(start),
        bulb=all_units(start),
    )
    columns = [water.water_temperature(state)]
    for _ in range(int(hours * 60)):
        state, _ = water.step(
            p, state,
            air=all_units(air), ambient=all_units(air), wind=all_units(0.0), line_voltage=all_units(line_voltage),
            running=all_units(0.0), load=all_units(0.0), element_share=all_units(1.0), stuck_on=all_units(0.0),
            chatter=all_units(0.0), flow_share=all_units(1.0), coolant_share=all_units(1.0),
            set_point_shift=all_units(0.0), dt_s=60.0, noise=all_units(0.0),
        )  # fmt: skip
        columns.append(water.water_temperature(state))
    return np.array(columns).T


@pytest.mark.parametrize(("place", "expected"), COOLING, ids=[f"{air:g}-to-{limit:g}" for (air, limit), _ in COOLING])
def test_an_unheated_engine_cools_as_newton_says(place, expected):
    """Source: TRADE.md section 3, hours from 49 Cel, t = tau ln((T0 - Ta) / (L - Ta)); to a minute and a half."""
    air, limit = place
    curves = temperatures(one_lump(np.array(list(expected))), start=49.0, air=air, hours=26)
    hours = [np.interp(-limit, -curve, np.arange(len(curve)) / 60.0) for curve in curves]
    np.testing.assert_allclose(hours, list(expected.values()), atol=0.025)


def test_the_first_slope_is_the_tables():
    """Source: TRADE.md section 3, K/h from 49 Cel at 0 Cel for tau 5, 10, 15, 20, 30 h."""
    curves = temperatures(one_lump(np.array([5.0, 10.0, 15.0, 20.0, 30.0])), start=49.0, air=0.0, hours=0.1)
    np.testing.assert_allclose((curves[:, 6] - curves[:, 0]) * 10.0, [-9.80, -4.90, -3.27, -2.45, -1.63], rtol=0.02)


def test_the_worked_engine_warms_as_long():
    """Source: TRADE.md section 3: 461 kJ/K, tau 15 h, 1.6 kW: 0 to 49 Cel in 4.55 h."""
    curve = temperatures(one_lump(np.array([15.0]), heater_w=1600.0), start=0.0, air=0.0, hours=6)[0]
    np.testing.assert_allclose(np.interp(49.0, curve, np.arange(len(curve)) / 60.0), 4.55, atol=0.05)


def test_a_tenth_less_voltage_is_a_fifth_less_power():
    """Source: TRADE.md section 3: P ~ V^2, volts -10 %: power -19 %. Without loss the slopes tell."""
    p = one_lump(np.array([1e6]), heater_w=1600.0)
    full = temperatures(p, start=20.0, air=20.0, hours=1)[0]
    sagged = temperatures(p, start=20.0, air=20.0, hours=1, line_voltage=0.9)[0]
    np.testing.assert_allclose((sagged[-1] - 20.0) / (full[-1] - 20.0), 0.81, atol=0.001)


@pytest.mark.parametrize(
    ("ratio", "sky_loss_k", "expected"),
    [(0.026, 4.0, 51.8), (0.052, 4.0, 72.6), (0.026, 0.0, 55.8), (0.052, 0.0, 76.6)],
)
def test_sol_air_temperatures_are_ashraes(ratio, sky_loss_k, expected):
    """Source: ASHRAE Fundamentals by TRADE.md section 6: 35 Cel, 800 W/m2, h_o 17; light, dark, roof, wall."""
    conductance = np.array(17.0)
    temperature = enclosure.sol_air_temperature(
        ambient=np.array(35.0),
        sun=np.array(800.0),
        absorptance=ratio * conductance,
        conductance=conductance,
        sky_loss_w=sky_loss_k * conductance,
    )
    np.testing.assert_allclose(temperature, expected, atol=0.05)


def test_a_surface_in_a_summer_wind_has_ashraes_conductance():
    """Source: ASHRAE h_o 17 W/(m2 K) (3.0 Btu) goes with 3.35 m/s (7.5 mph), 34 (6.0) with 6.7 m/s, from memory."""
    np.testing.assert_allclose(enclosure.outer_conductance(np.array(3.35)), 17.0, rtol=0.1)
    np.testing.assert_allclose(enclosure.outer_conductance(np.array(6.7)), 34.0, rtol=0.12)


@pytest.mark.parametrize(("flow", "rise"), [(3.11, 8.0), (2.26, 11.0), (1.66, 15.0)])
def test_fan_air_carries_thirty_kilowatts_off_as_the_table_says(flow, rise):
    """Source: TRADE.md section 6: V = P / (rho cp dT), 30 kW. Walls take their share, so insulated here."""
    one = np.ones(1)
    drawn = enclosure.draw(["unit"], ["large"], seed=1)
    p = replace(drawn, fan_flow=flow * one, gap_flow=0.0 * one, gap_flow_per_wind=0.0 * one, closed_flow=0.0 * one,
                inner_conductance=0.0 * one)  # fmt: skip
    state = enclosure.begin(p, 20.0 * one)
    for _ in range(30):
        state = enclosure.step(
            p, state, ambient=20.0 * one, sun=0.0 * one, wind=3.0 * one, heat_w=30e3 * one, running=one,
            louver_open=one, grille_open=one, door_open=0.0 * one, line_voltage=one, dt_s=60.0,
        )  # fmt: skip
    np.testing.assert_allclose(state.air - 20.0, rise, rtol=0.005)
