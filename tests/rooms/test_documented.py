"""Whoever looks for a setting, a command, a condition, a metric or a route finds it in the documentation."""

import re
from functools import cache
from pathlib import Path

import pytest

from monitor.commands import cli
from monitor.conditions import CONDITIONS
from monitor.fleet import SITE_KEYS, UNIT_KEYS
from monitor.limits_file import LEVELS, MODES, ROW_KEYS, SIDES, default_text
from monitor.settings_sources import SETTINGS_VARIABLE, setting_names, variable_name
from monitor.signals import INTERNAL, NAMES

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("README.md", "DEVELOPERS.md", "deploy/README.md", "monitor/limits_default.toml")

# What is not documented, by name and with the reason.
NOT_COMMANDS = {"--help", "-h", "--version"}  # explained by itself


@cache
def documentation() -> str:
    return "\n".join((ROOT / page).read_text("utf-8") for page in PAGES)


@cache
def words() -> frozenset[str]:
    """Words as identifiers are written, in code spans and examples."""
    return frozenset(re.findall(r"[A-Za-z_][A-Za-z0-9_.]*", documentation()))


SETTINGS = [".".join(part for part in path if part != "N") for path, _ in setting_names()]


@pytest.mark.parametrize("name", SETTINGS)
def test_a_setting_is_found_in_the_settings_table(name: str):
    page = (ROOT / "deploy" / "README.md").read_text("utf-8")
    assert re.search(rf"^\| `{re.escape(name)}` \|", page, re.MULTILINE), f"no row for {name} in deploy/README.md"


def test_the_settings_table_has_no_row_that_is_no_setting():
    page = (ROOT / "deploy" / "README.md").read_text("utf-8")
    table = page.split("## Settings", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| `([a-z_.]+)` \|", table, re.MULTILINE)
    assert len(rows) > 40
    assert sorted(set(rows) - set(SETTINGS)) == []


def test_how_a_variable_is_named_is_told_with_an_example_that_is_right():
    page = (ROOT / "deploy" / "README.md").read_text("utf-8")
    named = set(re.findall(r"STILLREADY_[A-Z0-9_]+", page))
    known = {variable_name(path) for path, _ in setting_names()} | {SETTINGS_VARIABLE}
    assert len(named) > 3
    assert {re.sub(r"__\d+(?=__)", "__N", name) for name in named} <= known


def commands() -> list[str]:
    names: list[str] = []
    for name in cli.app:
        if name in NOT_COMMANDS:
            continue
        inner = [sub for sub in cli.app[name] if sub not in NOT_COMMANDS]
        names += [f"{name} {sub}" for sub in inner] or [name]
    return names


@pytest.mark.parametrize("command", commands())
def test_a_command_is_found_in_the_documentation(command: str):
    assert f"`stillready {command}" in documentation() or f"\n    stillready {command}" in documentation()


def test_the_commands_are_those_that_do_something():
    assert sorted(commands()) == [
        "check",
        "demo",
        "history export",
        "history import",
        "quarantine admit",
        "quarantine list",
        "quarantine show",
        "replay",
        "serve",
        "simulate",
    ]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_a_condition_is_found_in_the_documentation(condition: str):
    assert condition in words()


@pytest.mark.parametrize("signal", [name for name in NAMES if name not in INTERNAL])
def test_a_signal_is_found_in_the_documentation(signal: str):
    assert signal in words()


@pytest.mark.parametrize("key", [*SITE_KEYS, *UNIT_KEYS])
def test_a_key_of_the_fleet_file_is_found_in_the_documentation(key: str):
    assert key in words()


def test_every_part_of_the_limits_file_is_found_in_the_documentation():
    parts = {f"{side}_{level}" for side in SIDES for level in LEVELS} | {*MODES, *ROW_KEYS}
    assert sorted(parts - words()) == []


def test_every_threshold_of_a_condition_has_its_default():
    table = re.findall(r"^\[fleet\.conditions\.([a-z_]+)\]", default_text(), re.MULTILINE)
    assert set(table) <= set(CONDITIONS)
    assert {"readings_missing", "control_not_in_auto", "low_coolant_level", "clock_wrong"} <= set(table)


def metric_names() -> list[str]:
    text = (ROOT / "monitor" / "api" / "health.py").read_text("utf-8")
    return sorted(set(re.findall(r"\"(stillready_[a-z_]+)\"", text)))


def test_every_metric_is_found_in_the_documentation():
    names = metric_names()
    assert len(names) >= 6, "the pattern finds the metrics of the contract"
    assert [name for name in names if name.removesuffix("_total") not in documentation()] == []


def routes() -> list[str]:
    """Paths of the API and of the program's own health, as their decorators have them; pages are not for programs."""
    found: list[str] = []
    for module, prefix in (("routes", "/api/v1"), ("events", "/api/v1"), ("health", "")):
        text = (ROOT / "monitor" / "api" / f"{module}.py").read_text("utf-8")
        found += [prefix + path for path in re.findall(r'@router\.(?:get|post)\(\s*"([^"]+)"', text)]
    return sorted(set(found))


@pytest.mark.parametrize("route", routes())
def test_a_route_is_found_in_the_documentation(route: str):
    """Whatever a place in a path is called, {id} or {alarm_id}."""
    assert re.sub(r"\{\w+\}", "{}", route) in re.findall(r"/[a-z0-9/{}.-]+", re.sub(r"\{\w+\}", "{}", documentation()))


def test_the_routes_of_the_contract_are_there():
    assert {"/api/v1/units", "/api/v1/events", "/health/ready", "/metrics"} <= set(routes())
