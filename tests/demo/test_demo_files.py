"""The demo's fleet file: the program's own loader reads it, and it says what the simulated units do."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.commands.demo_files import demo_settings, fleet_text
from monitor.commands.demo_story import valley
from monitor.fleet import parse_fleet
from monitor.rules import rule_times
from monitor.times import DAY_NS, from_rfc3339
from simulator.running import exercise_runs

UNITS = valley().units
ZONE = "America/Denver"
FROM_NS = from_rfc3339("2026-09-01T00:00:00Z")
TO_NS = FROM_NS + 120 * DAY_NS  # over the end of daylight saving


@pytest.fixture(scope="module")
def fleet():
    return parse_fleet(fleet_text(valley()))


def test_the_fleet_has_the_units_of_the_simulator_in_their_order(fleet):
    assert fleet.unit_names == tuple(unit.id for unit in UNITS)
    assert all(fleet.units[unit.id].site == unit.site for unit in UNITS)
    assert all(fleet.units[unit.id].blocks == unit.blocks for unit in UNITS)
    assert all(fleet.units[unit.id].gateway == unit.gateway for unit in UNITS)
    assert all(site.visit_rule for site in fleet.sites.values())


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.id)
def test_the_exercise_rule_names_the_runs_that_the_unit_makes(fleet, unit):
    rule = fleet.units[unit.id].exercise_rule
    due = rule_times(rule, ZoneInfo(ZONE), FROM_NS, TO_NS)
    runs = exercise_runs(
        unit.exercise_rule, ZONE, unit=0, unit_id=unit.id, load=0.3, seed=1, from_ns=FROM_NS, to_ns=TO_NS
    )
    made = np.array([run.start_ns for run in runs])
    assert len(due) >= 3
    assert len(made) == len(due)
    late_s = (made - np.array(due)) / 1e9
    assert ((late_s >= 0) & (late_s < 60)).all()


def test_the_settings_take_the_addresses_of_the_demos_own_servers(tmp_path):
    settings = demo_settings(
        data=tmp_path,
        fleet=tmp_path / "fleet.toml",
        listen="127.0.0.1:8460",
        page_url="http://127.0.0.1:8460",
        broker_url="mqtt://127.0.0.1:2000",
        smtp_port=2500,
        webhook_url="http://127.0.0.1:8461/webhook",
        secret="whsec_c2VjcmV0",
    )
    assert settings.call_outs.smtp is not None
    assert settings.call_outs.smtp.port == 2500
    assert settings.call_outs.webhooks[0].secret.get_secret_value() == "whsec_c2VjcmV0"
    assert settings.broker.url == "mqtt://127.0.0.1:2000"
    assert settings.call_outs.retry_first <= 2
