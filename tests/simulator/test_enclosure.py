"""Enclosures: heat is kept count of, and a technician would know the sizes."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import enclosure

SIZES = ("small", "medium", "large")
IDS = [f"unit-{row}" for row in range(60)]
PRESETS = [SIZES[row % 3] for row in range(60)]
HOLDING_W = np.array([{"small": 170.0, "medium": 280.0, "large": 480.0}[size] for size in PRESETS])  # at 5 Cel
FULL_LOAD_W = np.array([{"small": 6.0e3, "medium": 14.5e3, "large": 34e3}[size] for size in PRESETS])

P = enclosure.draw(IDS, PRESETS, seed=7)


def stepped(p, s, *, dt_s=60.0, **given_values):
    """One step; what is not said is an overcast, still standing."""
    usual = {
        "ambient": 20.0, "sun": 0.0, "wind": 3.0, "heat_w": 0.0, "running": 0.0, "louver_open": 1.0,
        "grille_open": 1.0, "door_open": 0.0, "line_voltage": 1.0,
    }  # fmt: skip
    inputs = {name: np.broadcast_to(value, s.air.shape) for name, value in (usual | given_values).items()}
    return enclosure.step(p, s, **inputs, dt_s=dt_s)


def after(hours, p=P, *, dt_s=60.0, **given_values):
    """The state after so long under one weather."""
    s = enclosure.begin(p, np.broadcast_to(given_values.get("ambient", 20.0), p.roof_area.shape).astype(float))
    for _ in range(round(hours * 3600.0 / dt_s)):
        s = stepped(p, s, dt_s=dt_s, **given_values)
    return s


def rise(hours, **given_values):
    """Air over ambient, K, [unit]."""
    return after(hours, **given_values).air - given_values.get("ambient", 20.0)


@settings(max_examples=200, deadline=None)
@given(
    air=st.floats(-40, 70), steel=st.floats(-40, 80), ambient=st.floats(-45, 48), sun=st.floats(0, 1100),
    wind=st.floats(0, 30), heat_w=st.floats(0, 40e3), running=st.sampled_from([0.0, 0.3, 1.0]),
    louver_open=st.floats(0, 1), grille_open=st.floats(0, 1), door_open=st.floats(0, 1),
    line_voltage=st.floats(0, 1.15), dt_s=st.sampled_from([1.0, 10.0, 60.0, 600.0]),
)  # fmt: skip
def test_energy_balance_closes(air, steel, dt_s, **inputs):
    """Law: what air and steel hold more is what came in less what went out, for any state, weather and step."""
    p = enclosure.draw(IDS, [f"{size}+space_heater" for size in PRESETS], seed=7)
    start = enclosure.begin(p, np.full(60, inputs["ambient"]))
    s = enclosure.EnclosureState(
        np.full(60, air),
        np.full(60, steel),
        start.case,
        start.heater_on,
        start.vented_w,
        start.surface_w,
        start.space_w,
    )
    new = stepped(p, s, dt_s=dt_s, **inputs)
    stored = p.air_capacity * (new.air - s.air) + p.steel_capacity * (new.steel - s.steel)
    flows = dt_s * (inputs["heat_w"] + new.space_w + new.surface_w - new.vented_w)
    turned_over = p.air_capacity * 100.0 + p.steel_capacity * 100.0 + np.abs(dt_s * new.vented_w)
    np.testing.assert_allclose((stored - flows) / turned_over, 0.0, atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(ambient=st.floats(-45, 48), wind=st.floats(0, 30), sun=st.floats(0, 1100), running=st.sampled_from([0.0, 1.0]))
def test_without_heat_nothing_leaves_the_bounds_of_sky_and_sun(ambient, wind, sun, running):
    """Law: no air warmer than the warmest sol-air temperature, none colder than the coldest."""
    s = after(48.0, dt_s=600.0, ambient=ambient, wind=wind, sun=sun, running=running)
    outer = enclosure.outer_conductance(wind * P.wind_share)
    assert (s.air <= ambient + P.absorptance * sun / outer + 1e-6).all()
    assert (s.air >= ambient - 17.0 * P.sky_loss_k / outer - 1e-6).all()
    assert (np.minimum(ambient, s.steel) - 1e-6 <= s.air).all()
    assert (s.air <= np.maximum(ambient, s.steel) + 1e-6).all()


def test_in_the_sun_an_enclosure_is_five_to_twelve_warmer():
    """Source: TRADE.md section 6, stopped, in sun, free louvers 5-12 K over ambient, common practice: nine in ten."""
    over = rise(4.0, ambient=25.0, sun=850.0, heat_w=0.6 * HOLDING_W)
    assert 6.0 < np.median(over) < 11.0
    assert (np.percentile(over, [5, 95]) > [4.5, 8.0]).all()
    assert (np.percentile(over, [5, 95]) < [8.0, 13.0]).all()


def test_in_the_sun_behind_closed_grilles_it_is_fifteen_to_twentyfive_warmer():
    """Source: TRADE.md section 6, blocked louvers 15-25 K over ambient, common practice: nine in ten."""
    over = rise(4.0, ambient=25.0, sun=850.0, heat_w=0.6 * HOLDING_W, grille_open=0.0)
    assert 15.0 < np.median(over) < 22.0
    assert (np.percentile(over, [5, 95]) > [12.0, 19.0]).all()
    assert (np.percentile(over, [5, 95]) < [19.0, 26.0]).all()


def test_the_jacket_heater_adds_two_to_five():
    """Source: TRADE.md section 6, jacket heater adds 2-5 K, common practice: in light wind, the middle unit."""
    added = rise(8.0, ambient=5.0, wind=1.5, heat_w=HOLDING_W) - rise(8.0, ambient=5.0, wind=1.5)
    assert 2.0 < np.median(added) < 5.0
    assert (added > 1.0).all()
    assert (added < 6.0).all()


@pytest.mark.parametrize("load", [0.3, 1.0])
def test_a_run_warms_the_air_by_eight_to_fifteen(load):
    """Source: TRADE.md section 6, running rise 8-15 K, common practice: after half an hour, every unit."""
    over = rise(0.5, ambient=15.0, heat_w=FULL_LOAD_W * (0.6 + 0.4 * load), running=1.0)
    assert (over > 7.5).all()
    assert (over < 15.0).all()


def test_a_stuck_louver_shows_in_the_first_minutes_of_a_run():
    """Source: TRADE.md section 6, signs: 'stuck louver, first minutes of a run'."""
    free = rise(5 / 60, ambient=15.0, heat_w=FULL_LOAD_W * 0.72, running=1.0)
    stuck = rise(5 / 60, ambient=15.0, heat_w=FULL_LOAD_W * 0.72, running=1.0, louver_open=0.1)
    assert (stuck - free > 8.0).all()


def test_a_louver_matters_in_a_run_only():
    assert rise(4.0, louver_open=0.0).tobytes() == rise(4.0, louver_open=1.0).tobytes()


def test_a_filling_grille_warms_the_run_step_by_step():
    rises = [
        np.median(rise(0.5, heat_w=FULL_LOAD_W * 0.72, running=1.0, grille_open=share)) for share in (1, 0.7, 0.4, 0.2)
    ]
    assert (np.diff(rises) > 0.7).all()


def test_an_open_door_lets_the_sun_s_heat_out():
    shut = rise(3.0, sun=850.0, heat_w=HOLDING_W)
    opened = rise(3.0, sun=850.0, heat_w=HOLDING_W, door_open=1.0)
    assert (opened < 0.5 * shut).all()


def test_a_space_heater_holds_four_and_a_half_degrees_and_needs_its_supply():
    """Source: TRADE.md section 2, 4.4 Cel (40 F) where a space heater is; sized for -10 Cel outdoors in light wind."""
    p = enclosure.draw(IDS, [f"{size}+space_heater" for size in PRESETS], seed=7)
    weather = {"ambient": -10.0, "wind": 2.0, "heat_w": HOLDING_W}
    held = after(12.0, p, **weather).air
    off = after(12.0, p, line_voltage=0.0, **weather).air
    assert (held > 4.4).all()
    assert (held < 11.0).all()
    assert (off < 0.0).all()


def test_a_minute_is_a_short_enough_step():
    """Steps of a minute against steps of a second, through a run and after it: the air within a third of a kelvin."""
    coarse, fine = after(0.5, sun=500.0), after(0.5, dt_s=1.0, sun=500.0)
    for running in (1.0, 0.0):
        inputs = {"sun": 500.0, "running": running, "heat_w": running * FULL_LOAD_W}
        for minute in range(30):
            coarse = stepped(P, coarse, **inputs)
            for _ in range(60):
                fine = stepped(P, fine, dt_s=1.0, **inputs)
            if minute > 2:
                np.testing.assert_allclose(coarse.air, fine.air, atol=0.5)
            np.testing.assert_allclose(coarse.steel, fine.steel, atol=0.1)
            np.testing.assert_allclose(coarse.case, fine.case, atol=0.3)


def test_the_regulator_outside_follows_late():
    """It lags sun and wall by its time constant, 20 to 30 minutes (our choice)."""
    after_ten = after(10 / 60, sun=900.0)
    after_long = after(6.0, sun=900.0)
    part = (enclosure.case_temperature(P, after_ten) - 20.0) / (enclosure.case_temperature(P, after_long) - 20.0)
    assert (part < 0.5).all()
    assert (enclosure.case_temperature(P, after_long) > 22.0).all()


def test_the_pipe_is_between_regulator_and_inner_air():
    s = after(2.0, heat_w=HOLDING_W, sun=600.0)
    pipe = enclosure.pipe_temperature(P, s)
    assert (pipe >= np.minimum(s.case, s.air)).all()
    assert (pipe <= np.maximum(s.case, s.air)).all()


def test_a_unit_is_built_alike_whoever_stands_beside_it():
    alone = enclosure.draw(["unit-4"], [PRESETS[4]], seed=7)
    for field in fields(alone):
        assert getattr(alone, field.name)[0] == getattr(P, field.name)[4], field.name
    assert len(set(P.roof_area)) == 60
