"""The units of the invented valley: where they stand, how they are built, when they exercise, what is wrong with them.

In: nothing but what stands here. Out: frozen dataclasses, and the starts of exercise runs. May import: numpy,
simulator.chance. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np

from simulator.chance import SECOND_NS, Int64, even, keys

TIMEZONE = "America/Denver"
RUN_NS = 30 * 60 * SECOND_NS  # NFPA 110 asks for 30 minutes


class FaultKind(StrEnum):
    """What can be wrong with a unit."""

    HEATER_FAILED = "heater_failed"  # the jacket-water heater gives no heat
    CHARGER_FAILED = "charger_failed"  # the battery is on its own
    GAS_SUPPLY_LOW = "gas_supply_low"  # the main in the street gives next to nothing
    GAS_CREEPS_UP = "gas_creeps_up"  # the regulator's seat leaks


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with a unit from a time on, and until it was repaired; ns UTC, None: not yet."""

    unit: str
    kind: FaultKind
    from_ns: int
    to_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A place with weather. mean: of the year, Cel."""

    id: str
    name: str
    latitude: float
    longitude: float
    mean: float


@dataclass(frozen=True, slots=True)
class Unit:
    """One engine-generator.

    weekday: of its exercise run, 0 is Monday. hour: local. week: which such day of the month, None: each week.
    cut_in, cut_out: of the heater's thermostat, Cel. heater_k_per_h: how fast it warms the block, without loss.
    time_constant_h: of the block's cooling. set_point: of the gas regulator, Pa. hump_pa_per_k: how far the trapped
    gas rises with a warm pipe. blocks: 12 V batteries in series.
    """

    id: str
    name: str
    site: str
    weekday: int
    hour: int
    week: int | None = None
    cut_in: float = 41.0
    cut_out: float = 49.0
    heater_k_per_h: float = 12.5
    time_constant_h: float = 12.0
    set_point: float = 2740.0
    hump_pa_per_k: float = 14.0
    blocks: int = 2
    protects: str = ""


SITES = (
    Site("waterworks", "Upper Tarn waterworks", 40.1, -105.6, 5.5),
    Site("harbour", "Lakeside harbour", 40.0, -105.5, 7.0),
    Site("clinic", "Tarn Valley clinic", 40.0, -105.5, 6.5),
    Site("school", "Old Mill school", 39.9, -105.4, 6.0),
)

UNITS = (
    Unit("intake-pump-1", "Intake pump 1", "waterworks", 1, 10, time_constant_h=11.0, protects="intake pumps"),
    Unit("intake-pump-2", "Intake pump 2", "waterworks", 2, 10, week=3, cut_in=40.0, time_constant_h=12.5),
    Unit("filter-hall", "Filter hall", "waterworks", 3, 14, week=2, set_point=4982.0, hump_pa_per_k=24.0, cut_out=48.0),
    Unit("quay-crane", "Quay crane", "harbour", 0, 9, cut_in=42.0, time_constant_h=9.0, set_point=1744.0, blocks=1),
    Unit("cold-store", "Cold store", "harbour", 3, 9, week=4, heater_k_per_h=14.0, protects="fish store"),
    Unit("clinic-main", "Clinic main", "clinic", 1, 7, week=1, time_constant_h=15.0, set_point=4982.0, cut_in=43.0),
    Unit("clinic-wing", "Clinic wing", "clinic", 4, 7, time_constant_h=14.0, protects="ward lighting"),
    Unit("boiler-house", "Boiler house", "school", 5, 11, time_constant_h=10.0, hump_pa_per_k=18.0, blocks=1),
)


def run_starts_ns(unit: Unit, *, seed: int, from_ns: int, to_ns: int) -> Int64:
    """Starts of a unit's exercise runs, from_ns <= start < to_ns, sorted; each some seconds after its hour."""
    zone = ZoneInfo(TIMEZONE)
    first = datetime.fromtimestamp(from_ns // SECOND_NS, zone).date() - timedelta(days=1)
    days = range((to_ns - from_ns) // (86_400 * SECOND_NS) + 3)
    starts = [_start_ns(unit, first + timedelta(days=day), zone) for day in days]
    due = np.array([start for start in starts if start is not None], np.int64)
    late_s = np.floor(20.0 + 20.0 * even(keys(seed, [unit.id], "start"), due)[0]).astype(np.int64)
    start: Int64 = due + late_s * SECOND_NS
    return start[(start >= from_ns) & (start < to_ns)]


def _start_ns(unit: Unit, day: date, zone: ZoneInfo) -> int | None:
    """The run of a day; None where that day has none."""
    if day.weekday() != unit.weekday or unit.week not in (None, (day.day + 6) // 7):
        return None
    local = datetime(day.year, day.month, day.day, unit.hour, tzinfo=zone)
    return int(local.astimezone(UTC).timestamp()) * SECOND_NS


def faults_of(unit: Unit, kind: FaultKind, faults: Sequence[Fault]) -> list[Fault]:
    """The faults of one kind at one unit, oldest first."""
    return sorted((fault for fault in faults if fault.unit == unit.id and fault.kind is kind), key=_from_ns)


def _from_ns(fault: Fault) -> int:
    return fault.from_ns
