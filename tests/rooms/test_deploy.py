"""What stands in deploy/ works: the broker's settings, the service unit, the examples of the documentation."""

import re
import subprocess
from configparser import ConfigParser
from pathlib import Path

import pytest

from monitor.commands.check import Grade, broker_look
from monitor.commands.cli import app
from monitor.fleet import parse_fleet
from monitor.limits_file import parse_limits
from monitor.settings import Broker
from monitor.settings_sources import load_settings
from tests.brokers import Mosquitto

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"


def examples(page: str, first: str) -> str:
    """The indented block of a page that begins with a line."""
    lines = (ROOT / page).read_text("utf-8").splitlines()
    begin = next(number for number, line in enumerate(lines) if line.strip() == first)
    block: list[str] = []
    for line in lines[begin:]:
        if line and not line.startswith("    "):
            break
        block.append(line.removeprefix("    "))
    return "\n".join(block)


def test_a_broker_starts_with_our_settings_and_lets_nobody_in_without_a_name(tmp_path: Path):
    """Every line but those that name the machine's own files: certificates, passwords, the folder."""
    ours = (DEPLOY / "mosquitto.conf").read_text("utf-8").split("# Gateways from outside", 1)[0]
    lines = [
        line
        for line in ours.splitlines()
        if line and not line.startswith(("#", "listener", "persistence_location", "password_file", "acl_file"))
    ]
    assert "autosave_on_changes true" in lines
    assert "allow_anonymous false" in lines
    broker = Mosquitto(tmp_path / "mosquitto")
    config = tmp_path / "mosquitto" / "mosquitto.conf"
    acl = tmp_path / "mosquitto" / "acl"
    acl.write_text((DEPLOY / "mosquitto.acl").read_text("utf-8"))
    acl.chmod(0o600)
    folder = f"persistence_location {tmp_path / 'mosquitto'}/"
    config.write_text(
        "\n".join(
            [f"listener {broker.port} 127.0.0.1", "user root", folder, f"acl_file {acl}", *lines, "log_dest stderr\n"]
        )
    )
    broker.start()
    try:
        looked = broker_look(Broker(url=broker.url))
    finally:
        broker.stop()
    assert looked.grade is Grade.BAD
    assert "Not authorized" in looked.text


def test_the_service_unit_starts_the_command_with_options_that_exist():
    unit = ConfigParser(interpolation=None, strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]  # its names are told apart by case
    unit.read(DEPLOY / "stillready.service")
    words = unit["Service"]["ExecStart"].split()
    assert words[1:] == ["serve", "--settings", "/etc/stillready/settings.toml"]
    app.parse_args(words[1:], exit_on_error=False, print_error=False)
    assert unit["Service"]["Restart"] == "always"
    assert unit["Unit"]["StartLimitIntervalSec"] == "0", "in [Service] systemd would ignore it"


def test_the_settings_file_of_the_documentation_is_one(tmp_path: Path):
    (tmp_path / "settings.toml").write_text(examples("deploy/README.md", 'data = "/var/lib/stillready"'))
    variables = dict(
        line.split("=", 1)
        for line in examples("deploy/README.md", "STILLREADY_BROKER__PASSWORD=…").splitlines()
        if line
    )
    settings = load_settings(tmp_path / "settings.toml", {}, variables)
    assert settings.broker.password is not None
    assert settings.call_outs.smtp is not None
    assert settings.call_outs.smtp.password is not None
    assert settings.call_outs.webhooks[0].rings_phone


def test_the_secrets_file_of_the_documentation_fits_the_settings_file(tmp_path: Path):
    lines = (DEPLOY / "README.md").read_text("utf-8").split("a webhook is found by its `url`:", 1)[1]
    secrets = "\n".join(line.removeprefix("    ") for line in lines.split("\n## ", 1)[0].splitlines())
    (tmp_path / "secrets.toml").write_text(secrets)
    (tmp_path / "settings.toml").write_text(
        'secrets_file = "secrets.toml"\n' + examples("deploy/README.md", 'data = "/var/lib/stillready"')
    )
    settings = load_settings(tmp_path / "settings.toml", {}, {})
    assert settings.call_outs.webhooks[0].secret.get_secret_value().startswith("whsec_")


@pytest.mark.parametrize("page", ["README.md", "deploy/README.md"])
def test_the_fleet_file_of_the_documentation_is_one(page: str):
    fleet = parse_fleet(examples(page, "[sites.pump-house]"))
    assert list(fleet.units) == ["pump-house-1"]


def test_the_mapping_of_the_documentation_is_one():
    fleet = parse_fleet('[sites.s]\n[units.u]\nsite = "s"\n' + examples("deploy/README.md", "[[mappings]]"))
    assert fleet.mappings[0].topic == "plant/{unit}/batt"


@pytest.mark.parametrize(
    ("page", "first"),
    [
        ("deploy/README.md", "[fleet.jacket_water_temperature.stopped]"),
        ("README.md", "[units.pump-house-1.jacket_water_temperature.stopped]"),
    ],
)
def test_the_limits_of_the_documentation_are_some(page: str, first: str):
    fleet = parse_fleet('[sites.cabin]\n[units.pump-house-1]\nsite = "cabin"\n')
    assert parse_limits(examples(page, first), fleet).rows("pump-house-1")


@pytest.mark.parametrize("script", sorted(path.name for path in DEPLOY.glob("*.sh")))
def test_a_script_is_sound_shell(script: str):
    done = subprocess.run(["bash", "-n", DEPLOY / script], capture_output=True, text=True, check=False)
    assert done.stderr == ""


def test_links_between_pages_lead_somewhere():
    found = [
        f"{page}: {target}"
        for page in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/README.md")
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", (ROOT / page).read_text("utf-8"))
        if not ((ROOT / page).parent / target).exists()
    ]
    assert found == []
