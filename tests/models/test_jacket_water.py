"""The jacket-water model on textbook traces: faults are found, confusers are not, and what is learned is so."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.jacket_water import WaterNormal, judge, learn
from models.jacket_water.judging import CONDITIONS
from tests.models.water_replay import CALLED, Said, replay
from tests.models.water_traces import Traces, Unit, traces

DAY = 10
H = DAY * 24.0  # what happens, happens in the eleventh day
FAILED, WEAK, STUCK, RESTRICTED = range(4)

FAULTS = {  # unit, condition, hours from the onset within which it must be called
    "tank thermostat": (Unit(failed_h=H + 1.3), FAILED, 5.0),
    "short time constant in deep cold": (Unit(failed_h=H, tau_h=5.0, outdoor=-15.0, heating=22.0), FAILED, 2.5),
    "long time constant, close thermostat": (
        Unit(failed_h=H, tau_h=35.0, cut_in=45.0, cut_out=48.0, mixing_min=0.5),
        FAILED,
        8.0,
    ),
    "proportional heater": (Unit(failed_h=H, heater="proportional"), FAILED, 4.0),
    "whole kelvins on change": (Unit(failed_h=H, deadband=1.0, quantum=1.0), FAILED, 6.0),
    "no air sensor": (Unit(failed_h=H, air_known=False), FAILED, 5.0),
    "readings every ten minutes": (Unit(failed_h=H, rhythm_min=10, quantum=0.5), FAILED, 6.0),
    "after a run": (Unit(failed_h=H, runs=((H, 0.5),)), FAILED, 18.0),
    "always on, no thermostat": (Unit(failed_h=H, heater="plug", heating=2.5, outdoor=12.0), FAILED, 9.0),
    "always on, whole kelvins": (Unit(failed_h=H, heater="plug", heating=3.0, quantum=1.0), FAILED, 9.0),
    "always on, half of it": (Unit(half_h=H, half_share=0.45, heater="plug", heating=3.0), WEAK, 40.0),
    "found after a gap": (Unit(failed_h=H, gaps=((H, 14.0),)), FAILED, 15.5),
    "one of two elements, deep cold": (Unit(half_h=H, outdoor=-20.0, heating=8.0), WEAK, 30.0),
    "stuck on": (Unit(stuck_h=H), STUCK, 5.0),
    "stuck on after a run": (Unit(stuck_h=H, runs=((H, 0.5),)), STUCK, 12.0),
    "air lock": (Unit(restricted_h=H), RESTRICTED, 8.0),
    "air lock, on change": (Unit(restricted_h=H, rhythm_min=5, deadband=0.5), RESTRICTED, 12.0),
    "one of two elements, water held": (Unit(half_h=H, outdoor=18.0), WEAK, 30.0),
    "one of two elements, wind": (Unit(half_h=H, wander=0.3, heating=16.0), WEAK, 30.0),
}

SOUND = {
    "healthy": Unit(),
    "always on, a cold snap": Unit(heater="plug", heating=2.5, outdoor=15.0, snaps=((H, 12.0),)),
    "always on, in a warm room": Unit(heater="plug", heating=2.0, outdoor=22.0, synoptic=1.5, wander=0.05),
    "close thermostat": Unit(cut_in=30.0, cut_out=32.5, tau_h=25.0, mixing_min=0.5),
    "proportional": Unit(heater="proportional", snaps=((H, 25.0),)),
    "whole kelvins on change": Unit(deadband=1.0, quantum=1.0, noise=0.3),
    "weekly runs and a long outage": Unit(runs=((H - 168, 0.5), (H, 0.5), (H + 72, 6.0))),
    "a cold snap of 25 K": Unit(snaps=((H, 25.0),)),
    "hot climate": Unit(outdoor=40.0, cut_in=35.0, cut_out=40.0),
    "wind": Unit(wander=0.35, outdoor=-5.0, heating=12.0),
    "sun on the air sensor": Unit(sun=15.0),
    "doors open in the cold": Unit(doors=((H, 2.0),), outdoor=-15.0, heating=12.0),
    "a gap of 14 hours": Unit(gaps=((H, 14.0),)),
    "set point 10 K up": Unit(set_point_h=H, set_point_k=10.0),
    "sensor stuck": Unit(stuck_sensor_h=H + 5),
    "sensor stuck hot after a run": Unit(stuck_sensor_h=H + 0.3, runs=((H, 0.5),)),
    "sensor steps down 8 K": Unit(step_h=H, step_k=-8.0),
    "sensor steps down 30 K": Unit(step_h=H, step_k=-30.0),
    "sensor steps up 8 K": Unit(step_h=H, step_k=8.0),
    "sensor drifts 3 K a day": Unit(drift_h=H, drift_k_per_day=-3.0),
    "bad contact": Unit(spikes_h=H),
    "no air sensor": Unit(air_known=False),
    "seasonal, switched off in warm weather": Unit(outdoor=17.0, summer_off=8.0, configured="seasonal"),
    "none": Unit(failed_h=0.0, configured="none"),
    "two days old": Unit(first_h=H - 12),
    "mains 8 % low": Unit(half_h=H, half_share=0.85),
}


@pytest.fixture(scope="module")
def faulty() -> Traces:
    return traces([unit for unit, _, _ in FAULTS.values()], DAY + 4)


@pytest.fixture(scope="module")
def sound() -> Traces:
    return traces(list(SOUND.values()), DAY + 6, seed=2)


def _told(said: Said, condition: int, at_h: float) -> tuple[str, np.ndarray]:
    place = int(np.flatnonzero(said.hours >= at_h)[0])
    opinion = said.opinions[place][condition]
    return opinion.text[0], opinion.onset_ns[0]


@pytest.mark.parametrize("row", range(len(FAULTS)), ids=list(FAULTS))
def test_a_fault_is_found_in_time_and_by_its_name(faulty: Traces, row: int):
    unit, condition, within_h = list(FAULTS.values())[row]
    said = replay(faulty, row, judge_from_h=H - 24)
    onset_h = min(unit.failed_h, unit.half_h, unit.stuck_h, unit.restricted_h)
    at_h = said.first(condition)
    cold = np.flatnonzero((faulty.water.mean[row] < 21.0) & (np.arange(faulty.water.cells) / 6 > onset_h))
    lead_h = cold[0] / 6 - at_h if len(cold) else np.inf
    print(f"{list(FAULTS)[row]}: {at_h - onset_h:.1f} h after the onset, {lead_h:.1f} h before 21 Cel")
    assert onset_h < at_h <= onset_h + within_h
    others = [call for call in said.calls() if call[0] != condition and call[1] < at_h]
    assert others == [], "nothing else was called before it"
    text, _ = _told(said, condition, at_h)
    assert "Cel" in text or "%" in text


@pytest.mark.parametrize("row", range(len(SOUND)), ids=list(SOUND))
def test_a_sound_heater_is_never_called_faulty(sound: Traces, row: int):
    said = replay(sound, row, judge_from_h=H - 36)
    assert said.calls() == []


def test_only_water_without_a_thermostat_is_learned_to_follow_the_air(sound: Traces):
    """In calm weather it looks held, and may not be told yet; after a cold snap it must."""
    for row, (name, unit) in enumerate(SOUND.items()):
        (normal,) = learn(sound.seen(H + 96.0, [row]), [WaterNormal()])
        if unit.heater != "plug":
            assert not normal.follows, name
        elif unit.snaps:
            assert normal.follows_k == pytest.approx(unit.heating * unit.tau_h, rel=0.15), "E = h tau (duty 1)"


def test_a_set_point_turned_down_is_a_note_and_the_call_ends_once_the_heater_is_seen():
    """While the water falls to the lower band it looks as without heat, and is said, with that doubt."""
    said = replay(traces([Unit(set_point_h=H, set_point_k=-6.0)], DAY + 3), 0, judge_from_h=H - 12)
    assert [note.kind for note in said.notes][:1] == ["set_point_changed"]
    assert len({note.at_ns for note in said.notes}) == 1
    quiet = said.chance[:, said.hours > H + 9]
    assert (quiet < CALLED).all()
    assert said.chance[FAILED].max() < 0.97


def test_a_sensor_in_doubt_is_unknown_and_says_why(sound: Traces):
    said = replay(sound, list(SOUND).index("sensor stuck hot after a run"), judge_from_h=H + 24, to_h=H + 25)
    assert np.isnan(said.chance).all()
    assert "stuck" in said.opinions[0][STUCK].text[0]


def test_no_heater_is_not_judged(sound: Traces):
    said = replay(sound, list(SOUND).index("none"), judge_from_h=H, to_h=H + 1)
    assert np.isnan(said.chance).all()


def test_onset_of_the_heat_loss_lies_in_its_interval(faulty: Traces):
    unit = next(iter(FAULTS.values()))[0]
    said = replay(faulty, 0, judge_from_h=H)
    _, (first_ns, last_ns) = _told(said, FAILED, said.first(FAILED))
    hours = [(ns - faulty.seen(0.0).now_ns) / 3.6e12 for ns in (first_ns, last_ns)]
    assert hours[0] - 0.2 <= unit.failed_h <= hours[1]
    assert hours[1] - hours[0] < 5.0


@pytest.mark.parametrize(
    ("unit", "cut_in", "cut_out"),
    [
        (Unit(), 38.0, 47.0),
        (Unit(tau_h=40.0, cut_in=45.0, cut_out=50.0), 45.0, 50.0),
        (Unit(tau_h=6.0, cut_in=40.0, cut_out=51.0, outdoor=-10.0, heating=18.0), 40.0, 51.0),
        (Unit(deadband=1.0, quantum=1.0), 38.0, 47.0),
    ],
)
def test_levels_time_constant_and_heating_are_learned_within_what_they_claim(unit: Unit, cut_in: float, cut_out: float):
    trace = traces([unit], 14)
    (normal,) = learn(trace.seen(14 * 24.0), [WaterNormal()])
    assert normal.cut_in == pytest.approx(cut_in, abs=0.5)
    assert normal.cut_out == pytest.approx(cut_out, abs=0.5)
    assert abs(np.log(normal.time_constant_h / unit.tau_h)) < 3 * normal.time_constant_log_sd
    assert normal.heating_k_per_h == pytest.approx(unit.heating, rel=0.25)
    assert normal.learned > 0.9
    assert normal.settled_cut_in == normal.cut_in


def test_a_new_unit_has_the_prior_and_says_so():
    trace = traces([Unit()], 1)
    (normal,) = learn(trace.seen(2.0), [WaterNormal()])
    assert normal.learned == 0.0
    assert normal.cut_in_sd == 6.0
    assert np.isnan(normal.settled_cut_in)


def test_untrusted_cells_teach_nothing():
    trace = traces([Unit()], 10)
    trace.trusted[:] = False
    (normal,) = learn(trace.seen(240.0), [WaterNormal()])
    assert normal.learned == 0.0
    assert normal.time_constant_h == WaterNormal().time_constant_h


def test_a_limit_that_stands_in_each_cycle_does_not_keep_the_levels_unknown():
    """What a high limit at 44 Cel covers, with its margins, is not trusted; the cut-out lies there."""
    trace = traces([Unit()], 12)
    high = trace.water.mean[0] > 44.0
    trace.trusted[0] = ~(np.convolve(high, np.ones(13), "same") > 0)
    assert trace.trusted.mean() < 0.6
    (normal,) = learn(trace.seen(12 * 24.0), [WaterNormal()])
    assert normal.cut_in == pytest.approx(38.0, abs=0.5)
    assert normal.cut_out == pytest.approx(47.0, abs=0.5)


def test_restricted_water_teaches_nothing_while_it_stands():
    """A long spell within the band is a fault's and no unit's way."""
    trace = traces([Unit(restricted_h=H, restricted_by=15.0)], DAY + 6)
    (before,) = learn(trace.seen(H), [WaterNormal()])
    trace.trusted[0, round(H * 6) :] = False
    normal = before
    for day in range(DAY + 1, DAY + 7):
        (normal,) = learn(trace.seen(day * 24.0), [normal])
    assert normal.movement_per_h == pytest.approx(before.movement_per_h, rel=0.15)
    assert normal.steep_k_per_h == pytest.approx(before.steep_k_per_h, rel=0.15)


@pytest.mark.parametrize("rhythm_min", [10, 30])
def test_a_run_that_nobody_noticed_is_no_heater_stuck_on(rhythm_min: int):
    unit = Unit(runs=((H, 0.7),), rhythm_min=rhythm_min, deadband=2.0)
    trace = traces([unit], DAY + 2)
    trace.running[:] = False
    trace.after_run_h[:] = np.inf
    said = replay(trace, 0, judge_from_h=H - 6)
    assert [call for call in said.calls() if call[0] == STUCK] == []


def test_a_heater_that_is_stuck_on_is_found_though_a_run_hid_its_beginning():
    trace = traces([Unit(stuck_h=H, runs=((H, 0.7),))], DAY + 2)
    trace.running[:] = False
    trace.after_run_h[:] = np.inf
    assert replay(trace, 0, judge_from_h=H - 6).first(STUCK) < H + 14


def test_water_that_cools_under_the_air_is_the_sensors_fault():
    """Two sensors changed places: what was the water's now reads the air, and falls with the night."""
    trace = traces([Unit(outdoor=0.0)], DAY + 2)
    at = round(H * 6)
    for part in ("mean", "least", "greatest"):
        water, air = getattr(trace.water, part), getattr(trace.air, part)
        water[0, at:], air[0, at:] = air[0, at:].copy(), water[0, at:].copy()
    said = replay(trace, 0, judge_from_h=H)
    assert not (said.chance[FAILED] >= 0.9).any()


def test_a_failed_heater_does_not_teach_a_new_cut_in():
    trace = traces([Unit(failed_h=240.0, outdoor=15.0)], 24)
    (before,) = learn(trace.seen(240.0), [WaterNormal()])
    normal = before
    for day in range(11, 25):
        (normal,) = learn(trace.seen(day * 24.0), [normal])
    assert normal.cut_in == pytest.approx(before.cut_in, abs=0.5)


def test_units_together_are_judged_as_each_alone(faulty: Traces):
    hour = H + 8.0
    rows = range(len(faulty.units))
    normals = [learn(faulty.seen(H, [row]), [WaterNormal()])[0] for row in rows]
    together, _ = judge(faulty.seen(hour), normals)
    for row in rows:
        alone, _ = judge(faulty.seen(hour, [row]), [normals[row]])
        for one, other in zip(together, alone, strict=True):
            np.testing.assert_array_equal(one.probability[row], other.probability[0])
            np.testing.assert_array_equal(one.not_ready_h[row], other.not_ready_h[0])


@settings(max_examples=60, deadline=None)
@given(
    unit=st.integers(0, len(FAULTS) - 1),
    hour=st.integers(1, 14 * 24 - 1),
    kept=st.floats(0.0, 1.0),
    seed=st.integers(0, 1000),
)
def test_whatever_is_missing_chances_stay_chances(faulty: Traces, unit: int, hour: int, kept: float, seed: int):
    seen = faulty.seen(float(hour), [unit])
    lost = np.random.default_rng(seed).uniform(size=seen.water.mean.shape) > kept
    for part in (seen.water.mean, seen.water.least, seen.water.greatest, seen.air.mean):
        part[lost] = np.nan
    opinions, _ = judge(seen, learn(seen, [WaterNormal()]))
    assert [one.condition for one in opinions] == list(CONDITIONS)
    for one in opinions:
        chance, hours = one.probability[0], one.not_ready_h[0]
        assert np.isnan(chance) or 0.0 <= chance <= 1.0
        assert np.isnan(hours).all() or (hours[1:] >= hours[:-1]).all()  # inf less inf has no sign
