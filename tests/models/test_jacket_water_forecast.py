"""The jacket water's forecast: its interval holds the truth, and it obeys simple laws."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from models.jacket_water import judge, learn
from models.jacket_water.forecast import hours_until
from models.jacket_water.normal import WaterNormal
from tests.models.water_traces import Unit, traces

DAY = 12


def test_the_interval_of_a_failed_heater_holds_the_truth_about_four_times_in_five():
    rng = np.random.default_rng(5)
    units = [
        Unit(
            failed_h=DAY * 24.0,
            cut_in=low,
            cut_out=low + rng.choice([4.0, 8.0, 11.0]),
            tau_h=tau,
            heating=110.0 / tau,
            outdoor=rng.uniform(-15, 8),
            diurnal=rng.uniform(2, 9),
            synoptic=rng.uniform(2, 5),
            warmed=rng.uniform(0.02, 0.15),
            wander=rng.choice([0.1, 0.2, 0.3]),
            sun=rng.choice([0.0, 0.0, 10.0]),
            quantum=rng.choice([0.1, 0.5]),
            rhythm_min=int(rng.choice([1, 5])),
        )
        for low, tau in zip(rng.uniform(30, 48, 60), np.exp(rng.uniform(np.log(4), np.log(30), 60)), strict=True)
    ]
    trace = traces(units, DAY + 6, seed=6)
    normals = learn(trace.seen(DAY * 24.0), [WaterNormal()] * len(units))
    inside, early, late = 0, 0, 0
    for row in range(len(units)):
        cold = np.flatnonzero((trace.block[row] < 21.0) & (np.arange(trace.block.shape[1]) > DAY * 1440))
        assert len(cold), "cold enough to reach it"
        for after_h in (2.0, 4.0, 8.0):
            hour = DAY * 24.0 + after_h
            (failed, *_), _ = judge(trace.seen(hour, [row]), [normals[row]])
            truth = cold[0] / 60 - hour
            low, _, high = failed.not_ready_h[0]
            if np.isnan(low) or truth <= 0.5:
                continue
            inside, early, late = inside + (low <= truth <= high), early + (truth < low), late + (truth > high)
    share = inside / (inside + early + late)
    print(f"{inside + early + late} forecasts: {share:.0%} inside, {early} sooner, {late} later")
    assert 0.70 <= share <= 0.92


AIR = np.zeros(4 * 144)


@settings(max_examples=50, deadline=None)
@given(water=st.floats(22, 60), tau=st.floats(2, 40), spread=st.floats(0.05, 0.6), air=st.floats(-30, 30))
def test_quantiles_are_ordered_and_a_colder_limit_is_reached_later(water: float, tau: float, spread: float, air: float):
    def until(limit: float) -> np.ndarray:
        return hours_until(
            water=water,
            limit=limit,
            air=AIR + air,
            usual_excess=30.0,
            time_constant_h=tau,
            time_constant_log_sd=spread,
        )

    sooner, later = until(21.0), until(15.0)
    assert sooner[0] <= sooner[1] <= sooner[2]
    assert (later >= sooner).all()


def test_already_too_cold_is_now_and_warm_air_is_never():
    common = {"limit": 21.0, "usual_excess": 20.0, "time_constant_h": 10.0, "time_constant_log_sd": 0.2}
    assert hours_until(water=20.0, air=AIR, **common).tolist() == [0.0, 0.0, 0.0]  # type: ignore[arg-type]
    assert np.isinf(hours_until(water=40.0, air=AIR + 45.0, **common)).all()  # type: ignore[arg-type]
    assert np.isnan(hours_until(water=np.nan, air=AIR, **common)).all()  # type: ignore[arg-type]


def test_a_heater_that_still_holds_the_water_keeps_it_ready():
    """Law: with heat of h * tau over the coldest air, the water stays at its cut-in."""
    hours = hours_until(
        water=37.0,
        limit=21.0,
        air=AIR,
        usual_excess=38.0,
        time_constant_h=10.0,
        time_constant_log_sd=0.1,
        heating_k_per_h=6.0,
        heating_log_sd=0.05,
        cut_in=38.0,
    )
    assert np.isinf(hours).all()
