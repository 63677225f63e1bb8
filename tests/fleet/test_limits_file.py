"""The limits file: what goes before what, what is switched off, and every fault in one go."""

import re
from pathlib import Path

import pytest

from monitor.conditions import CONDITIONS
from monitor.fleet import Fleet, parse_fleet
from monitor.limits_file import CONDITION_OF, LimitRow, LimitsError, default_text, load_limits, parse_limits
from monitor.times import HOUR_NS, MINUTE_NS, SECOND_NS

FLEET = parse_fleet(
    '[sites.mill]\n[sites.weir]\n[units.mill-1]\nsite = "mill"\n[units.mill-2]\nsite = "mill"\n'
    '[units.weir-1]\nsite = "weir"\nbattery_type = "agm"\n'
    '[units.weir-2]\nsite = "weir"\nbattery_type = "nickel_cadmium"\n'
)


def row_of(limits_text: str, unit: str, signal: str, mode: str, name: str, fleet: Fleet = FLEET) -> LimitRow | None:
    side, _, level = name.partition("_")
    found = [
        row
        for row in parse_limits(limits_text, fleet).rows(unit)
        if (row.signal, row.mode, row.side, row.level) == (signal, mode, side, level)
    ]
    assert len(found) <= 1, "one row a level"
    return found[0] if found else None


def faults_of(text: str) -> str:
    with pytest.raises(LimitsError) as refused:
        parse_limits(text, FLEET)
    return str(refused.value)


# Typed from the shared trade table (section 2) and the contract, not read from the file that is tested; delays of the
# battery's warnings and of its high limit are ours, as long as works, absorption, equalising take. Flooded.
DEFAULTS = [
    ("jacket_water_temperature", "stopped", "low_warning", -4.0, None, 34.0, 900, 900, 2.0),
    ("jacket_water_temperature", "stopped", "low_limit", -5.0, None, 32.0, 300, 900, 2.0),
    ("jacket_water_temperature", "stopped", "low_not_ready", None, None, 21.0, 60, 900, 2.0),
    ("jacket_water_temperature", "stopped", "high_warning", None, None, 60.0, 1800, 900, 2.0),
    ("jacket_water_temperature", "stopped", "high_limit", None, None, 71.0, 600, 900, 3.0),
    ("jacket_water_temperature", "running", "high_warning", None, None, 99.0, 60, 60, 3.0),
    ("jacket_water_temperature", "running", "high_limit", None, None, 107.0, 5, 60, 3.0),
    ("battery_voltage", "stopped", "low_warning", -0.5, None, 12.75, 21_600, 300, 0.1),
    ("battery_voltage", "stopped", "low_limit", None, None, 12.24, 300, 900, 0.1),
    ("battery_voltage", "stopped", "high_warning", 0.6, None, 14.4, 93_600, 900, 0.1),
    ("battery_voltage", "stopped", "high_limit", None, None, 15.5, 3600, 900, 0.1),
    ("gas_pressure", "stopped", "low_warning", None, 0.85, None, 60, 300, 50.0),
    ("gas_pressure", "stopped", "low_limit", None, 0.60, 1000.0, 15, 300, 50.0),
    ("gas_pressure", "stopped", "high_warning", None, 1.25, 34500.0, 1800, 900, 50.0),
    ("gas_pressure", "stopped", "high_limit", None, 2.0, 34500.0, 60, 900, 50.0),
    ("gas_pressure", "running", "low_warning", -500.0, None, None, 10, 60, 50.0),
    ("gas_pressure", "running", "low_not_ready", None, 0.6, None, 5, 60, 50.0),
    ("gas_pressure", "running", "high_not_ready", None, 1.5, None, 5, 60, 50.0),
    ("enclosure_temperature", "stopped", "high_warning", None, None, 50.0, 1800, 900, 2.0),
    ("enclosure_temperature", "stopped", "high_limit", None, None, 60.0, 600, 900, 2.0),
    ("gas_supply_pressure", "stopped", "low_warning", None, 0.8, None, 300, 900, 50.0),
]


def test_the_defaults_are_those_of_the_trade():
    rows = [
        (
            *(row.signal, row.mode, f"{row.side}_{row.level}", row.from_normal, row.times_normal, row.at),
            *(row.on_delay_ns // SECOND_NS, row.off_delay_ns // SECOND_NS, row.deadband),
        )
        for row in load_limits(None, FLEET).rows("mill-1")
    ]
    assert rows == DEFAULTS
    assert parse_limits("", FLEET).text == ""


def test_every_default_has_its_source_in_a_comment_right_before_it():
    lines = default_text().splitlines()
    values = [number for number, line in enumerate(lines) if re.match(r"[a-z_]+ *=", line)]
    assert len(values) > 30, "the pattern finds the rows"
    sourced = re.compile(r"common practice|NFPA|BCI|EN 334|\bread\b|contract|our choice", re.I)
    for number in values:
        assert lines[number - 1].startswith("# "), f"line {number + 1} has no comment before it: {lines[number]}"
        assert sourced.search(lines[number - 1]), f"line {number} names no source: {lines[number - 1]}"


def test_thresholds_of_conditions_come_as_ns_and_numbers():
    limits = load_limits(None, FLEET)
    assert limits.condition("mill-1", "readings_missing") == {
        "usual_gaps": 5,
        "least": HOUR_NS,
        "link_offline": 15 * MINUTE_NS,
    }
    assert limits.condition("mill-1", "control_not_in_auto")["on_delay"] == 15 * MINUTE_NS
    assert limits.condition("mill-1", "low_coolant_level")["off_delay"] == 60 * SECOND_NS
    assert limits.condition("mill-1", "clock_wrong")["off_delay"] == HOUR_NS
    assert limits.condition("mill-1", "vent_blocked") == {}


def test_unit_goes_before_site_before_fleet_key_by_key():
    text = """
    [fleet.jacket_water_temperature.stopped]
    low_limit = { at = 31.0, deadband = 1.0 }
    [sites.mill.jacket_water_temperature.stopped]
    low_limit = { at = 30.0, on_delay = "2 min" }
    [units.mill-1.jacket_water_temperature.stopped]
    low_limit = { at = 29.0 }
    """
    of_unit = row_of(text, "mill-1", "jacket_water_temperature", "stopped", "low_limit")
    of_site = row_of(text, "mill-2", "jacket_water_temperature", "stopped", "low_limit")
    of_fleet = row_of(text, "weir-1", "jacket_water_temperature", "stopped", "low_limit")
    assert of_unit is not None
    assert of_site is not None
    assert of_fleet is not None
    assert (of_unit.at, of_unit.on_delay_ns, of_unit.deadband, of_unit.from_normal) == (29.0, 2 * MINUTE_NS, 1.0, -5.0)
    assert (of_site.at, of_site.on_delay_ns) == (30.0, 2 * MINUTE_NS)
    assert (of_fleet.at, of_fleet.on_delay_ns, of_fleet.off_delay_ns) == (31.0, 5 * MINUTE_NS, 15 * MINUTE_NS)


def test_false_switches_a_level_off_and_a_table_below_switches_it_on_again():
    text = """
    [fleet.gas_pressure.stopped]
    low_warning = false
    [units.mill-1.gas_pressure.stopped]
    low_warning = true
    """
    assert row_of(text, "mill-2", "gas_pressure", "stopped", "low_warning") is None
    again = row_of(text, "mill-1", "gas_pressure", "stopped", "low_warning")
    assert again is not None
    assert again.times_normal == 0.85


def test_a_bound_can_be_taken_away_and_the_other_way_to_say_it_replaces_the_first():
    text = """
    [fleet.gas_pressure.stopped]
    low_limit = { times_normal = false }
    high_warning = { from_normal = 900 }
    """
    low = row_of(text, "mill-1", "gas_pressure", "stopped", "low_limit")
    high = row_of(text, "mill-1", "gas_pressure", "stopped", "high_warning")
    assert low is not None
    assert (low.times_normal, low.at) == (None, 1000.0)
    assert high is not None
    assert (high.times_normal, high.from_normal) == (None, 900.0)


def test_the_battery_type_decides_where_voltage_tells_charge():
    agm = row_of("", "weir-1", "battery_voltage", "stopped", "low_warning")
    nickel = row_of("", "weir-2", "battery_voltage", "stopped", "low_warning")
    assert agm is not None
    assert (agm.at, agm.from_normal) == (13.0, -0.5)
    assert nickel is not None
    assert (nickel.at, nickel.from_normal) == (None, -0.5)
    assert row_of("", "weir-2", "battery_voltage", "stopped", "low_limit") is None
    sealed = row_of("", "weir-1", "battery_voltage", "stopped", "high_warning")
    assert sealed is not None
    assert sealed.on_delay_ns == 14 * HOUR_NS  # never equalised
    sealed = row_of("", "weir-1", "battery_voltage", "stopped", "high_limit")
    assert sealed is not None
    assert sealed.at == 15.0


def test_what_a_file_says_for_the_fleet_goes_before_the_default_of_a_battery_type():
    text = "[fleet.battery_voltage.stopped]\nlow_warning = { at = 12.6 }\n"
    agm = row_of(text, "weir-1", "battery_voltage", "stopped", "low_warning")
    assert agm is not None
    assert agm.at == 12.6


def test_units_that_no_table_names_share_their_rows():
    limits = parse_limits("[units.mill-2.gas_pressure.stopped]\nlow_warning = false\n", FLEET)
    fleet = parse_fleet('[sites.s]\n[units.a]\nsite = "s"\n[units.b]\nsite = "s"\n')
    shared = load_limits(None, fleet)
    assert shared.rows("a") is shared.rows("b")
    assert limits.rows("mill-1") is not limits.rows("mill-2")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[fleet.gas_pressure.stopped]\nhigh_limt = false", 'high_limt is no level. Did you mean "high_limit"?'),
        ("[fleet.gas_pressure.stoped]", 'stoped is not known here. Did you mean "stopped"?'),
        ("[fleet.gas_presure.stopped]", 'gas_presure is no signal with limits. Did you mean "gas_pressure"?'),
        ("[fleet.engine_running.stopped]", "engine_running is a switch and has no limits"),
        ("[fleet.engine_speed.running]", "engine_speed has no limits of its own"),
        ("[fleet.gas_supply_pressure.stopped]\nhigh_limit = { at = 1 }", "high_limit would raise no condition"),
        ("[sites.mil.gas_pressure.stopped]", '"mil" is no site of the fleet file. Did you mean "mill"?'),
        ("[units.mill-3.gas_pressure.stopped]", '"mill-3" is no unit of the fleet file. Did you mean "mill-'),
        ("[battery_types.lead]", '"lead" is no battery type'),
        ("[flet]", 'flet is not known here. Did you mean "fleet"?'),
        ("[fleet.gas_pressure.stopped]\nlow_limit = 3", "low_limit is 3, where a table or false was expected"),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { on_delay = 5 }", "on_delay is 5, where a duration was expected"),
        ('[fleet.gas_pressure.stopped]\nlow_limit = { on_delay = "5 minutes" }', '"5 minutes" is no duration'),
        ('[fleet.gas_pressure.stopped]\nlow_limit = { on_delay = "-5 s" }', '"-5 s" is no duration'),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { deadband = -1 }", "deadband is -1, which lies outside 0"),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { at = nan }", "at is nan, where a number was expected"),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { times_normal = 0 }", "times_normal is 0, where a number above 0"),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { from_normal = 1, times_normal = 1 }", "Keep one of the two."),
        ("[fleet.gas_pressure.stopped]\nlow_limit = { att = 1 }", 'att is not known here. Did you mean "at"?'),
        ("[fleet.conditions.vent_bloked]", 'vent_bloked is no condition. Did you mean "vent_blocked"?'),
        (
            "[fleet.conditions.readings_missing]\nleest = 3",
            'leest is no threshold of readings_missing. Did you mean "least"?',
        ),
        ('[fleet.conditions.clock_wrong]\noff_delay = "1 hour"', '"1 hour" is no duration'),
        ("[fleet.conditions.readings_missing]\nusual_gaps = -1", "usual_gaps is -1, where a number from 0 on"),
    ],
)
def test_a_fault_is_said_with_its_place_and_what_to_do(text: str, sentence: str):
    faults = faults_of(text)
    assert sentence in faults
    assert faults.startswith("limits.toml")
    assert "\n" not in faults, "one fault, one sentence"


@pytest.mark.parametrize(
    ("rows", "named"),
    [
        ("low_warning = { at = 61 }", ("low_warning", "high_warning")),
        ("low_limit = { at = 35 }", ("low_limit", "low_warning")),
        ("low_not_ready = { at = 33 }", ("low_not_ready", "low_limit")),
        ("high_limit = { at = 59 }", ("high_warning", "high_limit")),
        ("low_warning = { at = 60 }", ("low_warning", "high_warning")),
        ("low_limit = { from_normal = -3 }", ("low_limit", "low_warning")),
    ],
)
def test_limits_lie_beyond_warnings_and_low_below_high(rows: str, named: tuple[str, str]):
    faults = faults_of(f"[fleet.jacket_water_temperature.stopped]\n{rows}\n")
    assert all(name in faults for name in named)
    assert "as it holds for unit mill-1 and 3 more" in faults


def test_a_fault_that_only_merging_shows_names_the_unit():
    faults = faults_of("[units.mill-2.gas_pressure.running]\nhigh_warning = { at = 9000 }\n")
    assert faults.startswith(
        "limits.toml, as it holds for unit mill-2, gas_pressure.running, high_warning: on_delay and"
    )


def test_a_row_without_any_bound_is_refused():
    assert "no bound is left" in faults_of("[fleet.gas_pressure.stopped]\nlow_warning = { times_normal = false }\n")


def test_a_missing_file_and_broken_toml_are_said(tmp_path: Path):
    with pytest.raises(LimitsError, match="cannot be read: No such file"):
        load_limits(tmp_path / "limits.toml", FLEET)
    assert "line 1" in faults_of("[fleet\n")


def test_the_text_of_the_file_is_kept_as_it_was(tmp_path: Path):
    text = "# why\n[fleet.gas_pressure.stopped]\nlow_warning = false\n"
    (tmp_path / "limits.toml").write_text(text)
    assert load_limits(tmp_path / "limits.toml", FLEET).text == text


def test_every_row_names_a_condition_that_exists():
    assert set(CONDITION_OF.values()) <= set(CONDITIONS)
    assert all(row.condition in CONDITIONS for row in load_limits(None, FLEET).rows("mill-1"))
