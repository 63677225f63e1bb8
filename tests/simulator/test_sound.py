"""Sound units are ready: nothing but people at work keeps them from starting, through all weather of the scenarios."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.playing import Truths
from simulator.scenario import Scenario, load_scenario, parse_scenario
from simulator.world import days

COLD = """
seed = 101
from = 2026-01-12
days = 6
fleet = "wide-country"
count = 60
outages = false
[[events]]
kind = "cold_snap"
from = "1 d"
to = "5 d"
size = 6.0
"""


def unattended(scenario: Scenario) -> tuple[list[dict[str, object]], float]:
    """Spans in which a unit was not ready with nobody there, and the coldest outdoor air, Cel."""
    truths, coldest = Truths(scenario), np.inf
    for day in days(scenario):
        truths.add(day)
        coldest = min(coldest, float(day.truth.values["ambient_temperature"].min()))
    lines = [line for _, line in truths.lines() if line["record"] == "not_ready"]
    return [line for line in lines if not line["attended"]], coldest


def with_units(scenario: Scenario, count: int) -> Scenario:
    """The first units of a scenario, with their sites and what happens to them."""
    units = scenario.units[:count]
    ids, sites = {unit.id for unit in units}, {unit.site for unit in units}
    return replace(
        scenario,
        units=units,
        sites=tuple(site for site in scenario.sites if site.id in sites),
        events=tuple(event for event in scenario.events if not event.unit or event.unit in ids),
    )


def test_sound_units_stay_ready_through_the_coldest_days_of_the_coldest_climate():
    scenario = parse_scenario(COLD)
    cold_sites = {site.id for site in scenario.sites if site.climate == "north-valley"}
    units = tuple(unit for unit in scenario.units if unit.site in cold_sites)
    sites = tuple(site for site in scenario.sites if site.id in cold_sites)
    assert len(units) >= 4
    spans, coldest = unattended(replace(scenario, units=units, sites=sites))
    assert coldest < -30.0
    assert spans == []


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("name", "count"), [("quiet-year", 20), ("healthy-confused", 16)])
def test_a_scenario_of_sound_units_has_no_moment_that_is_not_ready_but_for_people_at_work(name: str, count: int):
    spans, _ = unattended(with_units(load_scenario(name), count))
    assert spans == []
