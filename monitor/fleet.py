"""The fleet file: which sites, units and extra signals there are, and when somebody visits.

In: fleet.toml. Out: frozen dataclasses, or every fault of the file in one go. May import: monitor.signals,
monitor.rules, monitor.mappings, monitor.toml_tables, tomllib, tomlkit. Reads, and on request adds a unit to, the file
it is given and nothing else.
"""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from math import isfinite
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ValidationError

from monitor.mappings import MappingRule
from monitor.rules import rule_fault
from monitor.signals import BY_NAME, NAMES, SIGNALS, Signal
from monitor.toml_tables import FileFaults, Table, content_of, did_you_mean, shown

NAME_PATTERN = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")
SIGNAL_PATTERN = re.compile(r"[a-z][a-z0-9_]{0,63}")
FILE_BYTES_MAX = 16_000_000  # 10 000 units with all their fields are some 4 MB
BATTERY_VOLTAGES = (12, 24)
BATTERY_TYPES = ("flooded", "agm", "gel", "nickel_cadmium")
JACKET_HEATERS = ("always", "seasonal", "none")
REGULATOR_VENTS = ("open", "balance_line")

SITE_KEYS = (
    "name",
    "timezone",
    "latitude",
    "longitude",
    "visits",
    "visit_rule",
    "address",
    "access",
    "contacts",
)
UNIT_KEYS = (
    "site",
    "name",
    "battery_nominal_voltage",
    "battery_type",
    "jacket_heater",
    "regulator_vent",
    "exercise_rule",
    "gateway",
    "protects",
    "equipment",
)


class FleetError(FileFaults):
    """A fleet file that cannot be used; the text lists every fault, one a line."""


@dataclass(frozen=True, slots=True)
class Contact:
    """Somebody to tell: role, name, phone, as the file has them."""

    role: str
    name: str
    phone: str


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit that the calendar announces: start and end (its deadline), ns UTC."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Site:
    """A site, with the contract's defaults. assumed: names of the fields that the file does not give."""

    id: str
    name: str
    timezone: str = "UTC"
    latitude: float | None = None
    longitude: float | None = None
    address: str = ""
    access: str = ""
    contacts: tuple[Contact, ...] = ()
    visits: str | None = None  # path as written, relative to the fleet file, or URL
    visit_rule: str | None = None
    assumed: frozenset[str] = frozenset()

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.timezone)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit, with the contract's defaults. assumed: names of the fields that the file does not give."""

    id: str
    site: str
    name: str
    battery_nominal_voltage: int = 12
    battery_type: str = "flooded"
    jacket_heater: str = "always"
    regulator_vent: str = "open"
    exercise_rule: str | None = None
    gateway: str = ""  # the unit's own id where the file names none
    protects: str = ""
    equipment: Mapping[str, str] = field(default_factory=dict)
    assumed: frozenset[str] = frozenset()

    @property
    def blocks(self) -> int:
        """How many 12 V blocks the battery has in series."""
        return self.battery_nominal_voltage // 12


@dataclass(frozen=True, slots=True)
class Fleet:
    """All of it. units and sites by id, in the file's order; signals: the contract's and ours, then the file's own.

    mappings: the file's [[mappings]], those of the settings not among them. folder: where paths in the file begin.
    """

    sites: Mapping[str, Site]
    units: Mapping[str, Unit]
    signals: tuple[Signal, ...] = SIGNALS
    mappings: tuple[MappingRule, ...] = ()
    folder: Path = Path()

    @property
    def unit_names(self) -> tuple[str, ...]:
        """What the unit column of this fleet's batches counts into."""
        return tuple(self.units)

    @property
    def signal_names(self) -> tuple[str, ...]:
        """What the signal column of this fleet's batches counts into; begins with monitor.signals.NAMES."""
        assert tuple(signal.name for signal in self.signals[: len(NAMES)]) == NAMES, "the table comes first"
        return tuple(signal.name for signal in self.signals)


def load_fleet(path: Path) -> Fleet:
    """The fleet that a file describes.

    Args:
        path: fleet.toml.
    Raises:
        FleetError: the file cannot be read or has faults; all of them are listed.
    """
    try:
        if path.stat().st_size > FILE_BYTES_MAX:
            raise FleetError([f"{path} is larger than {FILE_BYTES_MAX // 1_000_000} MB. Is it a fleet file?"])
        text = path.read_text("utf-8")
    except OSError as error:
        raise FleetError([f"{path} cannot be read: {error.strerror}. Name the fleet file with --fleet."]) from None
    except UnicodeDecodeError:
        raise FleetError([f"{path} is no UTF-8 text. Save it as UTF-8."]) from None
    return replace(parse_fleet(text, path.name), folder=path.resolve().parent)


def parse_fleet(text: str, file: str = "fleet.toml") -> Fleet:
    """The fleet that a TOML text describes.

    Args:
        text: the file's.
        file: its name, for the sentences.
    Raises:
        FleetError: every fault.
    """
    try:
        content = content_of(text, file)
    except FileFaults as error:
        raise FleetError(error.faults) from None
    faults: list[str] = []
    whole = Table(file, content, faults)
    whole.only(("sites", "units", "signals", "mappings"))
    sites = {name: _site(name, table) for name, table in whole.tables("sites")}
    units = {name: _unit(name, table, sites) for name, table in whole.tables("units")}
    signals = tuple(_signal(name, table) for name, table in whole.tables("signals"))
    mappings = _mappings(whole, units, {*NAMES, *(signal.name for signal in signals)})
    if not faults and not units:
        faults.append(f'{file} describes no unit. Add one: [units.pump-house-1] with site = "…".')
    if faults:
        raise FleetError(faults)
    return Fleet(sites, units, SIGNALS + signals, mappings)


def add_unit(path: Path, unit: str, site: str, *, battery_nominal_voltage: int | None = None) -> None:
    """Write a unit with its site, and its battery where that is known, into the fleet file; comments and order stay.

    Args:
        path: fleet.toml.
        unit: the new name.
        site: one that the file has.
        battery_nominal_voltage: V; None: not known, the default counts and is shown as assumed.
    Raises:
        FleetError: the name is taken or no name, the site is not in the file, or the file has other faults; it is then
            left as it was.
    """
    import tomlkit

    before = load_fleet(path)
    if unit in before.units:
        raise FleetError([f"{path.name} already has the unit {unit}, at site {before.units[unit].site}."])
    document = tomlkit.parse(path.read_text("utf-8"))
    table = tomlkit.table()
    table["site"] = site
    if battery_nominal_voltage is not None:
        table["battery_nominal_voltage"] = battery_nominal_voltage
    if "units" not in document:
        document["units"] = tomlkit.table(is_super_table=True)
    document["units"][unit] = table
    text = tomlkit.dumps(document)
    parse_fleet(text, path.name)  # refuses a bad name or site before anything is written
    _replace(path, text)


def _replace(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    beside = path.with_name(f".{path.name}.new")
    with beside.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.chmod(path.stat().st_mode & 0o7777)
    beside.replace(path)


def _site(name: str, table: Table) -> Site:
    table.only(SITE_KEYS)
    _check_name(name, "site", table)
    timezone = table.text("timezone", "UTC")
    if timezone not in _zones():
        table.fault(
            f'timezone is "{timezone}", which is no zone of the time zone database, like "America/Denver".'
            f"{_zone_meant(timezone)}"
        )
    visits, visit_rule = table.text("visits") or None, table.text("visit_rule") or None
    if visits and visit_rule:
        table.fault("both visits and visit_rule are given. Keep one of the two.")
    if visits and "://" in visits and not visits.lower().startswith(("http://", "https://")):
        table.fault(f'visits is "{visits}", where a file or an http(s) address was expected. Correct it.')
    _check_rule("visit_rule", visit_rule, table)
    return Site(
        id=name,
        name=table.text("name") or name,
        timezone=timezone,
        latitude=table.number("latitude", -90, 90),
        longitude=table.number("longitude", -180, 180),
        address=table.text("address"),
        access=table.text("access"),
        contacts=tuple(_contact(row) for row in table.rows("contacts", CONTACTS_EXAMPLE)),
        visits=visits,
        visit_rule=visit_rule,
        assumed=frozenset(key for key in SITE_KEYS if key not in table),
    )


CONTACTS_EXAMPLE = 'contacts = [{ role = "monitoring station", name = "…", phone = "…" }]'


def _contact(row: Table) -> Contact:
    row.only(("role", "name", "phone"))
    contact = Contact(row.text("role"), row.text("name"), row.text("phone"))
    if not contact.name and not contact.phone:
        row.fault("neither name nor phone is given. Add one, or take the entry out.")
    return contact


def _unit(name: str, table: Table, sites: Mapping[str, Site]) -> Unit:
    table.only(UNIT_KEYS)
    _check_name(name, "unit", table)
    site = table.text("site")
    if not site and "site" not in table:
        table.fault('site is missing. Say where the unit stands: site = "…".')
    elif site not in sites:
        table.fault(f'site is "{site}", which this file does not have.{did_you_mean(site, sites)}')
    gateway = table.text("gateway") or name
    if gateway != name:
        _check_name(gateway, "gateway", table)
    voltage = table.content.get("battery_nominal_voltage", 12)
    if isinstance(voltage, bool) or voltage not in BATTERY_VOLTAGES:
        table.fault(f"battery_nominal_voltage is {shown(voltage)}, where 12 or 24 was expected.")
        voltage = 12
    exercise_rule = table.text("exercise_rule") or None
    _check_rule("exercise_rule", exercise_rule, table)
    return Unit(
        id=name,
        site=site,
        name=table.text("name") or name,
        battery_nominal_voltage=int(voltage),
        battery_type=table.choice("battery_type", BATTERY_TYPES, "flooded"),
        jacket_heater=table.choice("jacket_heater", JACKET_HEATERS, "always"),
        regulator_vent=table.choice("regulator_vent", REGULATOR_VENTS, "open"),
        exercise_rule=exercise_rule,
        gateway=gateway,
        protects=table.text("protects"),
        equipment=table.texts("equipment"),
        assumed=frozenset(key for key in UNIT_KEYS if key not in table),
    )


def _signal(name: str, table: Table) -> Signal:
    table.only(("unit", "plausible"))
    if not SIGNAL_PATTERN.fullmatch(name):
        table.fault(f'"{name}" cannot name a signal. Use a-z, 0-9 and "_", beginning with a letter, like "vibration".')
    if name in BY_NAME:
        table.fault(f"{name} is a signal that every unit can have. Take this table out, or give it another name.")
    symbol = table.text("unit")
    if not symbol:
        table.fault('unit is missing. Give the symbol of measure (RFC 8428), like unit = "m/s2".')
    span = table.content.get("plausible")
    if not (
        isinstance(span, list)
        and len(span) == 2
        and all(isinstance(end, int | float) and not isinstance(end, bool) and isfinite(end) for end in span)
        and span[0] < span[1]
    ):
        table.fault(f"plausible is {'missing' if span is None else span}. Give least and greatest: [0.0, 50.0].")
        span = [0.0, 1.0]
    return Signal(name, symbol, float(span[0]), float(span[1]))


def _mappings(whole: Table, units: Mapping[str, Unit], signals: set[str]) -> tuple[MappingRule, ...]:
    rules: list[MappingRule] = []
    for row in whole.rows("mappings", '[[mappings]] with topic = "plant/{unit}/batt"'):
        try:
            rule = MappingRule.model_validate(row.content)
        except ValidationError as error:
            known = [entry.alias or name for name, entry in MappingRule.model_fields.items()]
            for problem in error.errors():
                key = ".".join(str(part) for part in problem["loc"])
                if problem["type"] == "extra_forbidden":
                    row.fault(f"{key} is not known here.{did_you_mean(key, known)}")
                else:
                    row.fault(f"{f'{key}: ' if key else ''}{problem['msg'].removeprefix('Value error, ')}")
            continue
        if rule.unit is not None and rule.unit not in units:
            row.fault(f'unit is "{rule.unit}", which this file does not have.{did_you_mean(rule.unit, units)}')
        if rule.signal is not None and rule.signal not in signals:
            row.fault(f'signal is "{rule.signal}", which is not known.{did_you_mean(rule.signal, signals)}')
        rules.append(rule)
    return tuple(rules)


def _check_name(name: str, kind: str, table: Table) -> None:
    if NAME_PATTERN.fullmatch(name):
        return
    meant = re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-._")[:64]
    advice = f' Write it as "{meant}".' if NAME_PATTERN.fullmatch(meant) else ""
    table.fault(
        f'"{name}" cannot name a {kind}: a-z, 0-9, ".", "_", "-" are allowed, at most 64, a letter or digit first.'
        f"{advice}"
    )


def _check_rule(key: str, rule: str | None, table: Table) -> None:
    fault = rule_fault(rule) if rule else None
    if fault:
        table.fault(f'{key} is "{rule}", {fault}')


@cache
def _zones() -> frozenset[str]:
    """Names of the time zone database; finding them walks a folder tree, so once is enough."""
    return frozenset(available_timezones())


def _zone_meant(timezone: str) -> str:
    found = did_you_mean(timezone.replace(" ", "_"), _zones())
    if not found:  # a city alone, or in another continent
        cities = {name.rpartition("/")[2]: name for name in sorted(_zones())}
        city = timezone.replace(" ", "_").rpartition("/")[2].title()
        found = f' Did you mean "{cities[city]}"?' if city in cities else ""
    return found
