"""The units of a scenario: what stands where, in an invented country, and the fleet file that describes it.

In: names of ready-made fleets, tables of a scenario. Out: sites and units; their tables; fleet.toml as text. May
import: simulator.chance, simulator.climate. Touches nothing.

A ready-made fleet is written in the tables a scenario file would have, so that a file can name one and change any part
of it. All names are invented.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from simulator.chance import even, keys
from simulator.climate import CLIMATES

SIZES = ("small", "medium", "large")
BATTERY_TYPES = ("flooded", "agm")
HEATERS = ("always", "none")
UNITS_MAX = 500  # each has an open file while history is written, and the goal of speed is set for 100
SET_POINTS = (1744.0, 2740.0, 4982.0)  # 7, 11 and 20 inH2O
RATED_W = {"small": 25e3, "medium": 60e3, "large": 150e3}
STARTER_A = {"small": 220.0, "medium": 340.0, "large": 520.0}  # of 12 V, at 27 Cel (300-600 A, TRADE.md section 4)
STARTER_24_V = 0.6  # of those amperes: half, and a little for the stronger one that makers take (common practice)
BLOCKS_AH = (35.0, 45.0, 55.0, 70.0, 85.0, 100.0, 120.0, 150.0, 180.0, 225.0)  # 12 V ones (common practice)
# Ah for a starter's A: 100 for 340, and as resistance ~ Ah^-0.7, all dip about alike.
BLOCK_AH, BLOCK_A, BLOCK_POWER = 100.0, 340.0, 1.0 / 0.7
COLD_BLOCK = 1.5  # times the Ah in a cold country (our choice; common practice is a size or two more, or AGM)
HEATER_TEXT = {"small": "0.5 kW 120 V", "medium": "1 kW 240 V", "large": "2 kW 240 V"}
TIMEZONES: Mapping[str, str] = {
    "high-plain": "America/Denver",
    "lakeside": "America/Toronto",
    "desert-basin": "America/Phoenix",
    "harbour-fog": "America/Los_Angeles",
    "north-valley": "America/Anchorage",
    "rolling-hills": "America/New_York",
}
COLD_CLIMATES = frozenset(("north-valley",))  # nobody leaves a unit there without more heat
WEEKLY_VISIT = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9"


@dataclass(frozen=True, slots=True)
class Site:
    """A place with weather, mains and visits. visit_rule: RFC 5545, in its own time; '' where nobody comes."""

    id: str
    name: str
    climate: str
    timezone: str
    visit_rule: str = WEEKLY_VISIT


@dataclass(frozen=True, slots=True)
class Unit:
    """One engine-generator.

    size: of its build, one of SIZES. blocks: 12 V batteries in series. set_point: of the gas regulator, Pa. heater:
    'always' or 'none'. cold_heater: that of a cold country, 305 W a litre; with it goes a bigger battery. space_heater:
    an electric one in the enclosure. exercise_rule: RFC 5545 in site time, '' never. exercise_load, outage_load: shares
    of full load. gateway: its id. telemetry: the profile of how it reports.
    """

    id: str
    name: str
    site: str
    size: str = "medium"
    blocks: int = 2
    battery_type: str = "flooded"
    set_point: float = 2740.0
    heater: str = "always"
    cold_heater: bool = False
    space_heater: bool = False
    exercise_rule: str = "FREQ=WEEKLY;BYDAY=TU;BYHOUR=10"
    exercise_load: float = 0.3
    outage_load: float = 0.7
    gateway: str = ""
    telemetry: str = "minute"
    protects: str = ""
    equipment: Mapping[str, str] = field(default_factory=dict)


TABLE = dict[str, dict[str, object]]
"""Tables as a scenario file has them: by id, then by key."""


def lone_pump(count: int, seed: int) -> tuple[TABLE, TABLE]:
    """One unit at one site: to look at one fault at a time."""
    site = {"name": "Pump house", "climate": "high-plain"}
    unit: dict[str, object] = {"site": "pump-house", "name": "Pump house 1", "protects": "fire pump"}
    return {"pump-house": dict(site)}, {"pump-house-1": unit}


def tarn_valley(count: int, seed: int) -> tuple[TABLE, TABLE]:
    """Eight units at four sites of a cool upland valley, as in the demo."""
    sites: TABLE = {
        "waterworks": {"name": "Upper Tarn waterworks", "climate": "high-plain", "visit_rule": _weekly("TH", 9)},
        "harbour": {"name": "Lakeside harbour", "climate": "high-plain", "visit_rule": _weekly("WE", 13)},
        "clinic": {"name": "Tarn Valley clinic", "climate": "high-plain", "visit_rule": _weekly("MO", 8)},
        "school": {"name": "Old Mill school", "climate": "high-plain", "visit_rule": _weekly("FR", 15)},
    }
    rows = (
        ("intake-pump-1", "waterworks", "medium", 2, 2740.0, _weekly("TU", 10), "intake pumps"),
        ("intake-pump-2", "waterworks", "medium", 2, 2740.0, _monthly("3WE", 10), "intake pumps"),
        ("filter-hall", "waterworks", "large", 2, 4982.0, _monthly("2TH", 14), "filters"),
        ("quay-crane", "harbour", "small", 1, 1744.0, _weekly("MO", 9), "crane"),
        ("cold-store", "harbour", "medium", 2, 2740.0, _monthly("4TH", 9), "fish store"),
        ("clinic-main", "clinic", "large", 2, 4982.0, _monthly("1TU", 7), "theatres"),
        ("clinic-wing", "clinic", "medium", 2, 2740.0, _weekly("FR", 7), "ward lighting"),
        ("boiler-house", "school", "small", 1, 2740.0, _weekly("SA", 11), "boilers"),
    )
    units: TABLE = {
        unit: {
            "site": site,
            "name": unit.replace("-", " ").capitalize(),
            "size": size,
            "blocks": blocks,
            "set_point": set_point,
            "exercise_rule": rule,
            "gateway": f"{site}-box",
            "protects": protects,
        }
        for unit, site, size, blocks, set_point, rule, protects in rows
    }
    return sites, units


FIRST = (
    *("ash", "birch", "cold", "dun", "elm", "fern", "grey", "high", "iron", "juniper", "kelp", "long"),
    *("moss", "north", "old", "pine", "quarry", "raven", "stone", "tall", "upper", "vale", "west", "yew"),
)
SECOND = ("bridge", "ferry", "gate", "landing", "mill", "well", "cross", "ridge", "mouth", "ford")


def wide_country(count: int, seed: int) -> tuple[TABLE, TABLE]:
    """As many units as asked, one to four a site, over all climates: to train and to measure on."""
    sites: TABLE = {}
    units: TABLE = {}
    number = 0
    while len(units) < count:
        site = f"{FIRST[number % len(FIRST)]}-{SECOND[(number // len(FIRST) + number) % len(SECOND)]}"
        if number >= len(FIRST) * len(SECOND):
            site = f"{site}-{number}"
        pick = _Pick(seed, site)
        climate = pick("climate", tuple(CLIMATES))
        day = pick("day", ("MO", "TU", "WE", "TH", "FR"))
        sites[site] = {
            "name": site.replace("-", " ").title(),
            "climate": climate,
            "visit_rule": _weekly(day, pick("hour", (8, 9, 10, 13, 14))),
        }
        for place in range(1, pick("units", (1, 2, 2, 3, 4)) + 1):
            if len(units) < count:
                unit = f"{site}-{place}"
                units[unit] = _drawn_unit(site, f"{site.replace('-', ' ').title()} {place}", _Pick(seed, unit))
                if climate in COLD_CLIMATES:
                    units[unit] |= {"cold_heater": True, "space_heater": True, "battery_type": "agm"}
        number += 1
    return sites, units


PRESETS: Mapping[str, Callable[[int, int], tuple[TABLE, TABLE]]] = {
    "lone-pump": lone_pump,
    "tarn-valley": tarn_valley,
    "wide-country": wide_country,
}
"""Ready-made fleets by name; each takes a number of units (only wide-country heeds it) and a seed."""


Picked = TypeVar("Picked")


class _Pick:
    """Picks by chance that hangs on seed and name alone."""

    def __init__(self, seed: int, name: str) -> None:
        self.seed = seed
        self.name = name

    def __call__(self, what: str, choices: Sequence[Picked]) -> Picked:
        chance = 0.5 + 0.5 * float(even(keys(self.seed, [self.name], what), np.array([0]))[0, 0])
        return choices[int(chance * len(choices))]


def _drawn_unit(site: str, name: str, pick: _Pick) -> dict[str, object]:
    size = pick("size", ("small", "medium", "medium", "large"))
    weekday, hour = pick("weekday", ("MO", "TU", "WE", "TH", "FR", "SA")), pick("hour", tuple(range(7, 17)))
    weekly = pick("weekly", (True, True, False))
    rule = _weekly(weekday, hour) if weekly else _monthly(f"{pick('nth', (1, 2, 3))}{weekday}", hour)
    return {
        "site": site,
        "name": name,
        "size": size,
        "blocks": 1 if size == "small" else pick("blocks", (1, 2, 2)),
        "battery_type": pick("battery", ("flooded", "flooded", "agm")),
        "set_point": pick("gas", SET_POINTS),
        "exercise_rule": rule,
        "exercise_load": pick("load", (0.0, 0.25, 0.4)),
        "gateway": f"{site}-box",
    }


def _weekly(day: str, hour: int) -> str:
    return f"FREQ=WEEKLY;BYDAY={day};BYHOUR={hour}"


def _monthly(day: str, hour: int) -> str:
    return f"FREQ=MONTHLY;BYDAY={day};BYHOUR={hour}"


def starter_a(unit: Unit) -> float:
    """What a unit's starter draws at 27 Cel once it turns, A: that of its size, of its volts."""
    return STARTER_A[unit.size] * (1.0 if unit.blocks == 1 else STARTER_24_V)


def battery_ah(unit: Unit) -> float:
    """Ah of each of a unit's blocks: the nearest size to what its starter needs, more in a cold country."""
    needed = BLOCK_AH * (starter_a(unit) / BLOCK_A) ** BLOCK_POWER * (COLD_BLOCK if unit.cold_heater else 1.0)
    return min(BLOCKS_AH, key=lambda size: abs(size - needed))


def fleet_toml(sites: Sequence[Site], units: Sequence[Unit]) -> str:
    """The fleet file that describes these units to the program, as text."""
    lines = ["# Written by stillready simulate. All names are invented."]
    for site in sites:
        climate = CLIMATES[site.climate]
        lines += ["", f"[sites.{_key(site.id)}]", f"name = {_text(site.name)}", f"timezone = {_text(site.timezone)}"]
        lines += [f"latitude = {climate.latitude}", f"longitude = {climate.longitude}"]
        lines += [f"visit_rule = {_text(site.visit_rule)}"] if site.visit_rule else []
    for unit in units:
        lines += ["", f"[units.{_key(unit.id)}]", f"site = {_text(unit.site)}", f"name = {_text(unit.name)}"]
        lines += [f"battery_nominal_voltage = {12 * unit.blocks}", f"battery_type = {_text(unit.battery_type)}"]
        lines += [f"jacket_heater = {_text(unit.heater)}"]
        lines += [f"exercise_rule = {_text(unit.exercise_rule)}"] if unit.exercise_rule else []
        lines += [f"gateway = {_text(unit.gateway or unit.id)}"]
        lines += [f"protects = {_text(unit.protects)}"] if unit.protects else []
        equipment = unit.equipment or _equipment(unit)
        lines += [f"equipment = {{ {', '.join(f'{_key(key)} = {_text(text)}' for key, text in equipment.items())} }}"]
    return "\n".join(lines) + "\n"


def _equipment(unit: Unit) -> dict[str, str]:
    battery = f"{unit.blocks} x 12 V {battery_ah(unit):.0f} Ah {unit.battery_type}"
    return {"battery": battery} if unit.heater == "none" else {"heater": HEATER_TEXT[unit.size], "battery": battery}


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() and name.isascii() else _text(name)


def _text(value: str) -> str:
    escaped = "".join(
        f"\\{character}" if character in '"\\' else character if character.isprintable() else f"\\u{ord(character):04x}"
        for character in value
    )
    return f'"{escaped}"'
