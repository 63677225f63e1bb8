"""The fleet file: what it says, what is assumed, and every fault in one go with what to do."""

from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from monitor.fleet import Contact, Fleet, FleetError, add_unit, load_fleet, parse_fleet
from monitor.signals import NAMES

CONTRACT_EXAMPLE = """
[sites.pump-house]
name = "Pump house"
timezone = "America/Denver"
latitude = 39.7
longitude = -105.2
visits = "visits.ics"
address = "1 Mill Lane"
access = "gate code is with the porter"
contacts = [{ role = "monitoring station", name = "Night desk", phone = "+1 555 0100" }]

[units.pump-house-1]
site = "pump-house"
name = "Pump house 1"
battery_nominal_voltage = 24
battery_type = "agm"
jacket_heater = "seasonal"
regulator_vent = "balance_line"
exercise_rule = "FREQ=MONTHLY;BYDAY=1TU;BYHOUR=10"
gateway = "pump-house-box"
protects = "fire pump"
equipment = { heater = "1.5 kW 240 V", battery = "2 x group 31" }

[signals.vibration]
unit = "m/s2"
plausible = [0.0, 50.0]

[[mappings]]
topic = "plant/{unit}/batt"
signal = "battery_voltage"
from = "V"
"""


def faults_of(text: str) -> str:
    with pytest.raises(FleetError) as refused:
        parse_fleet(text)
    return str(refused.value)


def with_unit(lines: str) -> str:
    return f'[sites.mill]\n[units.mill-1]\nsite = "mill"\n{lines}\n'


def test_everything_that_the_contract_names_is_read():
    fleet = parse_fleet(CONTRACT_EXAMPLE)
    site, unit = fleet.sites["pump-house"], fleet.units["pump-house-1"]
    assert (site.name, site.timezone, site.latitude, site.longitude) == ("Pump house", "America/Denver", 39.7, -105.2)
    assert (site.visits, site.address, site.access) == ("visits.ics", "1 Mill Lane", "gate code is with the porter")
    assert site.contacts == (Contact("monitoring station", "Night desk", "+1 555 0100"),)
    assert (unit.site, unit.battery_nominal_voltage, unit.blocks, unit.battery_type) == ("pump-house", 24, 2, "agm")
    assert (unit.jacket_heater, unit.regulator_vent, unit.gateway) == ("seasonal", "balance_line", "pump-house-box")
    assert unit.exercise_rule == "FREQ=MONTHLY;BYDAY=1TU;BYHOUR=10"
    assert unit.equipment == {"heater": "1.5 kW 240 V", "battery": "2 x group 31"}
    assert fleet.signal_names == (*NAMES, "vibration")
    assert (fleet.signals[-1].symbol, fleet.signals[-1].plausible_greatest) == ("m/s2", 50.0)
    assert [(rule.topic, rule.signal, rule.from_) for rule in fleet.mappings] == [
        ("plant/{unit}/batt", "battery_voltage", "V")
    ]
    assert unit.assumed == frozenset()


def test_what_the_file_does_not_say_is_known_as_assumed():
    unit = parse_fleet(with_unit("")).units["mill-1"]
    assert (unit.battery_nominal_voltage, unit.battery_type, unit.gateway) == (12, "flooded", "mill-1")
    assert {"battery_type", "battery_nominal_voltage", "gateway"} <= unit.assumed
    assert "site" not in unit.assumed
    assert "timezone" in parse_fleet(with_unit("")).sites["mill"].assumed


def test_a_site_that_is_not_there_is_named_with_the_one_that_was_meant():
    text = '[sites.pump-house]\n[units.pump-house-2]\nsite = "pump-hous"\n'
    assert faults_of(text) == (
        'fleet.toml, [units.pump-house-2]: site is "pump-hous", which this file does not have. '
        'Did you mean "pump-house"?'
    )


def test_visits_and_visit_rule_together_are_refused():
    text = '[sites.school]\nvisits = "v.ics"\nvisit_rule = "FREQ=DAILY"\n[units.u]\nsite = "school"\n'
    assert faults_of(text) == ("fleet.toml, [sites.school]: both visits and visit_rule are given. Keep one of the two.")


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        ("battery_nominal_voltage = 48", "battery_nominal_voltage is 48, where 12 or 24 was expected."),
        ("battery_nominal_voltage = true", "battery_nominal_voltage is true, where 12 or 24 was expected."),
        ('battery_nominal_voltage = "24"', 'battery_nominal_voltage is "24", where 12 or 24 was expected.'),
        ('battery_type = "AGM"', 'Did you mean "agm"?'),
        ('battery_typ = "agm"', 'battery_typ is not known here. Did you mean "battery_type"?'),
        ('jacket_heater = "sometimes"', 'jacket_heater is "sometimes", where one of always, seasonal, none'),
        ('regulator_vent = "closed"', 'regulator_vent is "closed", where one of open, balance_line'),
        ("protects = 3", "protects is 3, where a text was expected."),
        ('equipment = "heater"', 'equipment is "heater", where a table was expected'),
        ("equipment = { heater = [1] }", "equipment.heater is a list, where a text was expected."),
        ('gateway = "Box 1"', '"Box 1" cannot name a gateway'),
        ('exercise_rule = "FREQ=HOURLY"', "must begin with FREQ= and one of DAILY, WEEKLY, MONTHLY, YEARLY"),
        ('exercise_rule = "weekly"', 'which has "WEEKLY", no part of an iCalendar rule'),
        ('exercise_rule = "FREQ=WEEKLY;BYDAY=TX"', "cannot be read as an iCalendar rule"),
        ('exercise_rule = "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"', "which never comes about."),
        ('exercise_rule = "FREQ=DAILY;UNTIL=20200101T000000Z"', "which never comes about."),
    ],
)
def test_a_units_fault_is_said_with_what_was_expected(lines: str, sentence: str):
    faults = faults_of(with_unit(lines))
    assert sentence in faults
    assert faults.startswith("fleet.toml, [units.mill-1]: ")
    assert "\n" not in faults, "one fault, one sentence"


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        ('timezone = "America/Denvr"', 'Did you mean "America/Denver"?'),
        ('timezone = "Denver"', 'Did you mean "America/Denver"?'),
        ("latitude = 139.7", "latitude is 139.7, which lies outside -90 to 90."),
        ("longitude = nan", "longitude is nan, where a number was expected."),
        ('visits = "ftp://host/v.ics"', "where a file or an http(s) address was expected"),
        ('contacts = "me"', "contacts is no list of tables"),
        ('contacts = [{ role = "porter" }]', "neither name nor phone is given"),
        ('contacts = [{ nam = "porter", phone = "1" }]', 'nam is not known here. Did you mean "name"?'),
    ],
)
def test_a_sites_fault_is_said_with_what_was_expected(lines: str, sentence: str):
    faults = faults_of(f'[sites.mill]\n{lines}\n[units.mill-1]\nsite = "mill"\n')
    assert sentence in faults
    assert faults.startswith("fleet.toml, [sites.mill]")


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (
            '[signals.gas_pressure]\nunit = "Pa"\nplausible = [0, 1]',
            "gas_pressure is a signal that every unit can have",
        ),
        ('[signals.Vibration]\nunit = "m/s2"\nplausible = [0, 1]', '"Vibration" cannot name a signal'),
        ("[signals.vibration]\nplausible = [0, 1]", "unit is missing"),
        ('[signals.vibration]\nunit = "m/s2"', "plausible is missing"),
        ('[signals.vibration]\nunit = "m/s2"\nplausible = [50, 0]', "plausible is [50, 0]"),
        ('[[mappings]]\ntopic = "plant/{unit}"', "says no signal"),
        ('[[mappings]]\ntopic = "plant/{unit}"\nsignal = "battery_volts"', 'Did you mean "battery_voltage"?'),
        ('[[mappings]]\ntopic = "plant/a"\nsignal = "battery_voltage"\nunit = "mill"', 'Did you mean "mill-1"?'),
        ('[[mappings]]\ntopic = "plant/{unit}"\nunit = "mill-1"\nsignal = "battery_voltage"', "Keep one."),
        ('[[mappings]]\ntopic = "plant/{unit}"\nsignal = "battery_voltage"\nfrm = "V"', 'Did you mean "from"?'),
        ("[sitse.x]", 'sitse is not known here. Did you mean "sites"?'),
    ],
)
def test_faults_beside_sites_and_units_are_said_too(table: str, sentence: str):
    assert sentence in faults_of(with_unit("") + table)


def test_every_fault_is_listed_not_only_the_first():
    faults = faults_of(
        '[sites.a]\ntimezone = "Nowhere/None"\nlatitude = 99\n[units.b]\nsite = "c"\nbattery_type = "lead"\n'
    )
    assert len(faults.splitlines()) == 4


def test_broken_toml_is_said_with_its_line():
    assert "line 2" in faults_of("[sites.a]\nname = \n")


def test_a_file_without_a_unit_is_no_fleet():
    assert "describes no unit" in faults_of("[sites.a]\n")


def test_a_missing_file_is_said_by_name(tmp_path: Path):
    with pytest.raises(FleetError, match=r"fleet\.toml cannot be read: No such file"):
        load_fleet(tmp_path / "fleet.toml")


def test_paths_in_the_file_begin_where_it_stands(tmp_path: Path):
    (tmp_path / "fleet.toml").write_text(with_unit(""))
    assert load_fleet(tmp_path / "fleet.toml").folder == tmp_path


@given(st.text(max_size=70))
def test_a_name_is_taken_exactly_where_the_contract_allows_it(name: str):
    """Law: the contract's pattern, [a-z0-9][a-z0-9._-]{0,63}, spelled out a second time."""
    allowed = (
        1 <= len(name) <= 64
        and all(character in "abcdefghijklmnopqrstuvwxyz0123456789._-" for character in name)
        and name[0] not in "._-"
    )
    text = tomlkit.dumps({"sites": {"mill": {}}, "units": {name: {"site": "mill"}}})
    if allowed:
        assert list(parse_fleet(text).units) == [name]
    else:
        assert "cannot name a unit" in faults_of(text)


def test_an_added_unit_leaves_comments_and_order_as_they_were(tmp_path: Path):
    path = tmp_path / "fleet.toml"
    before = '# the valley\n[sites.mill] # old\nname = "Mill"\n\n[units.mill-1]\nsite = "mill" # first\n'
    path.write_text(before)
    add_unit(path, "mill-2", "mill")
    after = path.read_text()
    assert after.startswith(before.rstrip("\n"))
    assert list(load_fleet(path).units) == ["mill-1", "mill-2"]
    assert load_fleet(path).units["mill-2"].site == "mill"


@pytest.mark.parametrize(
    ("unit", "site", "sentence"),
    [
        ("mill-1", "mill", "already has the unit mill-1"),
        ("Mill 2", "mill", "cannot name a unit"),
        ("mill-2", "mil", 'Did you mean "mill"?'),
    ],
)
def test_a_unit_that_cannot_be_added_leaves_the_file_untouched(tmp_path: Path, unit: str, site: str, sentence: str):
    path = tmp_path / "fleet.toml"
    path.write_text(with_unit(""))
    with pytest.raises(FleetError) as refused:
        add_unit(path, unit, site)
    assert sentence in str(refused.value)
    assert path.read_text() == with_unit("")
    assert [file.name for file in tmp_path.iterdir()] == ["fleet.toml"], "nothing is left beside it"


def test_the_signals_of_the_contract_come_first_in_every_fleet():
    fleet: Fleet = parse_fleet(with_unit('[signals.a_first]\nunit = "V"\nplausible = [0, 1]'))
    assert fleet.signal_names[: len(NAMES)] == NAMES
