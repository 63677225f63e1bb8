"""An invented fleet with a history, in real stores: what tests of the API and of pages look at.

Setting: three places in a made-up valley, on a Tuesday in January. Nothing here is random and nothing asks the time.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from monitor.advice import load_advice
from monitor.alarms.changes import Change
from monitor.alarms.lifecycle import Alarm, Cause, Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.api.live import LiveEvents
from monitor.api.parts import Parts, ProgramStatus, UnitView
from monitor.batch import Batch, concat, from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.settings import CallOuts, Recipient, Settings
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import CallOut
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from monitor.visits import load_visits

NOW_NS = from_rfc3339("2026-01-13T17:30:00Z")  # Tuesday 10:30 in the valley
THURSDAYS = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9;BYMINUTE=0"
HEALTHY = {
    "jacket_water_temperature": 41.0,
    "battery_voltage": 27.2,
    "gas_pressure": 4980.0,
    "enclosure_temperature": 12.0,
}


def valley() -> Fleet:
    """Three sites, four units. The lookout has no calendar; the others are visited each Thursday at 09:00."""
    sites = {
        "mill": Site("mill", "Old mill", "America/Denver", visit_rule=THURSDAYS),
        "weir": Site("weir", "Weir house", "America/Denver", visit_rule=THURSDAYS),
        "lookout": Site("lookout", "Lookout hut", "America/Denver"),
    }
    units = {
        "mill-1": Unit("mill-1", "mill", "Mill 1", battery_nominal_voltage=24, gateway="mill-box", protects="lift"),
        "mill-2": Unit(
            "mill-2", "mill", "Mill 2", battery_nominal_voltage=24, gateway="mill-box", protects="fire pump"
        ),
        "weir-1": Unit(
            "weir-1",
            "weir",
            "Weir 1",
            battery_nominal_voltage=24,
            gateway="weir-1",
            assumed=frozenset({"battery_type"}),
        ),
        "lookout-1": Unit("lookout-1", "lookout", "Lookout 1", battery_nominal_voltage=24, gateway="lookout-1"),
    }
    return Fleet(sites, units)


def nobody(changes: Sequence[Change], told: object) -> Sequence[CallOut]:
    """A plan that tells nobody."""
    return ()


def readings_of(fleet: Fleet, unit: str, signal: str, times_ns: Sequence[int], values: Sequence[float]) -> Batch:
    """A batch of one signal of one unit."""
    count = len(times_ns)
    at_unit, at_signal = fleet.unit_names.index(unit), fleet.signal_names.index(signal)
    return from_columns(
        fleet.unit_names, fleet.signal_names, times_ns, [at_unit] * count, [at_signal] * count, values, times_ns
    )


def week_of(fleet: Fleet, unit: str, *, until_ns: int, every_ns: int = 10 * MINUTE_NS) -> list[Batch]:
    """A healthy week of the four needed signals."""
    times = np.arange(until_ns - 7 * DAY_NS, until_ns, every_ns, dtype=np.int64)
    wave = np.sin(2 * np.pi * (times % DAY_NS) / DAY_NS)
    tooth = (times % (2 * HOUR_NS)) / (2 * HOUR_NS)
    shapes = {
        "jacket_water_temperature": 43.0 - 5.0 * tooth,
        "battery_voltage": 27.2 - 0.05 * wave,
        "gas_pressure": 4980.0 + 20.0 * wave,
        "enclosure_temperature": 8.0 + 6.0 * wave,
    }
    return [readings_of(fleet, unit, name, times.tolist(), shape.tolist()) for name, shape in shapes.items()]


def raised(unit: str, condition: str, at_ns: int, said: Said, evidence: Evidence | None = None) -> Finding:
    """A finding that raises a condition."""
    return Finding(unit, condition, Kind.RAISED, at_ns, at_ns, said, evidence or Evidence())


def heater_failed(unit: str = "mill-2", *, at_ns: int = NOW_NS - 5 * HOUR_NS) -> Finding:
    """A heater that gives no heat: needed before the visit, with causes and a forecast."""
    return raised(
        unit,
        "heater_failed",
        at_ns,
        Said(
            Urgency.BEFORE_VISIT,
            (Cause("heater_failed/element_open", 0.62), Cause("heater_failed/no_ac_supply", 0.27)),
            NotReady(NOW_NS + 9 * HOUR_NS, NOW_NS + 14 * HOUR_NS, NOW_NS + 22 * HOUR_NS),
        ),
        Evidence(
            signal="jacket_water_temperature",
            symbol="Cel",
            measured=33.4,
            expected=41.0,
            limit=36.0,
            level="limit",
            limits_version=3,
            text="The water falls toward the air around it as in an unheated engine.",
        ),
    )


def creep(unit: str = "weir-1", *, at_ns: int = NOW_NS - 40 * MINUTE_NS) -> Finding:
    """Gas pressure over its last limit: needed now, no cause worked out, no forecast."""
    return raised(
        unit,
        "high_gas_pressure",
        at_ns,
        Said(Urgency.NOW),
        Evidence("gas_pressure", "Pa", 35_200.0, 4_980.0, 34_500.0, "limit", 3),
    )


def overdue(unit: str = "mill-1", *, at_ns: int = NOW_NS - 2 * DAY_NS) -> Finding:
    """An exercise run that was missed: keeps until the visit."""
    return raised(
        unit,
        "exercise_overdue",
        at_ns,
        Said(Urgency.AT_VISIT),
        Evidence(text="The last run seen was on 2 December, the rule asks for one each month."),
    )


@dataclass
class House:
    """Real stores with the valley in them, a clock that a test may move, and the parts over it all."""

    place: Path
    now_ns: int = NOW_NS
    answered: list[Change] = field(default_factory=list)
    public_url: str = "http://testserver"
    measures: str = "si"

    def __post_init__(self) -> None:
        self.fleet = valley()
        self.readings = EmbeddedReadings(self.place)
        self.operations = SqlOperations(self.place / "operations.sqlite")
        self.live = LiveEvents()
        self.status = ProgramStatus(
            listening=True,
            listening_changed_ns=NOW_NS - 6 * DAY_NS,
            messages_received=120,
            readings_stored=480,
            readings_quarantined=2,
            assessed_until_ns=NOW_NS - 30 * SECOND_NS,
            assessment_lag_s=30.0,
            call_outs={("email", "delivered"): 3},
        )
        self.views = {unit: UnitView(unit) for unit in self.fleet.units}

    def parts(self) -> Parts:
        """What create_app takes."""
        return Parts(
            fleet=self.fleet,
            visits=load_visits(self.fleet),
            advice=load_advice(),
            readings=self.readings,
            operations=self.operations,
            clock=lambda: self.now_ns,
            live=self.live,
            status=lambda: self.status,
            watched=lambda unit: self.views[unit],
            plan=nobody,
            settings=Settings(
                public_url=self.public_url,
                measures="us" if self.measures == "us" else "si",
                call_outs=CallOuts(emails=(Recipient(name="Ines", email="ines@valley.example"),)),
            ),
            answered=self.answered.append,
        )

    def judge(self, *findings: Finding) -> list[Alarm]:
        """Record findings as an assessment does; the alarms as they then are, in the order of the findings."""
        until_ns = max(finding.noticed_ns for finding in findings)
        changes = self.operations.record_assessment(
            sorted(findings, key=lambda finding: finding.noticed_ns), until_ns, nobody
        )
        by_key = {(change.after.unit, change.after.condition): change.after for change in changes}
        return [by_key[finding.unit, finding.condition] for finding in findings]

    def close(self) -> None:
        """Let go of the files."""
        self.readings.close()
        self.operations.close()


def busy_house(place: Path, **kwargs: str) -> House:
    """The valley on a bad morning: one unit needed now, one before its visit, one that keeps, one unseen."""
    house = House(place, **kwargs)  # type: ignore[arg-type]
    silent_since_ns = NOW_NS - 9 * HOUR_NS
    house.readings.append(
        concat(
            [
                *week_of(house.fleet, "mill-1", until_ns=NOW_NS),
                *week_of(house.fleet, "mill-2", until_ns=NOW_NS),
                *week_of(house.fleet, "weir-1", until_ns=NOW_NS),
                *week_of(house.fleet, "lookout-1", until_ns=silent_since_ns),
                readings_of(house.fleet, "mill-2", "jacket_water_temperature", [NOW_NS], [33.4]),
                readings_of(house.fleet, "weir-1", "gas_pressure", [NOW_NS], [35_200.0]),
            ]
        )
    )
    for site in ("mill", "weir"):
        house.operations.record_visit(
            site, at_ns=from_rfc3339("2026-01-08T17:10:00Z"), by="Ines", found="All in order."
        )
    house.judge(heater_failed(), creep(), overdue())
    house.views["mill-2"] = UnitView(
        "mill-2",
        not_watched=("Coolant level: no level switch reports.", "Cranks: the gateway reports too seldom to see a dip."),
        normals={"jacket_water_temperature": 41.0, "battery_voltage": 27.2},
        runs=((from_rfc3339("2026-01-10T17:00:00Z"), from_rfc3339("2026-01-10T17:35:00Z")),),
    )
    silent = dict.fromkeys(HEALTHY, silent_since_ns)
    house.views["lookout-1"] = UnitView("lookout-1", silent=silent)
    return house
