"""Scenarios: which units, which weather, how long, what goes wrong and what people do, read from a TOML file.

In: a scenario file, or the name of a ready-made one. Out: a Scenario, or every fault of the file in one go. May import:
numpy, tomllib, simulator. Reads the file it is given and those in simulator/scenarios.

    seed = 7                       # same seed, same bytes
    from = 2026-01-05              # or a time with its offset
    days = 28                      # or to = …
    fleet = "tarn-valley"          # a ready-made fleet, and [sites.X], [units.X] to change or add to it
    count = 100                    # units, where the fleet is wide-country
    telemetry = "minute"           # how units report that do not say otherwise
    signals = ["control_in_auto"]  # reported beside the four needed ones; ["all"] for all there are
    outages = true                 # mains fail by chance too, not in [[events]] alone

    [units.quay-crane]
    battery_type = "agm"

    [[faults]]
    unit = "quay-crane"
    kind = "heater_element_open"
    from = "12 d"                  # after the beginning; or a time
    to = "15 d"                    # repaired; left out: not within the span
    severity = 1.0                 # 0 to 1
    growth = "2 d"                 # from nothing to there

    [drawn_faults]                 # so many more a kind, at units and times that chance draws
    each = 2                       # of every kind
    vent_blocked = 5               # or of one
    after = "21 d"                 # none before
    lasting = ["2 d", "9 d"]       # from full growth until due; then mended at the next visit, or by who was called

    [drawn_events]                 # so many more of what people do at units, at visits that chance draws
    each = 2                       # of every kind in DRAWN_EVENTS
    battery_replaced = 5           # or of one
    after = "21 d"                 # none before

    [[events]]
    kind = "cold_snap"             # see EVENTS
    site = "harbour"               # or unit = …; left out: everywhere
    from = "10 d"
    to = "14 d"
    size = 12.0
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import available_timezones

import numpy as np

from simulator.chance import SECOND_NS, even, keys
from simulator.climate import CLIMATES
from simulator.faults import SENSOR_KINDS, WORK_NS, Fault, FaultKind, People, at_gateways, drawn_faults
from simulator.fleet import (
    BATTERY_TYPES,
    HEATERS,
    PRESETS,
    SIZES,
    TABLE,
    TIMEZONES,
    UNITS_MAX,
    WEEKLY_VISIT,
    Site,
    Unit,
    fleet_toml,
)
from simulator.gateways import GATEWAYS, SIGNALS
from simulator.people import rounds
from simulator.running import rule_fault
from simulator.toml_door import ScenarioFaults, Table, did_you_mean, shown

READY_MADE = Path(__file__).parent / "scenarios"
FILE_BYTES_MAX = 4_000_000
DAY_NS = 86_400 * SECOND_NS
DAYS_MAX = 10 * 366
DRAWN_MAX = 10_000  # faults that chance may draw
NEEDED = SIGNALS[:4]
EVENTS: Mapping[str, tuple[str, str, float, float, float]] = {
    # kind: (where, what size is, default, least, greatest)
    "cold_snap": ("site", "K colder", 12.0, 0.0, 40.0),
    "heat_wave": ("site", "K warmer", 8.0, 0.0, 30.0),
    "storm": ("site", "m/s more wind", 8.0, 0.0, 30.0),
    "still_fog": ("site", "share of wind and sun taken away", 0.8, 0.0, 1.0),
    "outage": ("site", "", 0.0, 0.0, 0.0),
    "equalise": ("unit", "", 0.0, 0.0, 0.0),
    "battery_replaced": ("unit", "", 0.0, 0.0, 0.0),
    "sensor_replaced": ("unit", "", 0.0, 0.0, 0.0),
    "gas_set_point_changed": ("unit", "Pa, the new set point", 2740.0, 500.0, 15_000.0),
    "heater_set_point_changed": ("unit", "K, by which the band is moved", -5.0, -20.0, 20.0),
}
LASTING = frozenset(("cold_snap", "heat_wave", "storm", "still_fog", "outage", "equalise"))
WORKED = frozenset(("battery_replaced", "sensor_replaced", "gas_set_point_changed", "heater_set_point_changed"))
"""What people do with doors open and the switch off."""
DRAWN_EVENTS = ("equalise", *sorted(WORKED))
"""What chance draws of what people do to sound units."""
EQUALISED_S = (4 * 3600.0, 8 * 3600.0)  # an equalising charge, least and most (common practice: hours)
GAS_MOVED = 0.05  # of its set point, by which a fitter moves a sound regulator at most (our choice)
HEATER_MOVED_K = 3.0  # by which a sound heater's thermostat is turned at most (our choice)
WEATHER_EVENTS = frozenset(("cold_snap", "heat_wave", "storm", "still_fog"))

KEYS = (
    *("seed", "from", "to", "days", "fleet", "count", "telemetry", "signals", "outages"),
    *("sites", "units", "faults", "drawn_faults", "events", "drawn_events"),
)
SITE_KEYS = ("name", "climate", "timezone", "visit_rule")
UNIT_KEYS = (
    *(
        "site",
        "name",
        "size",
        "blocks",
        "battery_type",
        "set_point",
        "heater",
        "cold_heater",
        "space_heater",
        "exercise_rule",
    ),
    *("exercise_load", "outage_load", "gateway", "telemetry", "protects", "equipment"),
)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that people or the weather do. site, unit: where; both '' everywhere. to_ns: 0 where it is a moment.

    size: as EVENTS says. signal: of a sensor that was replaced.
    """

    kind: str
    from_ns: int
    to_ns: int
    size: float
    site: str = ""
    unit: str = ""
    signal: str = ""


@dataclass(frozen=True, slots=True)
class Scenario:
    """All that a simulation follows from.

    outages: whether the mains fail by chance too, not in [[events]] alone. signals: that units report.
    """

    name: str
    seed: int
    from_ns: int
    to_ns: int
    sites: tuple[Site, ...]
    units: tuple[Unit, ...]
    faults: tuple[Fault, ...] = ()
    events: tuple[Event, ...] = ()
    outages: bool = True
    signals: tuple[str, ...] = NEEDED

    @property
    def unit_ids(self) -> tuple[str, ...]:
        """The rows of everything [unit, …]."""
        return tuple(unit.id for unit in self.units)

    @property
    def fleet_toml(self) -> str:
        """The fleet file that describes the units to the program."""
        return fleet_toml(self.sites, self.units)


def ready_made() -> tuple[str, ...]:
    """Names of the scenarios that come with the program."""
    return tuple(sorted(path.stem for path in READY_MADE.glob("*.toml")))


def load_scenario(name_or_path: str) -> Scenario:
    """The scenario of a file, or a ready-made one by its name.

    Args:
        name_or_path: a file that is there, or one of ready_made().
    Raises:
        ScenarioFaults: it is not there, cannot be read, or has faults; all of them are listed.
    """
    path = Path(name_or_path)
    if not path.suffix and not path.exists():
        path = READY_MADE / f"{name_or_path}.toml"
        if not path.exists():
            meant = did_you_mean(name_or_path, ready_made())
            raise ScenarioFaults([f'"{name_or_path}" is no file and no ready-made scenario.{meant}'])
    try:
        if path.stat().st_size > FILE_BYTES_MAX:
            raise ScenarioFaults([f"{path} is larger than {FILE_BYTES_MAX // 1_000_000} MB. Is it a scenario?"])
        text = path.read_text("utf-8")
    except OSError as error:
        raise ScenarioFaults([f"{path} cannot be read: {error.strerror}. Check the path."]) from None
    except UnicodeDecodeError:
        raise ScenarioFaults([f"{path} is no UTF-8 text. Save it as UTF-8."]) from None
    return parse_scenario(text, path.name)


def parse_scenario(text: str, file: str = "scenario.toml") -> Scenario:
    """The scenario that a TOML text describes.

    Args:
        file: its name, for the sentences.
    Raises:
        ScenarioFaults: every fault.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioFaults(
            [f"{file} is not valid TOML: {error}. Mend that line first, nothing else was read."]
        ) from None
    faults: list[str] = []
    whole = Table(file, content, faults)
    whole.only(KEYS)
    seed = whole.whole("seed", 1, 0, 2**62)
    from_ns, to_ns = _span(whole)
    sites, units = _fleet(whole, seed)
    given = [fault for row in whole.rows("faults") if (fault := _fault(row, units, from_ns, to_ns)) is not None]
    events = [event for row in whole.rows("events") if (event := _event(row, sites, units, from_ns, to_ns)) is not None]
    people = _people(sites, units, seed, from_ns, to_ns) if to_ns > from_ns else People({}, {})
    given = at_gateways(given, people.beside)
    drawn = _drawn(whole, seed, units, given, people, from_ns, to_ns)
    events += _drawn_events(whole, seed, units, people, from_ns, to_ns)
    outages, signals = whole.yes("outages", True), _signals(whole)
    if faults:
        raise ScenarioFaults(faults)
    return Scenario(
        name=Path(file).stem,
        seed=seed,
        from_ns=from_ns,
        to_ns=to_ns,
        sites=tuple(sites.values()),
        units=tuple(units.values()),
        faults=tuple(sorted((*given, *drawn), key=lambda fault: (fault.from_ns, fault.unit, fault.kind, fault.signal))),
        events=tuple(
            sorted(events, key=lambda event: (event.from_ns, event.kind, event.site, event.unit, event.signal))
        ),
        outages=outages,
        signals=signals,
    )


def _span(whole: Table) -> tuple[int, int]:
    """Begin and end, ns UTC, on whole minutes."""
    begin = whole.time_ns("from")
    if "from" not in whole:
        whole.fault("from is missing. Say when the simulation begins: from = 2026-01-05.")
    begin = (begin or 0) // (60 * SECOND_NS) * 60 * SECOND_NS
    if ("to" in whole) == ("days" in whole):
        whole.fault("give one of days and to: days = 28.")
    if "to" in whole:
        end = whole.time_ns("to", begin_ns=begin)
        if end is not None and not begin < end <= begin + DAYS_MAX * DAY_NS:
            whole.fault(f"to lies before from, or more than {DAYS_MAX} days after it. Correct it.")
        return begin, max(end or 0, begin + DAY_NS)
    return begin, begin + int(whole.number("days", 1.0, 1.0 / 24.0, DAYS_MAX) * 1440) * 60 * SECOND_NS


def _signals(whole: Table) -> tuple[str, ...]:
    """What units report, in the order of SIGNALS."""
    named = whole.content.get("signals", [])
    if not isinstance(named, list) or not all(isinstance(name, str) for name in named):
        whole.fault(f'signals is {shown(named)}, where a list of texts was expected: signals = ["control_in_auto"].')
        return NEEDED
    if named == ["all"]:
        return SIGNALS
    for name in named:
        if name not in SIGNALS:
            whole.fault(f'signals has "{name}", which is no signal.{did_you_mean(name, SIGNALS)}')
    return tuple(signal for signal in SIGNALS if signal in NEEDED or signal in named)


def _fleet(whole: Table, seed: int) -> tuple[dict[str, Site], dict[str, Unit]]:
    count = whole.whole("count", 100, 1, UNITS_MAX)
    site_tables: TABLE = {}
    unit_tables: TABLE = {}
    if "fleet" in whole:
        name = whole.choice("fleet", tuple(PRESETS), next(iter(PRESETS)))
        site_tables, unit_tables = PRESETS[name](count, seed)
    elif not whole.content.get("units"):
        whole.fault(
            f"there is no unit. Name a ready-made fleet, or write [units.NAME].{did_you_mean('', tuple(PRESETS))}"
        )
    telemetry = whole.text("telemetry", "minute")
    _check_profile(whole, telemetry)
    sites = {name: _site(name, table) for name, table in _merged(whole, "sites", site_tables)}
    units = {name: _unit(name, table, sites, telemetry) for name, table in _merged(whole, "units", unit_tables)}
    if len(units) > UNITS_MAX:
        whole.fault(
            f"there are {len(units)} units, at most {UNITS_MAX} can be simulated at a time. Split the scenario."
        )
    return sites, units


def _merged(whole: Table, key: str, tables: TABLE) -> list[tuple[str, Table]]:
    """The tables of a ready-made fleet under those of the file, which change or add to them."""
    own = dict(whole.tables(key))
    merged = [
        (
            name,
            Table(
                f"{whole.place}, [{key}.{name}]",
                {**content, **(own[name].content if name in own else {})},
                whole.faults,
            ),
        )
        for name, content in tables.items()
    ]
    return merged + [(name, table) for name, table in own.items() if name not in tables]


def _site(name: str, table: Table) -> Site:
    table.only(SITE_KEYS)
    if "climate" not in table:
        table.fault(f"climate is missing.{did_you_mean('', tuple(CLIMATES))}")
    climate = table.choice("climate", tuple(CLIMATES), next(iter(CLIMATES)))
    timezone = table.text("timezone", TIMEZONES.get(climate, "UTC"))
    if timezone not in available_timezones():
        meant = did_you_mean(timezone, sorted(available_timezones()))
        table.fault(f'timezone is "{timezone}", which is no zone of the time zone database.{meant}')
        timezone = "UTC"
    return Site(name, table.text("name", name), climate, timezone, _rule(table, "visit_rule", WEEKLY_VISIT))


def _unit(name: str, table: Table, sites: Mapping[str, Site], telemetry: str) -> Unit:
    table.only(UNIT_KEYS)
    site = table.text("site")
    if "site" not in table:
        table.fault('site is missing. Say where the unit stands: site = "…".')
    elif site not in sites:
        table.fault(f'site is "{site}", which this scenario does not have.{did_you_mean(site, tuple(sites))}')
    default = Unit(name, name, site)
    profile = table.text("telemetry", telemetry)
    if "telemetry" in table:
        _check_profile(table, profile)
    return Unit(
        id=name,
        name=table.text("name", name),
        site=site,
        size=table.choice("size", SIZES, default.size),
        blocks=table.whole("blocks", default.blocks, 1, 2),
        battery_type=table.choice("battery_type", BATTERY_TYPES, default.battery_type),
        set_point=table.number("set_point", default.set_point, 1_000.0, 10_000.0),
        heater=table.choice("heater", HEATERS, default.heater),
        cold_heater=table.yes("cold_heater", default.cold_heater),
        space_heater=table.yes("space_heater", default.space_heater),
        exercise_rule=_rule(table, "exercise_rule", default.exercise_rule),
        exercise_load=table.number("exercise_load", default.exercise_load, 0.0, 1.0),
        outage_load=table.number("outage_load", default.outage_load, 0.0, 1.0),
        gateway=table.text("gateway", name),
        telemetry=profile,
        protects=table.text("protects"),
        equipment=table.texts("equipment"),
    )


def _check_profile(table: Table, profile: str) -> None:
    if profile not in GATEWAYS:
        table.fault(f'telemetry is "{profile}", which is no way of reporting.{did_you_mean(profile, tuple(GATEWAYS))}')


def _rule(table: Table, key: str, default: str) -> str:
    rule = table.text(key, default)
    wrong = rule_fault(rule) if rule else None
    if wrong:
        table.fault(f'{key} is "{rule}", {wrong}')
        return default
    return rule


def _fault(row: Table, units: Mapping[str, Unit], begin_ns: int, end_ns: int) -> Fault | None:
    row.only(("unit", "kind", "from", "to", "severity", "growth", "signal"))
    kinds = tuple(kind.value for kind in FaultKind)
    kind = row.text("kind")
    if kind not in kinds:
        row.fault(f'kind is "{kind}", which is no kind of fault.{did_you_mean(kind, kinds)}')
    unit = _known(row, "unit", units)
    from_ns, to_ns = _times(row, begin_ns, end_ns)
    signal = row.text("signal")
    if kind in SENSOR_KINDS:
        signal = row.choice("signal", NEEDED, NEEDED[0])
    elif signal:
        row.fault(f"signal stands for a sensor's fault, and kind is {kind}. Take it out.")
    severity, growth_s = row.number("severity", 1.0, 0.0, 1.0), row.duration_s("growth", 0.0)
    if kind not in kinds or unit is None or from_ns is None:
        return None
    return Fault(unit, FaultKind(kind), from_ns, to_ns, severity, growth_s, signal)


def _event(
    row: Table, sites: Mapping[str, Site], units: Mapping[str, Unit], begin_ns: int, end_ns: int
) -> Event | None:
    row.only(("kind", "site", "unit", "from", "to", "at", "size", "signal"))
    kind = row.text("kind")
    if kind not in EVENTS:
        row.fault(f'kind is "{kind}", which is no kind of event.{did_you_mean(kind, tuple(EVENTS))}')
        return None
    where, what, default, least, greatest = EVENTS[kind]
    place = _known(row, where, sites if where == "site" else units) if where in row or where == "unit" else ""
    other = "unit" if where == "site" else "site"
    if other in row:
        row.fault(f"{other} is given, but {kind} happens to a {where}. Name the {where}.")
    if kind in LASTING:
        from_ns, to_ns = _times(row, begin_ns, end_ns)
        if to_ns is None:
            row.fault(f"to is missing. Say when the {kind} is over.")
    else:
        from_ns, to_ns = row.time_ns("at", begin_ns=begin_ns), 0
        if from_ns is None and "at" not in row:
            row.fault('at is missing. Say when: at = "12 d".')
        elif from_ns is not None and not begin_ns <= from_ns < end_ns:
            row.fault("at lies outside the span of the scenario. Correct it.")
    if "size" in row and not what:
        row.fault(f"size says nothing for a {kind}. Take it out.")
    signal = row.choice("signal", NEEDED, NEEDED[0]) if kind == "sensor_replaced" else ""
    size = row.number("size", default, least, greatest) if what else 0.0
    if place is None or from_ns is None or to_ns is None:
        return None
    site, unit = (place, "") if where == "site" else ("", place)
    return Event(kind, from_ns, to_ns, size, site, unit, signal)


def _known(row: Table, key: str, known: Mapping[str, object]) -> str | None:
    name = row.text(key)
    if key not in row:
        row.fault(f'{key} is missing. Say which: {key} = "…".')
        return None
    if name not in known:
        row.fault(f'{key} is "{name}", which this scenario does not have.{did_you_mean(name, tuple(known))}')
        return None
    return name


def _times(row: Table, begin_ns: int, end_ns: int) -> tuple[int | None, int | None]:
    """from and to of a row: within the span, one after the other."""
    from_ns, to_ns = row.time_ns("from", begin_ns=begin_ns), row.time_ns("to", begin_ns=begin_ns)
    if "from" not in row:
        row.fault('from is missing. Say when it begins: from = "12 d".')
    if from_ns is not None and not begin_ns <= from_ns < end_ns:
        row.fault("from lies outside the span of the scenario. Correct it.")
        return None, None
    if from_ns is not None and to_ns is not None and to_ns <= from_ns:
        row.fault("to is not after from. Exchange or correct them.")
        return None, None
    return from_ns, to_ns


def _people(sites: Mapping[str, Site], units: Mapping[str, Unit], seed: int, begin_ns: int, end_ns: int) -> People:
    """When somebody comes to each unit, and which units share a gateway."""
    ids, every = tuple(units), tuple(units.values())
    comes: dict[str, list[int]] = {}
    for visit in rounds(tuple(sites.values()), every, seed=seed, from_ns=begin_ns, to_ns=end_ns):
        comes.setdefault(ids[visit.unit], []).append(visit.from_ns)
    boxes: dict[tuple[str, str], list[str]] = {}
    for unit in every:
        boxes.setdefault((unit.site, unit.gateway or unit.id), []).append(unit.id)
    beside = {unit: tuple(box) for box in boxes.values() for unit in box}
    return People({unit: np.array(moments, np.int64) for unit, moments in comes.items()}, beside)


def _drawn(
    whole: Table,
    seed: int,
    units: Mapping[str, Unit],
    given: Sequence[Fault],
    people: People,
    begin_ns: int,
    end_ns: int,
) -> list[Fault]:
    """Faults that chance draws, as [drawn_faults] asks."""
    if "drawn_faults" not in whole:
        return []
    table = whole.table("drawn_faults")
    kinds = tuple(kind.value for kind in FaultKind)
    table.only(("each", "after", "lasting", *kinds))
    counts = {FaultKind(kind): count for kind, count in _counts(table, kinds).items()}
    after_ns = _after_ns(table, begin_ns, end_ns)
    lasting_s = table.durations_s("lasting", (2 * 86_400.0, 9 * 86_400.0))
    if after_ns is None or not units or sum(counts.values()) > DRAWN_MAX:
        return []
    return drawn_faults(
        counts,
        tuple(units),
        seed=seed,
        from_ns=after_ns,
        to_ns=end_ns,
        lasting_s=lasting_s,
        signals=NEEDED,
        people=people,
        taken=given,
    )


def _drawn_events(
    whole: Table, seed: int, units: Mapping[str, Unit], people: People, begin_ns: int, end_ns: int
) -> list[Event]:
    """What people do at sound units, as [drawn_events] asks: at visits that chance draws."""
    if "drawn_events" not in whole:
        return []
    table = whole.table("drawn_events")
    table.only(("each", "after", *DRAWN_EVENTS))
    counts = _counts(table, DRAWN_EVENTS)
    after_ns = _after_ns(table, begin_ns, end_ns)
    if after_ns is None or not units or sum(counts.values()) > DRAWN_MAX:
        return []
    found: list[Event] = []
    for kind, count in counts.items():
        for number in range(count):
            draw = 0.5 + 0.5 * even(keys(seed, [f"{kind}/{number}"], "event"), np.arange(4))[0]
            unit = tuple(units.values())[int(draw[0] * len(units))]
            came_ns = people.next_ns(unit.id, after_ns + int(draw[1] * (end_ns - after_ns)) // 60 * 60)
            if came_ns is None or came_ns + WORK_NS >= end_ns:
                continue
            at_ns, to_ns, size, signal = came_ns + WORK_NS, 0, 0.0, ""
            if kind == "equalise":
                lasts_s = EQUALISED_S[0] + draw[2] * (EQUALISED_S[1] - EQUALISED_S[0])
                to_ns = at_ns + int(lasts_s // 60) * 60 * SECOND_NS
            elif kind == "gas_set_point_changed":
                size = round(unit.set_point * (1.0 + GAS_MOVED * float(2.0 * draw[2] - 1.0)), 0)
            elif kind == "heater_set_point_changed":
                size = round(HEATER_MOVED_K * float(2.0 * draw[2] - 1.0), 1)
            elif kind == "sensor_replaced":
                signal = NEEDED[int(draw[3] * len(NEEDED))]
            found.append(Event(kind, at_ns, to_ns, size, "", unit.id, signal))
    return found


def _counts(table: Table, kinds: Sequence[str]) -> dict[str, int]:
    """How many of each kind a table asks for."""
    each = table.whole("each", 0, 0, 1000)
    return {kind: table.whole(kind, each, 0, 1000) for kind in kinds}


def _after_ns(table: Table, begin_ns: int, end_ns: int) -> int | None:
    """From when on chance may draw; None where nothing has a place."""
    after_ns = begin_ns + int(table.duration_s("after", 21 * 86_400.0)) * SECOND_NS
    if after_ns < end_ns:
        return after_ns
    table.fault("after is as long as the scenario, so that nothing drawn has a place. Make it shorter.")
    return None
