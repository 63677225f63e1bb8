"""Each default limit on each signal: at which value, after how long, how urgent; literal numbers of the contract's
limits file and of the shared trade facts, section 2. Battery values a 12 V block."""

from dataclasses import replace

import pytest

from models.normal import Normal
from monitor.alarms.lifecycle import Evidence, NotReady
from monitor.times import MINUTE_NS
from tests.assessment.bench import LEARNED, Bench

PUT = 200.0  # minute at which the level is put; the first hours let the rhythm be learned
WATER, BATTERY, GAS, AIR = "jacket_water_temperature", "battery_voltage", "gas_pressure", "enclosure_temperature"
NOTHING = Normal()
# Works at a visit, an equalising charge of flooded cells, absorption of sealed ones are over by then.
LOW_MIN, HIGH_MIN, SEALED_MIN = 6 * 60, 26 * 60, 14 * 60
MIDNIGHT = 1440.0  # a bench without models learns nothing new there, and forgets
LONG = PUT + HIGH_MIN + 60

STOPPED = [  # signal, learned, the last value that is nothing, the first that is something, condition, urgency, minutes
    (WATER, NOTHING, 34.0, 33.9, "low_water_temperature", "at_visit", 15),
    (WATER, LEARNED, 37.0, 36.9, "low_water_temperature", "at_visit", 60),  # a thermostat turned down does that
    (BATTERY, NOTHING, 12.45, 12.44, "low_battery_voltage", "at_visit", LOW_MIN),
    (BATTERY, LEARNED, 13.0, 12.99, "low_battery_voltage", "at_visit", LOW_MIN),
    (BATTERY, NOTHING, 14.4, 14.41, "high_battery_voltage", "at_visit", HIGH_MIN),
    (BATTERY, LEARNED, 14.1, 14.11, "high_battery_voltage", "at_visit", SEALED_MIN),
    (GAS, LEARNED, 2329.0, 2328.9, "low_gas_pressure", "at_visit", 1),
    (AIR, NOTHING, 50.0, 50.1, "high_enclosure_temperature", "at_visit", 30),
    (WATER, NOTHING, 60.0, 60.1, "high_water_temperature", "at_visit", 30),
]


def bench(signal, normal, *puts, **kwargs):
    every = kwargs.pop("every_s", 60.0)
    if signal == WATER and puts[0][2] > 57.0:  # slowly, as a heater does it: an engine's warming would be a run
        puts = ((PUT - 90, PUT - 40, 52.0), (PUT - 40, PUT, 59.9), *puts)
    return Bench(normal=normal, every_s=every, **kwargs).stands(signal).reports(signal, *puts)


@pytest.mark.parametrize(("signal", "normal", "inside", "beyond", "condition", "urgency", "minutes"), STOPPED)
def test_a_warning_goes_on_the_visit_sheet_after_its_delay(signal, normal, inside, beyond, condition, urgency, minutes):
    until = PUT + minutes + 60.0
    unit = {"minutes": until, "battery_type": "agm" if minutes == SEALED_MIN else "flooded"}
    assert bench(signal, normal, (PUT, until, inside), **unit).said() == []
    assert bench(signal, normal, (PUT, PUT + minutes - 0.25, beyond), every_s=15.0, **unit).said() == []
    assert bench(signal, normal, (PUT, until, beyond), every_s=15.0, **unit).said() == [
        (condition, "raised", urgency, PUT + minutes)
    ]


DEEPER = [  # beyond the limit the warning is behind: its own moment, then the limit's; or both in one
    (WATER, NOTHING, 31.9, "low_water_temperature", [("raised", "before_visit", 5.0)]),
    (WATER, LEARNED, 35.9, "low_water_temperature", [("raised", "before_visit", 30.0)]),
    (WATER, NOTHING, 20.9, "low_water_temperature", [("raised", "now", 1.0)]),
    (WATER, NOTHING, 71.1, "high_water_temperature", [("raised", "before_visit", 10.0)]),
    (BATTERY, NOTHING, 12.23, "low_battery_voltage", [("raised", "before_visit", 5.0)]),
    (BATTERY, LEARNED, 12.23, "low_battery_voltage", [("raised", "before_visit", 5.0)]),
    (BATTERY, NOTHING, 15.51, "high_battery_voltage", [("raised", "before_visit", 60.0)]),
    (GAS, NOTHING, 999.0, "low_gas_pressure", [("raised", "before_visit", 0.25)]),
    (GAS, LEARNED, 1643.9, "low_gas_pressure", [("raised", "before_visit", 0.25)]),
    (GAS, NOTHING, 34_501.0, "high_gas_pressure", [("raised", "before_visit", 1.0)]),
    (AIR, NOTHING, 60.1, "high_enclosure_temperature", [("raised", "before_visit", 10.0)]),
]


@pytest.mark.parametrize(("signal", "normal", "beyond", "condition", "expected"), DEEPER)
def test_a_limit_calls_before_the_visit_and_the_point_of_not_ready_now(signal, normal, beyond, condition, expected):
    said = bench(signal, normal, (PUT, 360.0, beyond), every_s=15.0).said()
    assert said == [(condition, kind, urgency, PUT + minutes) for kind, urgency, minutes in expected]


def test_just_inside_the_limits_only_the_warnings_stand():
    for signal, normal, level in (
        (WATER, NOTHING, 32.0),
        (WATER, LEARNED, 36.0),
        (WATER, NOTHING, 71.0),
        (BATTERY, NOTHING, 12.24),
        (BATTERY, NOTHING, 15.5),
        (GAS, LEARNED, 1644.0),
        (AIR, NOTHING, 60.0),
    ):
        said = bench(signal, normal, (PUT, LONG, level), minutes=LONG).said()
        assert {row[2] for row in said} == {"at_visit"}, (signal, level)


def test_gas_between_its_absolute_limits_is_nothing_until_the_set_point_is_learned():
    assert bench(GAS, NOTHING, (PUT, 280.0, 1000.0), (280.0, 360.0, 34_500.0)).said() == []


RUNNING = [  # signal, last that is nothing, first that is something, condition, urgency, seconds
    (WATER, 99.0, 99.1, "high_water_temperature", "at_visit", 60),
    (WATER, None, 107.1, "high_water_temperature", "before_visit", 5),
    (GAS, 2240.0, 2239.0, "low_gas_pressure", "at_visit", 10),
    (GAS, None, 1643.0, "low_gas_pressure", "now", 5),
    (GAS, 4110.0, 4110.1, "high_gas_pressure", "now", 5),
]


@pytest.mark.parametrize(("signal", "inside", "beyond", "condition", "urgency", "seconds"), RUNNING)
def test_while_the_engine_runs_other_limits_hold(signal, inside, beyond, condition, urgency, seconds):
    def said(level):
        one = Bench(normal=LEARNED, minutes=215.0, every_s=5.0).runs(PUT - 5, 400.0)
        steady = (PUT - 5, PUT, 84.0) if signal == WATER else (PUT - 5, PUT, 2600.0)
        return one.stands(signal).reports(signal, steady, (PUT, 400.0, level)).said()

    assert said(beyond)[0] == (condition, "raised", urgency, pytest.approx(PUT + seconds / 60, abs=1e-3))
    if inside is not None:
        assert said(inside) == []


def test_the_engine_runs_hot_and_no_stopped_limit_minds():
    assert Bench().runs(PUT, PUT + 60).stands(WATER).reports(WATER, (PUT, PUT + 60, 84.0)).said() == []


def test_deadband_and_off_delay_decide_when_it_is_over():
    one = bench(WATER, NOTHING, (PUT, 250.0, 33.0), (250.0, 300.0, 35.9), (300.0, 400.0, 36.0))
    assert one.said() == [
        ("low_water_temperature", "raised", "at_visit", PUT + 15),
        ("low_water_temperature", "cleared", "at_visit", 300.0 + 15),
    ]


def test_a_way_back_that_is_too_short_clears_nothing():
    one = bench(WATER, NOTHING, (PUT, 250.0, 33.0), (250.0, 264.0, 40.0), (264.0, 400.0, 33.0))
    assert one.said() == [("low_water_temperature", "raised", "at_visit", PUT + 15)]


def test_sinking_water_rises_in_urgency_and_falls_again():
    one = bench(WATER, NOTHING, (PUT, 230.0, 33.0), (230.0, 250.0, 31.0), (250.0, 270.0, 20.0), (270.0, 300.0, 30.0))
    assert one.said() == [
        ("low_water_temperature", "raised", "at_visit", 215.0),
        ("low_water_temperature", "changed", "before_visit", 235.0),
        ("low_water_temperature", "changed", "now", 251.0),
        ("low_water_temperature", "changed", "before_visit", 285.0),
        ("low_water_temperature", "cleared", "before_visit", 315.0),
    ]


def test_not_ready_already_all_quantiles_are_that_moment():
    one = bench(WATER, NOTHING, (PUT, 400.0, 20.0))
    finding = one.findings()[0]
    at = one.at(PUT + 1)
    assert finding.said.not_ready_at == NotReady(at, at, at)
    assert bench(WATER, NOTHING, (PUT, 400.0, 31.0)).findings()[0].said.not_ready_at is None


def test_the_evidence_names_what_was_measured_against_what_was_expected_and_by_which_version():
    evidence = bench(BATTERY, LEARNED, (PUT, LONG, 12.9), blocks=2, minutes=LONG).findings()[0].evidence
    assert (evidence.signal, evidence.symbol, evidence.level, evidence.limits_version) == (BATTERY, "V", "warning", 7)
    assert (evidence.measured, evidence.expected, evidence.limit) == (25.8, 27.0, 26.0)
    bare = bench(WATER, NOTHING, (PUT, 400.0, 33.0)).findings()[0].evidence
    assert bare == Evidence(WATER, "Cel", 33.0, None, 34.0, "warning", 7, bare.text)


# --- battery: blocks and temperature ---


def test_battery_limits_count_a_block_of_the_set():
    assert bench(BATTERY, NOTHING, (PUT, LONG, 12.46), blocks=2, minutes=LONG).said() == []
    assert bench(BATTERY, NOTHING, (PUT, LONG, 12.44), blocks=2, minutes=LONG).said() == [
        ("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)
    ]


def cold(normal, level, air, battery_type="flooded", minutes=LONG):
    one = Bench(normal=normal, battery_type=battery_type, minutes=minutes)
    one.steady[AIR] = air
    one.steady[BATTERY] = 13.5 - 0.024 * (air - 25.0)
    return one.stands(BATTERY).reports(BATTERY, (PUT, LONG, level)).said()


def test_high_battery_voltage_of_14_4_at_25_is_15_48_at_minus_20():
    assert cold(NOTHING, 15.47, -20.0) == []
    assert cold(NOTHING, 15.49, -20.0) == [("high_battery_voltage", "raised", "at_visit", PUT + HIGH_MIN)]


def test_the_learned_float_follows_the_temperature():
    """13.5 V at 25 Cel is 14.58 at -20; 0.5 V under it warns, 0.6 V over it."""
    assert cold(LEARNED, 14.09, -20.0, "agm", MIDNIGHT) == []
    assert cold(LEARNED, 14.07, -20.0, "agm", MIDNIGHT) == [
        ("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)
    ]
    assert cold(LEARNED, 15.17, -20.0, "agm", MIDNIGHT) == []
    assert cold(LEARNED, 15.19, -20.0, "agm", MIDNIGHT) == [
        ("high_battery_voltage", "raised", "at_visit", PUT + SEALED_MIN)
    ]


def test_in_the_heat_the_high_limit_comes_down():
    """14.4 V at 25 Cel is 14.04 at 40."""
    assert cold(NOTHING, 14.03, 40.0) == []
    assert cold(NOTHING, 14.05, 40.0) == [("high_battery_voltage", "raised", "at_visit", PUT + HIGH_MIN)]


def test_low_absolute_limits_do_not_move_with_the_cold():
    assert cold(NOTHING, 12.46, -20.0) == []
    assert cold(NOTHING, 12.44, -20.0) == [("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)]


def test_in_the_heat_the_low_warning_comes_down_and_the_limit_stays():
    """A sound charger that compensates lets 12.75 V at 25 Cel be 12.35 at 47; half charged is half charged."""
    assert cold(NOTHING, 12.36, 47.0) == []
    assert cold(NOTHING, 12.34, 47.0) == [("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)]
    assert ("low_battery_voltage", "raised", "before_visit", PUT + 5) in cold(NOTHING, 12.23, 40.0)


def test_an_enclosure_temperature_of_hours_ago_says_nothing_of_the_battery():
    one = Bench(minutes=600.0 + LONG).stands(BATTERY, AIR).reports(AIR, (0.0, 100.0, -20.0), to_min=100.0)
    one.reports(BATTERY, (200.0, 300.0, 15.0), (600.0, 600.0 + LONG, 15.0))
    battery = [row for row in one.said() if row[0] == "high_battery_voltage"]
    assert battery == [("high_battery_voltage", "raised", "at_visit", 600.0 + HIGH_MIN)]


@pytest.mark.parametrize("battery_type", ["agm", "gel"])
def test_valve_regulated_batteries_rest_higher(battery_type):
    assert cold(NOTHING, 12.7, 25.0, battery_type) == []
    assert cold(NOTHING, 12.69, 25.0, battery_type) == [("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)]


def test_of_nickel_cadmium_only_what_was_learned_counts():
    assert cold(NOTHING, 11.0, 25.0, "nickel_cadmium") == []
    assert cold(NOTHING, 16.0, 25.0, "nickel_cadmium") == []
    assert cold(LEARNED, 12.99, 25.0, "nickel_cadmium") == [
        ("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)
    ]


def test_no_cold_lets_the_highest_limit_go_beyond_16_v():
    assert cold(NOTHING, 15.99, -35.0) == [("high_battery_voltage", "raised", "at_visit", PUT + HIGH_MIN)]
    assert cold(NOTHING, 16.01, -35.0)[0] == ("high_battery_voltage", "raised", "before_visit", PUT + 60)


def test_what_is_meant_is_over_before_a_warning_speaks():
    for level, hours in ((15.4, 24.0), (14.6, 12.0), (12.6, 3.0)):  # equalising, absorption, works at a visit
        assert bench(BATTERY, LEARNED, (PUT, PUT + 60 * hours, level), minutes=LONG).said() == [], level


def test_a_lost_charger_does_not_follow_the_heat_down():
    """13.5 V at 25 Cel is 13.02 at 45, half a volt under it 12.52: a battery at rest would be back each afternoon."""
    hot = (PUT + LOW_MIN + 60, PUT + LOW_MIN + 300)
    one = Bench(normal=LEARNED, minutes=MIDNIGHT).stands(BATTERY, AIR)
    one.reports(AIR, (*hot, 45.0)).reports(BATTERY, (PUT, MIDNIGHT, 12.7))
    assert one.said() == [("low_battery_voltage", "raised", "at_visit", PUT + LOW_MIN)]


def test_a_charger_that_is_back_in_the_heat_is_back():
    hot, back = (PUT + LOW_MIN + 60, MIDNIGHT), (PUT + LOW_MIN + 120, MIDNIGHT)
    one = Bench(normal=LEARNED, minutes=MIDNIGHT).stands(BATTERY, AIR)
    one.reports(AIR, (*hot, 45.0)).reports(BATTERY, (PUT, MIDNIGHT, 12.7), (*back, 13.0))
    assert one.said()[-1] == ("low_battery_voltage", "cleared", "at_visit", back[0] + 5)


# --- gas is judged on the day's floor ---


def warm_days(*, floor=2740.0, hump=1500.0, days=3):
    """Gas that rises with the sun from 10 to 16 h each day and comes back to its floor."""
    one = Bench(normal=LEARNED, minutes=days * 1440.0, every_s=600.0)
    one.steady["gas_pressure"] = floor
    humps = [(day * 1440.0 + 600.0, day * 1440.0 + 960.0, floor + hump) for day in range(days)]
    return one.stands(GAS).reports(GAS, *humps).said()


def test_a_warm_hump_over_a_flat_floor_raises_nothing():
    assert warm_days(hump=3000.0) == []


def test_a_floor_over_one_and_a_quarter_of_the_set_point_is_a_warning():
    assert warm_days(floor=3424.0) == []
    assert [row[:3] for row in warm_days(floor=3426.0)] == [("high_gas_pressure", "raised", "at_visit")]


def test_a_floor_over_twice_the_set_point_calls():
    assert "before_visit" not in {row[2] for row in warm_days(floor=5479.0)}
    assert {row[2] for row in warm_days(floor=5481.0)} >= {"before_visit"}


def test_a_day_with_few_readings_has_no_floor():
    one = Bench(normal=LEARNED, minutes=19 * 60.0, every_s=600.0)
    one.steady["gas_pressure"] = 5000.0
    assert one.stands().said() == []


# --- masks after a run ---

END = PUT + 30.0


def after_run(signal, *puts, minutes=1200.0, normal=LEARNED):
    one = Bench(normal=normal, minutes=minutes).runs(PUT, END).stands(signal)
    return one.reports(signal, *puts).said()


def test_stopped_gas_limits_rest_until_four_hours_after_the_stop():
    assert after_run(GAS, (END + 10, END + 239, 1500.0)) == []
    assert after_run(GAS, (END + 10, END + 245, 1500.0))[0][:3] == ("low_gas_pressure", "raised", "before_visit")


def test_the_batterys_low_warning_rests_for_six_hours_after_a_run_but_not_its_limit():
    assert after_run(BATTERY, (END, END + 350 + LOW_MIN, 12.8)) == []
    assert after_run(BATTERY, (END, END + 380 + LOW_MIN, 12.8))[0][:3] == ("low_battery_voltage", "raised", "at_visit")
    assert after_run(BATTERY, (END + 1, END + 60, 12.2))[0][:3] == ("low_battery_voltage", "raised", "before_visit")


def cooling(from_min, hours, floor=45.0):
    """Water that falls from 84 Cel within some hours."""
    steps = int(hours * 12)
    return [(from_min + 5 * k, from_min + 5 * (k + 1), 84.0 - (84.0 - floor) * k / steps) for k in range(steps)]


def test_a_hot_engine_that_cools_after_its_run_raises_nothing():
    for hours in (3, 9, 14):
        puts = [(PUT, END, 84.0), *cooling(END, hours)]
        assert after_run(WATER, *puts) == [], hours


def test_a_heater_that_sticks_on_is_found_once_the_water_was_back_in_its_band():
    puts = [(PUT, END, 84.0), *cooling(END, 3), (END + 300, 2000.0, 62.0)]
    assert after_run(WATER, *puts) == [("high_water_temperature", "raised", "at_visit", END + 300 + 30)]


def test_water_that_never_comes_back_to_its_band_is_found_a_day_after_the_run():
    said = after_run(WATER, (PUT, END, 84.0), (END, 4000.0, 73.0), minutes=END + 1600)
    assert [row[:3] for row in said] == [
        ("high_water_temperature", "raised", "before_visit"),
    ]
    assert END + 1440 + 9 <= said[0][3] <= END + 1440 + 12


def test_a_heater_that_sticks_on_without_any_run_is_found():
    assert bench(WATER, NOTHING, (PUT, 400.0, 62.0)).said() == [
        ("high_water_temperature", "raised", "at_visit", PUT + 30)
    ]


def test_what_is_masked_does_not_count_toward_the_delay():
    """Beyond before the run, in the deadband while it runs: that is no time beyond a limit of the standing engine."""
    puts = [(PUT - 10, PUT, 33.0), (PUT, END, 35.0), (END, 2000.0, 45.0)]
    assert after_run(WATER, *puts, normal=NOTHING) == []


# --- the two switches, the heater's season ---


def switch(signal, *puts):
    return Bench().stands().reports(signal, (0.0, PUT, 1.0 if signal == "control_in_auto" else 0.0), *puts).said()


def test_a_control_out_of_automatic_is_needed_now_after_a_visits_quarter_of_an_hour():
    assert switch("control_in_auto", (PUT, PUT + 14, 0.0), (PUT + 14, 400.0, 1.0)) == []
    assert switch("control_in_auto", (PUT, PUT + 40, 0.0), (PUT + 40, 400.0, 1.0)) == [
        ("control_not_in_auto", "raised", "now", PUT + 15),
        ("control_not_in_auto", "cleared", "now", PUT + 41),
    ]


def test_low_coolant_is_needed_now_after_it_has_sloshed():
    assert switch("coolant_level_low", (PUT, PUT + 40, 1.0))[0] == (
        "low_coolant_level", "raised", "now", PUT + 0.5
    )  # fmt: skip


def test_without_a_heater_cool_water_is_no_fault_and_with_a_seasonal_one_only_cold():
    for heater, level, urgencies in (
        ("none", 10.0, set()),
        ("seasonal", 25.0, set()),
        ("seasonal", 20.0, {"now"}),
        ("always", 20.0, {"now"}),
    ):
        said = bench(WATER, NOTHING, (PUT, 360.0, level), heater=heater).said()
        assert {row[2] for row in said} == urgencies, (heater, level)


def test_a_limits_file_moves_a_limit_for_one_unit():
    text = "[units.mill-1.jacket_water_temperature.stopped]\nlow_warning = { at = 40.0 }\nlow_limit = { at = 38.0 }"
    assert bench(WATER, NOTHING, (PUT, 360.0, 39.0)).said() == []
    assert bench(WATER, NOTHING, (PUT, 360.0, 39.0), limits=text).said() == [
        ("low_water_temperature", "raised", "at_visit", PUT + 15)
    ]


# --- the same in pieces ---


def test_a_heater_that_sticks_on_is_found_in_pieces_of_minutes_too():
    puts = [(PUT, END, 84.0), *cooling(END, 3), (END + 300, 2000.0, 62.0)]
    one = Bench(normal=LEARNED, minutes=900.0).runs(PUT, END).stands(WATER).reports(WATER, *puts)
    (finding,) = one.findings(each_min=1.0)
    assert (finding.condition, finding.at_ns) == ("high_water_temperature", one.at(END + 330))


def test_in_a_backlog_of_days_what_was_seen_after_a_run_counts_too():
    """A link was down for four days: the run, the cooling and the heater that then stuck on come piece by piece."""
    puts = [(PUT, END, 84.0), *cooling(END, 3), (END + 250, END + 300, 53.0), (END + 300, 2000.0, 62.0)]
    one = Bench(normal=LEARNED, minutes=900.0).runs(PUT, END).stands(WATER).reports(WATER, *puts)
    late = 4 * 1440.0
    one.rows = [
        replace(rows, received_ns=one.at(late) + (rows.time_ns - one.at(0)) // 60)
        if rows.time_ns[-1] > one.at(PUT)
        else rows
        for rows in one.rows
    ]
    (finding,) = [f for f in one.findings(late + 16.0, each_min=1 / 60) if f.condition == "high_water_temperature"]
    assert finding.at_ns == one.at(END + 330)


def test_battery_readings_that_come_late_are_judged_by_one_temperature_in_whatever_pieces():
    """The enclosure warms from -20 to 40 Cel at once while battery readings are five minutes under way."""
    found = []
    for each_min in (None, 1.0):
        one = Bench(minutes=LONG).stands(BATTERY, AIR)
        one.reports(AIR, (0.0, PUT, -20.0), (PUT, LONG, 40.0)).reports(BATTERY, (PUT - 60, LONG, 14.3))
        one.rows[-1] = replace(one.rows[-1], received_ns=one.rows[-1].received_ns + 5 * MINUTE_NS)
        found.append(one.findings(each_min=each_min))
    assert found[0] == found[1]
    assert [f.condition for f in found[0]] == ["high_battery_voltage"]
