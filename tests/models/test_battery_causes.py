"""What took the charge, and a charger's own course over the day: lives of tests.models.battery_traces."""

from collections.abc import Callable

import numpy as np
import pytest

from models.battery import BatteryNormal, expected_crank, judge_whole, learn
from models.battery.chemistry import chemistry_of
from models.battery.cranking import cranking, merged
from models.seen import Crank
from models.windows import CELLS_A_DAY
from tests.models.battery_traces import Plant, build, replace, replay, seen_at
from tests.models.test_battery import CONDITIONS, GOING, QUIET, held

DAY_NS = 86_400 * 10**9
FAILED = "charger_failed"


def sun(until: float = np.inf) -> Callable[[float, float], float]:
    """A solar charger: it charges from 08 to 17 UTC, up to a day."""
    return held(lambda d: 13.5 if 0.33 < d % 1 < 0.71 and d < until else np.nan)


def first_cause(told_at: object, condition: int = 0) -> str:
    """The likeliest cause of a condition at one judgement."""
    causes = told_at.opinions[condition].causes  # type: ignore[attr-defined]
    return str(max(causes, key=lambda name: causes[name][0]))


def test_a_charger_that_rests_each_night_is_quiet_though_its_nights_are_never_trusted() -> None:
    """A limit that speaks each night keeps the night from being trusted, and must not keep it from being known."""
    trace = build(Plant(days=40, set_point=sun(), mean_air=22))
    trusted = np.ones(40 * CELLS_A_DAY, bool)
    in_day = np.arange(len(trusted)) % CELLS_A_DAY / CELLS_A_DAY
    trusted[(in_day < 0.38) | (in_day > 0.72)] = False
    normal = BatteryNormal()
    most = dict.fromkeys(CONDITIONS, 0.0)
    for day in range(1, 40):
        (normal,) = learn(seen_at(trace, day, trusted=trusted), [normal])
        for hour in (2, 7, 12, 20) if day > 8 else ():
            for opinion in judge_whole(seen_at(trace, day + hour / 24), [normal]).opinions:
                most[opinion.condition] = max(most[opinion.condition], float(np.nan_to_num(opinion.probability[0])))
    assert max(most.values()) < QUIET
    assert 0.0 < normal.course[3] < 13.0
    assert normal.course[12] == 0.0


def test_the_first_nights_of_a_solar_charger_call_nobody() -> None:
    told = replay(Plant(days=6, set_point=sun(), mean_air=22, load_a=0.6, surface_v=0.25), every_h=1, begin=0.1)
    assert max(told.most(condition) for condition in CONDITIONS) < QUIET


def test_a_solar_charger_that_misses_its_own_course_is_found_in_its_first_day() -> None:
    told = replay(Plant(days=44, set_point=sun(40.0)), every_h=2)
    assert max(told.most(condition, 10, 40) for condition in CONDITIONS) < QUIET
    assert told.found(FAILED, begin=40) < 40.8


def test_a_load_larger_than_the_charger_is_named_and_forecast_in_hours() -> None:
    plant = Plant(days=42, charger_a=5.0, drain=lambda d: 9.5 if d > 40 else 0.25, current_limit=lambda d: 5.0)
    told, trace = replay(plant, every_h=1), build(plant)
    flat = np.flatnonzero((trace.true_least < 8.0) & (np.arange(len(trace.true_least)) > 40 * 288))[0] / 288
    found = told.found(FAILED, 0.9, begin=40)
    at = int(np.searchsorted(told.day, found + 2 / 24))
    low, middle, high = told.not_ready_h[FAILED][at]
    left = 24 * (flat - told.day[at])
    print(f"\nload: after {24 * (found - 40):.0f} h, {left:.0f} h left, said {low:.0f} {middle:.0f} {high:.0f}")
    assert found < flat
    assert first_cause(told.judged[at]) == "charger_weak/load_left_on"
    assert middle < 3 * left + 6
    assert low <= left


def test_a_cell_that_shorts_on_charge_is_no_failed_charger() -> None:
    """It takes its volts with it at once; the charger lifts the other five and stays at its greatest current."""

    def shorted(day: float, volts: float) -> float:
        if day < 40:
            return volts
        return 13.45 - 1.9 + 1.2 * (1 - np.exp(-(day - 40) * 24 / 0.5)) + 0.05 * np.sin(6.28 * day)

    told = replay(Plant(days=42, after=shorted), every_h=1)
    assert told.found("battery_weak", 0.9, begin=40) < 40.7
    assert told.most(FAILED, 40) < 0.9
    assert first_cause(told.judged[-1], 2) == "battery_weak/shorted_cell"


def test_one_that_comes_and_goes_is_named_once_it_has_come_back() -> None:
    told = replay(GOING, every_h=2)
    late = [first_cause(one) for day, one, p in zip(told.day, told.judged, told.probability[FAILED], strict=True)
            if day > 42 and p > 0.9]  # fmt: skip
    assert late.count("charger_weak/intermittent") >= 0.9 * len(late)
    alone = replay(Plant(days=44, set_point=held(lambda d: np.nan if d > 40 else 13.45)), every_h=2)
    assert first_cause(alone.judged[-1]) == "charger_failed/no_output"


def test_an_output_that_sagged_to_rest_over_days_is_named_long_after() -> None:
    plant = Plant(days=70, set_point=held(lambda d: 13.45 - 0.12 * max(d - 40, 0)))
    told = replay(plant, every_h=4)
    assert told.probability[FAILED][-1] > 0.9
    assert first_cause(told.judged[-1]) == "charger_weak/output_sagging"


def test_a_hot_afternoon_clears_no_failed_charger() -> None:
    """At 45 Cel a float compensated by -5 mV/K a cell is where a full battery rests: such hours tell nothing."""
    plant = Plant(days=50, slope=-0.03, float_v=13.3, mean_air=34, day_k=13, load_a=0.12,
                  set_point=held(lambda d: np.nan if d > 40 else 13.3, -0.03))  # fmt: skip
    told = replay(plant, every_h=2)
    found = told.found(FAILED, 0.9, begin=40)
    assert found < 41.5
    assert np.nanmin(told.probability[FAILED][told.day > found + 0.5]) > 0.3


def of(least: list[float], air: float = 18.0) -> tuple[Crank, ...]:
    """Weekly cranks off a float of 13.6 V."""
    return tuple(
        Crank(20_000 * DAY_NS + 7 * week * DAY_NS, volts, 13.6, air, 40.0, 1.0) for week, volts in enumerate(least)
    )


def test_growing_resistance_shows_against_cranks_that_lay_close_together() -> None:
    flooded = chemistry_of("flooded")
    close = cranking(merged((), of([10.25, 10.24, 10.26, 10.22, 10.25, 9.6, 8.6]), flooded, 0.0), None, flooded)
    wide = cranking(merged((), of([10.25, 9.7, 10.6, 9.8, 10.4, 9.6, 8.6]), flooded, 0.0), None, flooded)
    assert close.recent == 2
    assert close.weaker > 6.0
    assert close.weaker > wide.weaker + 1.5


def test_a_crank_is_expected_as_the_units_own_past_at_like_temperature() -> None:
    flooded = chemistry_of("flooded")
    past = merged((), of([10.25, 10.24, 10.26, 10.22, 10.25]), flooded, 0.0)
    usual, sd = expected_crank(past, "flooded", 13.6, 18.0)
    cold, cold_sd = expected_crank(past, "flooded", 13.6, -15.0)
    assert usual == pytest.approx(10.24, abs=0.05)
    assert 0.05 < sd < 0.3
    assert cold < usual - 0.5
    assert cold_sd > sd
    assert np.isnan(expected_crank(past[:2], "flooded", 13.6, 18.0)[0])
    weak = merged((), of([10.25, 10.24, 10.26, 10.22, 10.25, 8.6, 8.5]), flooded, 0.0)
    assert expected_crank(weak, "flooded", 13.6, 18.0)[0] == pytest.approx(10.24, abs=0.05)


def test_a_cold_engine_asks_more_of_the_starter_than_its_own_past() -> None:
    """Its heater has failed: dips deepen with the block, not with the battery."""
    flooded = chemistry_of("flooded")
    warm = of([10.85, 10.9, 10.8, 10.85, 10.9, 10.85])
    chilled = [replace(crank, least=10.3, water=12.0) for crank in of([10.3] * 9)[6:]]
    heated = [replace(crank, water=40.0) for crank in chilled]
    weak = cranking(merged((), [*warm, *heated], flooded, 0.0), heated[-1], flooded, 40.0)
    cold = cranking(merged((), [*warm, *chilled], flooded, 0.0), chilled[-1], flooded, 40.0)
    assert weak.weaker > 6.0
    assert cold.weaker < 2.0


def test_one_crank_that_falls_far_short_is_enough() -> None:
    """A post has come loose or a cell is out: 2.3 V of dip become 4; 2.3 become 2.9 waits for the next crank."""
    for dip, enough in ((4.0, True), (2.9, False)):
        plant = Plant(days=42, dip_of=lambda d, deep=dip: deep if d > 38 else 2.3, crank_sd=0.03)
        told = replay(plant, every_h=4, begin=35)
        assert (told.most("battery_weak", 39.0, 42.0) > 0.9) is enough, dip
        assert told.most("battery_weak", 35.0, 39.0) < QUIET


def test_rests_that_begin_at_a_charger_known_to_hold_its_float_are_no_habit_at_once() -> None:
    begun = held(lambda d: np.nan if d > 40 and not 0.33 < d % 1 < 0.71 else 13.5)
    told = replay(replace(Plant(days=46), set_point=begun), every_h=2)
    assert told.found(FAILED, begin=40) < 41.5
