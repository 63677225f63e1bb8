"""Jacket water: heat is kept count of, healthy teeth are the trade's, and each fault looks as a technician knows it."""

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import water
from simulator.chance import keys, white
from simulator.rows import taken

SIZES = ("small", "medium", "large")
IDS = [f"unit-{row}" for row in range(60)]
PRESETS = [SIZES[row % 3] for row in range(60)]
P = water.draw(IDS, PRESETS, seed=7)
NOISE = keys(1, IDS, "chatter")
HOURS = 60  # minutes in one


FIELDS = ("read", "coolant", "block", "power", "heat_w")


class Trace:
    """What was simulated, [unit, minute]: sensor, coolant, block, Cel; share of heater power; heat to the air, W."""

    def __init__(self, hours, *, p=P, start=None, dt_s=60.0, **given_values):
        usual = {
            "air": 5.0, "wind": 0.0, "line_voltage": 1.0, "running": 0.0, "load": 0.4, "element_share": 1.0,
            "stuck_on": 0.0, "chatter": 0.0, "flow_share": 1.0, "coolant_share": 1.0, "set_point_shift": 0.0,
        }  # fmt: skip
        inputs = usual | given_values
        inputs.setdefault("ambient", inputs["air"])
        shape = p.cut_in.shape
        self.state = start or water.begin(p, np.full(shape, inputs["air"] if not callable(inputs["air"]) else 5.0))
        columns = []
        now = {name: np.broadcast_to(value, shape) for name, value in inputs.items() if not callable(value)}
        for count in range(round(hours * 3600.0 / dt_s)):
            for name, value in inputs.items():
                if callable(value):
                    now[name] = np.broadcast_to(value(count * dt_s / 3600.0), shape)
            noise = np.resize(white(NOISE, np.array([count * 60_000_000_000]))[:, 0], shape)
            self.state, heat_w = water.step(p, self.state, **now, dt_s=dt_s, noise=noise)
            s = self.state
            columns.append((water.water_temperature(s), s.coolant, s.block, s.heater_w / p.heater_w, heat_w))
        for name, column in zip(FIELDS, zip(*columns, strict=True), strict=True):
            setattr(self, name, np.array(column).T)

    def part(self, units, minutes):
        """The traces of some units in some minutes, by attribute."""
        part = object.__new__(Trace)
        for name in FIELDS:
            setattr(part, name, getattr(self, name)[units, minutes])
        return part

    def late(self, hours):
        """The traces without their first hours, by attribute."""
        return self.part(slice(None), slice(int(hours * HOURS), None))

    def teeth(self):
        """Median minutes up and down of each unit's teeth, [unit] each; NaN where it has none."""
        up, down = np.full(len(self.read), np.nan), np.full(len(self.read), np.nan)
        for row, power in enumerate(self.power > 0.25):
            begins = np.flatnonzero(power[1:] & ~power[:-1])
            ends = np.flatnonzero(~power[1:] & power[:-1])
            if len(begins) > 1 and len(ends) > 1:
                up[row] = np.median([ends[ends > begin][0] - begin for begin in begins if (ends > begin).any()])
                down[row] = np.median([begins[begins > end][0] - end for end in ends if (begins > end).any()])
        return up, down


@cache
def usual(hours):
    """The healthy units of all tests, which change nothing of them."""
    return Trace(hours)


def beside(hours, name, *values, **given_values):
    """A trace for each value of one input, all of them stepped side by side."""
    many = taken(P, np.tile(np.arange(60), len(values)), units=60)
    whole = Trace(hours, p=many, **{name: np.repeat(values, 60)}, **given_values)
    return [whole.part(slice(row, row + 60), slice(None)) for row in range(0, 60 * len(values), 60)]


@settings(max_examples=200, deadline=None)
@given(
    loop=st.floats(-40, 105), coolant=st.floats(-40, 100), block=st.floats(-40, 110), bulb=st.floats(-40, 100),
    air=st.floats(-40, 60), ambient=st.floats(-45, 48), wind=st.floats(0, 30), line_voltage=st.floats(0, 1.15),
    running=st.sampled_from([0.0, 0.4, 1.0]), load=st.floats(0, 1), element_share=st.floats(0, 1),
    stuck_on=st.sampled_from([0.0, 1.0]), chatter=st.floats(0, 1), flow_share=st.floats(0, 1),
    coolant_share=st.floats(0.1, 1), set_point_shift=st.floats(-15, 15), noise=st.floats(-3.5, 3.5),
    dt_s=st.sampled_from([1.0, 10.0, 60.0, 300.0]),
)  # fmt: skip
def test_energy_balance_closes(loop, coolant, block, bulb, dt_s, **inputs):
    """Law: what loop, coolant and iron gain is heater and engine less air and radiator, for any state and fault."""
    flat = np.ones(60)
    s = replace(
        water.begin(P, 20.0 * flat), loop=loop * flat, coolant=coolant * flat, block=block * flat, bulb=bulb * flat
    )
    arrays = {name: value * flat for name, value in inputs.items()}
    new, heat_w = water.step(P, s, **arrays, dt_s=dt_s)
    capacities = water.capacities(P, arrays["coolant_share"])
    changes = (new.loop - s.loop, new.coolant - s.coolant, new.block - s.block)
    stored = sum(capacity * change for capacity, change in zip(capacities, changes, strict=True))
    flows = dt_s * (new.heater_w + new.engine_w - new.rejected_w - heat_w)
    turned_over = 100.0 * sum(capacities) + dt_s * (np.abs(new.rejected_w) + new.engine_w)
    np.testing.assert_allclose((stored - flows) / turned_over, 0.0, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    start=st.floats(-40, 100), air=st.floats(-40, 50), wind=st.floats(0, 30), flow_share=st.floats(0, 1),
    coolant_share=st.floats(0.1, 1), dt_s=st.sampled_from([10.0, 60.0, 600.0]),
)  # fmt: skip
def test_without_heat_water_stays_between_its_start_and_the_air(start, air, wind, flow_share, coolant_share, dt_s):
    """Law: the second; whatever the step, nothing overshoots."""
    flat = np.full(60, start)
    begun = replace(water.begin(P, flat), loop=flat, coolant=flat, block=flat, bulb=flat)
    trace = Trace(
        2.0, start=begun, dt_s=dt_s, air=air, wind=wind, element_share=0.0, flow_share=flow_share,
        coolant_share=coolant_share,
    )  # fmt: skip
    low, high = min(start, air) - 1e-9, max(start, air) + 1e-9
    for column in (trace.read, trace.coolant, trace.block):
        assert (column >= low).all()
        assert (column <= high).all()


def test_healthy_teeth_are_the_trades():
    """Source: TRADE.md section 3: up 10-60 min, down 1-4 h, common practice; held band 38-49 Cel, read.

    At 5 Cel, still: the middle unit's within, nearly all near it.
    """
    trace = usual(48.0).late(12.0)
    up, down = trace.teeth()
    assert 15.0 < np.median(up) < 45.0
    assert (up > 10.0).all()
    assert (up < 60.0).all()
    assert 60.0 < np.median(down) < 120.0
    assert (down > 25.0).all()
    assert (down < 240.0).all()
    assert (trace.read.min(axis=1) > 35.5).all()
    assert (trace.read.max(axis=1) < 51.0).all()


def test_duty_grows_as_it_gets_colder():
    """Source: TRADE.md section 3: D = (mean - Ta) / (R P), in proportion to band less air."""
    air = np.array([-20.0, -5.0, 10.0, 25.0])
    duty = np.array([trace.late(12.0).power.mean(axis=1) for trace in beside(60.0, "air", *air)])
    assert (np.diff(duty, axis=0) < -0.03).all()
    middle = np.median(duty, axis=1)
    np.testing.assert_allclose(middle / (43.0 - air), (middle / (43.0 - air)).mean(), rtol=0.15)


def test_wind_costs_heat():
    still, windy = usual(48.0).late(12.0), Trace(48.0, wind=8.0).late(12.0)
    assert (windy.power.mean(axis=1) > 1.3 * still.power.mean(axis=1)).all()


def test_after_a_run_water_takes_hours_into_its_band():
    """Source: TRADE.md section 3: after a run 80-90 Cel falls to the band in 3-12 h, common practice."""
    trace = Trace(24.0, air=10.0, wind=2.0, running=lambda hour: float(2.0 <= hour < 2.5))
    ends = int(2.5 * HOURS)
    assert (trace.read[:, ends - 2] > 78.0).all()
    assert (trace.read[:, ends - 2] < 90.0).all()
    hours = np.argmax(trace.read[:, ends + 2 :] < P.cut_out[:, None], axis=1) / HOURS
    assert (hours > 3.0).all()
    assert (hours < 12.0).all()
    assert (trace.power[:, int(2.0 * HOURS) : ends] == 0.0).all(), "heaters are off while running, NFPA 110 5.3.3"


@pytest.mark.parametrize("air", [0.0, 40.0])
def test_an_engine_at_full_load_settles_on_its_thermostat(air):
    """Source: 82-93 Cel thermostats, common practice; trip 99-107 Cel, TRADE.md section 2."""
    trace = Trace(2.0, air=air, running=1.0, load=1.0)
    assert (trace.read[:, -1] > 80.0).all()
    assert (trace.read[:, -1] < 97.0).all()
    assert np.abs(np.diff(trace.coolant[:, -30:], axis=1)).max() < 0.05, "no hunting"


def test_too_hot_air_or_lost_coolant_overheats_a_running_engine():
    assert (Trace(1.0, air=85.0, running=1.0, load=1.0).coolant[:, -1] > 107.0).all()
    assert (Trace(1.0, coolant_share=0.7, running=1.0, load=1.0).coolant[:, -1] > 107.0).all()


def test_an_open_element_leaves_no_teeth_and_cools_straight_in_the_logarithm():
    """Source: TRADE.md section 3: falls to Ta with learned tau, no teeth; log(T - Ta) straight; tau 8-20 h still."""
    trace = Trace(30.0, air=0.0, element_share=0.0)
    assert (trace.power == 0.0).all()
    early = 10.0 / np.log(trace.read[:, 4 * HOURS] / trace.read[:, 14 * HOURS])
    late = 10.0 / np.log(trace.read[:, 14 * HOURS] / trace.read[:, 24 * HOURS])
    np.testing.assert_allclose(late, early, rtol=0.01)
    assert (early > 6.0).all()
    assert (early < 20.0).all()


def test_half_a_heater_shows_on_cold_nights_only():
    """Source: TRADE.md section 3: duty to 100 %, sinks on cold nights only."""
    mild, cold = (trace.late(36.0) for trace in beside(72.0, "air", 15.0, -25.0, element_share=0.5))
    assert (mild.read.min(axis=1) > 35.5).all()
    failing = cold.power.mean(axis=1) > 0.49
    assert 0.2 < failing.mean() < 0.9
    assert (cold.read.min(axis=1)[failing] < P.cut_in[failing] - 0.5).any()


def test_low_volts_lengthen_the_teeth():
    full, sagged = usual(48.0).late(12.0), Trace(48.0, line_voltage=0.85).late(12.0)
    assert (sagged.teeth()[0] > 1.1 * full.teeth()[0]).mean() > 0.95


def test_a_stuck_thermostat_climbs_to_the_high_cut_out():
    """Source: TRADE.md section 3: climbs past band to high cut-out; section 2's high limit is 71 Cel."""
    trace = Trace(48.0, air=10.0, stuck_on=1.0)
    assert (trace.read.max(axis=1) > 78.0).all()
    assert (trace.read.max(axis=1) < 95.0).all()
    assert (trace.late(24.0).read.min(axis=1) > 60.0).all()
    hours = np.argmax(trace.read > 71.0, axis=1) / HOURS
    assert (hours > 1.0).all()
    assert (hours < 12.0).all()


def test_chattering_contacts_make_small_quick_teeth():
    sound, trace = (trace.late(6.0) for trace in beside(24.0, "chatter", 0.0, 1.0))
    switchings = [(np.diff((one.power > 0.25).astype(int), axis=1) == 1).sum(axis=1) for one in (sound, trace)]
    assert (switchings[1] > 5 * switchings[0]).all()
    assert (np.ptp(trace.read, axis=1) < np.ptp(sound.read, axis=1)).all()


def test_a_closing_hose_makes_short_steep_teeth_with_hot_peaks_over_a_cold_block():
    """Source: TRADE.md section 3: 'short steep teeth = little water moving past the sensor while the block is cold'."""
    free, closing, closed = (trace.late(48.0) for trace in beside(72.0, "flow_share", 1.0, 0.1, 0.0, air=0.0))
    assert (closing.teeth()[0] < 0.4 * free.teeth()[0]).all()
    assert (closing.teeth()[1] < 0.5 * free.teeth()[1]).all()
    peak = closing.read.max(axis=1) - free.read.max(axis=1)
    assert (peak > 0.2).all()
    assert np.median(peak) > 1.0
    assert (closed.read.max(axis=1) > free.read.max(axis=1) + 1.5).all()
    assert (closing.block[:, -1] < free.block.mean(axis=1) - 1.5).all()
    assert (closed.block[:, -1] < 10.0).all(), "not ready: under 21 Cel, while the sensor reads warm"
    assert (closed.read.min(axis=1) > 33.0).all()


def test_air_in_the_hoses_stops_the_flow():
    """Source: TRADE.md section 3: air lock, low level: short teeth, hot peaks, cold block."""
    full, less, locked = (trace.late(48.0) for trace in beside(72.0, "coolant_share", 1.0, 0.95, 0.75, air=0.0))
    assert np.abs(less.teeth()[0] - full.teeth()[0]).max() < 6.0, "a litre less does nothing yet"
    assert (locked.teeth()[0] < 5.0).all()
    assert (locked.read.max(axis=1) > full.read.max(axis=1) + 4.0).all()
    assert (locked.block[:, -1] < 12.0).all()


def test_a_drifting_set_point_moves_the_band_by_as_much():
    sound, moved = usual(48.0).late(12.0), Trace(48.0, set_point_shift=-6.0).late(12.0)
    np.testing.assert_allclose(moved.read.mean(axis=1) - sound.read.mean(axis=1), -6.0, atol=0.8)


def test_heat_warms_the_enclosure_by_what_the_heater_gives():
    """In the long run all that the heater takes leaves through the air, but what seeps past the engine thermostat."""
    trace = Trace(72.0).late(24.0)
    given_w = trace.power.mean(axis=1) * P.heater_w
    np.testing.assert_allclose(trace.heat_w.mean(axis=1) / given_w, 0.98, atol=0.04)


def test_a_minute_is_a_short_enough_step():
    """Steps of a minute against steps of two seconds: mean power within 3 %, the run within a kelvin."""
    inputs = {"air": 0.0, "running": lambda hour: float(3.0 <= hour < 3.5)}
    coarse, fine = Trace(4.0, **inputs), Trace(4.0, dt_s=2.0, **inputs)
    settled = slice(3 * HOURS + 20, 4 * HOURS)
    np.testing.assert_allclose(coarse.coolant[:, settled], fine.coolant[:, 29::30][:, settled], atol=1.0)
    np.testing.assert_allclose(coarse.power.mean(), fine.power.mean(), rtol=0.03)


def test_a_unit_is_built_alike_whoever_stands_beside_it():
    alone = water.draw(["unit-4"], [PRESETS[4]], seed=7)
    for field in fields(alone):
        assert getattr(alone, field.name)[0] == getattr(P, field.name)[4], field.name
    assert len(set(P.cut_out)) == 60


def test_heaters_are_sized_as_the_trade_does():
    """Source: TRADE.md section 3: 183 W a litre (3 W/in3), in the cold 305. Heaters come in steps."""
    litres = np.array([water.PRESETS[size]["litres"] for size in PRESETS])
    np.testing.assert_allclose(P.heater_w / litres, 183.0, rtol=0.2)
    cold = water.draw(IDS, [f"{size}+cold_heater" for size in PRESETS], seed=7)
    np.testing.assert_allclose(cold.heater_w / litres, 305.0, rtol=0.12)
