"""The fleet file: which sites, units and extra signals there are, and when somebody visits.

In: fleet.toml and its visit calendars. Out: frozen dataclasses. May import: monitor.signals, monitor.times, tomllib,
icalendar, recurring_ical_events. Reads the files it is given and nothing else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.signals import NAMES, SIGNALS, Signal


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
    """A site. visits: all known visits from 2024 on as far as the calendar was unrolled, sorted by start."""

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
    """All of it. units and sites by id, in the file's order; signals: the contract's and ours, then the file's own."""

    sites: Mapping[str, Site]
    units: Mapping[str, Unit]
    signals: tuple[Signal, ...] = SIGNALS

    @property
    def unit_names(self) -> tuple[str, ...]:
        """What the unit column of this fleet's batches counts into."""
        return tuple(self.units)

    @property
    def signal_names(self) -> tuple[str, ...]:
        """What the signal column of this fleet's batches counts into; begins with monitor.signals.NAMES."""
        assert tuple(signal.name for signal in self.signals[: len(NAMES)]) == NAMES, "the table comes first"
        return tuple(signal.name for signal in self.signals)
