"""Scenario files: what they may say, and every fault of one in one go."""

import re
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.fleet import parse_fleet
from simulator.climate import CLIMATES
from simulator.faults import FaultKind
from simulator.fleet import PRESETS
from simulator.people import rounds
from simulator.scenario import (
    DRAWN_EVENTS,
    EVENTS,
    KEYS,
    SITE_KEYS,
    UNIT_KEYS,
    Scenario,
    load_scenario,
    parse_scenario,
    ready_made,
)
from simulator.toml_door import ScenarioFaults

DAY_NS = 86_400 * 1_000_000_000
BEGIN_NS = 1_767_571_200 * 1_000_000_000  # 2026-01-05
SMALL = 'from = 2026-01-05\ndays = 28\nfleet = "tarn-valley"\n'


def faults_of(text: str) -> list[str]:
    with pytest.raises(ScenarioFaults) as caught:
        parse_scenario(text)
    return list(caught.value.faults)


@pytest.mark.parametrize("name", ready_made())
def test_a_ready_made_scenario_can_be_played_and_says_what_it_is_for(name: str):
    from simulator.scenario import READY_MADE

    scenario = load_scenario(name)
    head = (READY_MADE / f"{name}.toml").read_text("utf-8")
    assert scenario.to_ns > scenario.from_ns
    assert "# What it is for:" in head
    assert "# What to expect:" in head


def test_the_ready_made_ones_are_those_that_the_documentation_names():
    assert ready_made() == (
        *("cold-week", "demo-valley", "every-fault", "healthy-confused", "lone-pump"),
        *("messy-gateways", "one-bad-night", "quiet-year", "slow-decline"),
    )


def test_every_key_and_kind_is_found_in_the_documentation():
    page = (Path(__file__).resolve().parents[2] / "deploy" / "README.md").read_text("utf-8")
    told = set(re.findall(r"[A-Za-z0-9_-]+", page.partition("## Scenarios")[2].partition("## For other")[0]))
    names = {*KEYS, *SITE_KEYS, *UNIT_KEYS, *EVENTS, *CLIMATES, *PRESETS, *(kind.value for kind in FaultKind)}
    assert sorted(names - told) == []


def test_every_kind_of_fault_is_in_every_fault():
    scenario = load_scenario("every-fault")
    assert {fault.kind for fault in scenario.faults} == set(FaultKind)


def test_a_ready_made_fleet_can_be_changed_and_added_to():
    scenario = parse_scenario(
        SMALL
        + '[units.quay-crane]\nbattery_type = "agm"\n[units.new-one]\nsite = "harbour"\n[sites.school]\nname = "S"'
    )
    units = {unit.id: unit for unit in scenario.units}
    assert (units["quay-crane"].battery_type, units["quay-crane"].size) == ("agm", "small")
    assert units["new-one"].site == "harbour"
    assert len(units) == 9


def test_times_are_dates_moments_or_durations_after_the_beginning():
    text = SMALL + "".join(
        f'[[faults]]\nunit = "{unit}"\nkind = "seat_leak"\nfrom = {at}\ngrowth = "36 h"\n'
        for unit, at in (
            ("quay-crane", '"12.5 d"'),
            ("cold-store", "2026-01-17T12:00:00Z"),
            ("clinic-main", "2026-01-17T05:00:00-07:00"),
        )
    )
    scenario = parse_scenario(text)
    assert [fault.from_ns for fault in scenario.faults] == [BEGIN_NS + 12 * DAY_NS + DAY_NS // 2] * 3
    assert {fault.growth_s for fault in scenario.faults} == {129_600.0}


def test_every_fault_of_a_file_is_said_in_one_go_with_what_to_do():
    said = faults_of(
        """
        from = 2026-01-05T00:00:00
        days = "28"
        fleet = "tarn-vally"
        colour = 1
        signals = ["control_in_autos"]
        [units.Quay]
        site = "harbor"
        size = "midium"
        exercise_rule = "FREQ=HOURLY"
        telemetry = "minutes"
        [[faults]]
        unit = "quay-crane"
        kind = "heater_element_opened"
        from = "40 d"
        severity = 2
        [[events]]
        kind = "cold_snapp"
        [[events]]
        kind = "outage"
        unit = "quay-crane"
        from = "2 d"
        """
    )
    expected = [
        ("colour is not known here",),
        ('signals has "control_in_autos"', 'Did you mean "control_in_auto"?'),
        ("from is 2026-01-05T00:00:00, which does not say its offset", "Add Z"),
        ('days is "28", where a number was expected', "without quotes"),
        ('fleet is "tarn-vally"', 'Did you mean "tarn-valley"?'),
        ('[units.Quay]: "Quay" cannot be a name',),
        ('site is "harbor", which this scenario does not have',),
        ('size is "midium"', 'Did you mean "medium"?'),
        ('exercise_rule is "FREQ=HOURLY"', "must begin with FREQ="),
        ('telemetry is "minutes"', 'Did you mean "minute"?'),
        ("faults 1", 'Did you mean "heater_element_open"?'),
        ("faults 1", 'unit is "quay-crane", which this scenario does not have'),
        ("faults 1", "from lies outside the span"),
        ("faults 1", "severity is 2, which lies outside 0 to 1"),
        ("events 1", 'Did you mean "cold_snap"?'),
        ("events 2", "unit is given, but outage happens to a site"),
        ("events 2", "to is missing"),
    ]
    for parts in expected:
        assert any(all(part in sentence for part in parts) for sentence in said), (parts, said)
    assert all(sentence.startswith("scenario.toml") for sentence in said)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("days = 3", "from is missing"),
        ("from = 2026-01-05\nfleet = 'lone-pump'", "give one of days and to"),
        ("from = 2026-01-05\ndays = 3", "there is no unit"),
        ("from = 2026-01-05\nto = 2026-01-04\nfleet = 'lone-pump'", "to lies before from"),
        ("from = ", "is not valid TOML"),
        (SMALL + "[[events]]\nkind = 'equalise'\nat = '3 d'", "unit is missing"),
        (SMALL + "[drawn_faults]\neach = 1\nafter = '40 d'", "nothing drawn has a place"),
        (SMALL + "[drawn_faults]\nvent_blockt = 1", 'Did you mean "vent_blocked"?'),
        (SMALL + "[[faults]]\nunit = 'quay-crane'\nkind = 'seat_leak'\nfrom = '5 d'\nto = '4 d'", "to is not after"),
        (SMALL + "[[faults]]\nunit = 'quay-crane'\nkind = 'seat_leak'\nfrom = '5 d'\nsignal = 'x'", "Take it out"),
        (SMALL + "units = 3", "units is 3, where a table was expected"),
        (SMALL + "faults = 3", "where a list of tables was expected"),
    ],
)
def test_a_fault_is_named(text: str, part: str):
    assert any(part in sentence for sentence in faults_of(text)), faults_of(text)


def test_a_name_that_is_no_scenario_meets_the_one_that_was_meant():
    with pytest.raises(ScenarioFaults, match=r'Did you mean "quiet-year"\?'):
        load_scenario("quite-year")


def test_the_fleet_file_is_one_that_the_program_reads():
    scenario = load_scenario("every-fault")
    fleet = parse_fleet(scenario.fleet_toml)
    assert tuple(fleet.units) == scenario.unit_ids
    for unit in scenario.units:
        read = fleet.units[unit.id]
        assert (read.site, read.blocks, read.battery_type) == (unit.site, unit.blocks, unit.battery_type)
        assert (read.exercise_rule, read.gateway) == (unit.exercise_rule, unit.gateway)
    assert {site.visit_rule for site in fleet.sites.values()} == {site.visit_rule for site in scenario.sites}


def test_names_with_quotes_and_lines_survive_the_fleet_file():
    scenario = parse_scenario(SMALL + "[units.quay-crane]\nname = '''a \"b\" \\ c\n d'''")
    assert parse_fleet(scenario.fleet_toml).units["quay-crane"].name == 'a "b" \\ c\n d'


def test_a_drawn_fault_never_falls_on_another_at_the_same_unit():
    scenario = parse_scenario(SMALL.replace("28", "200") + "[drawn_faults]\neach = 1\nafter = '10 d'")
    by_unit: dict[str, list[tuple[int, int]]] = {}
    for fault in scenario.faults:
        assert fault.from_ns >= BEGIN_NS + 10 * DAY_NS
        by_unit.setdefault(fault.unit, []).append((fault.from_ns, fault.to_ns or scenario.to_ns))
    assert {fault.kind for fault in scenario.faults} == set(FaultKind)
    for spans in by_unit.values():
        assert all(later > end for (_, end), (later, _) in pairwise(spans))


def visited_at(scenario: Scenario, unit: str, at_ns: int, *, after_arrival: timedelta) -> bool:
    came = rounds(scenario.sites, scenario.units, seed=scenario.seed, from_ns=scenario.from_ns, to_ns=scenario.to_ns)
    arrivals = {visit.from_ns for visit in came if scenario.unit_ids[visit.unit] == unit}
    return at_ns - int(after_arrival.total_seconds()) * 1_000_000_000 in arrivals


YEAR = SMALL.replace("28", "300") + "outages = false\n"


def test_drawn_faults_are_repaired_at_the_first_visit_after_they_are_due():
    scenario = parse_scenario(YEAR + "[drawn_faults]\neach = 2\nlasting = ['2 d', '9 d']\n")
    mended = [fault for fault in scenario.faults if fault.at_visit and fault.to_ns is not None]
    assert len(mended) > 40
    for fault in mended:
        assert fault.to_ns is not None
        assert visited_at(scenario, fault.unit, fault.to_ns, after_arrival=timedelta(minutes=40))
        lasted_s = (fault.to_ns - fault.from_ns) / 1e9 - fault.growth_s
        assert 2 * 86_400.0 <= lasted_s <= 16 * 86_400.0 + 7200.0, "due after 2 to 9 days, then within a week"


def test_what_people_leave_behind_begins_at_a_visit():
    scenario = parse_scenario(YEAR + "[drawn_faults]\ncontrol_left_off = 3\nload_left_on = 3\nseat_leak = 3\n")
    began = [
        (fault.kind, visited_at(scenario, fault.unit, fault.from_ns, after_arrival=timedelta(minutes=10)))
        for fault in scenario.faults
    ]
    assert len(began) >= 6
    assert all(at_visit == (kind is not FaultKind.SEAT_LEAK) for kind, at_visit in began)


def test_what_is_wrong_with_a_gateway_is_wrong_for_all_its_units():
    scenario = parse_scenario(
        SMALL + "[[faults]]\nunit = 'quay-crane'\nkind = 'link_down'\nfrom = '3 d'\nto = '5 d'\n"
        "[[faults]]\nunit = 'boiler-house'\nkind = 'charger_no_ac'\nfrom = '3 d'\n"
    )
    down = [fault for fault in scenario.faults if fault.kind is FaultKind.LINK_DOWN]
    assert {fault.unit for fault in down} == {"quay-crane", "cold-store"}, "the two at the harbour's box"
    assert {(fault.from_ns, fault.to_ns) for fault in down} == {(BEGIN_NS + 3 * DAY_NS, BEGIN_NS + 5 * DAY_NS)}
    assert len(scenario.faults) == 3


def test_drawn_events_happen_at_visits_to_units_and_are_small():
    scenario = parse_scenario(YEAR + "[drawn_events]\neach = 3\nbattery_replaced = 5\n")
    kinds = [event.kind for event in scenario.events]
    assert {kind: kinds.count(kind) for kind in DRAWN_EVENTS} == dict.fromkeys(DRAWN_EVENTS, 3) | {
        "battery_replaced": 5
    }
    set_point = {unit.id: unit.set_point for unit in scenario.units}
    for event in scenario.events:
        assert event.from_ns >= BEGIN_NS + 21 * DAY_NS
        assert visited_at(scenario, event.unit, event.from_ns, after_arrival=timedelta(minutes=40))
        if event.kind == "gas_set_point_changed":
            assert 0.95 <= event.size / set_point[event.unit] <= 1.05
        if event.kind == "equalise":
            assert 4 * 3600 <= (event.to_ns - event.from_ns) / 1e9 <= 8 * 3600
        assert (event.signal != "") == (event.kind == "sensor_replaced")


def test_another_seed_draws_other_faults_and_the_same_seed_the_same():
    text = SMALL + "[drawn_faults]\neach = 1\nafter = '10 d'\n"
    assert parse_scenario(text) == parse_scenario(text)
    assert parse_scenario("seed = 5\n" + text).faults != parse_scenario(text).faults
