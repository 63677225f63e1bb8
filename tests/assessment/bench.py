"""One unit on the bench: steady signals, one of which is put to a level for a while, and what is said of it."""

from dataclasses import dataclass, field

import numpy as np

from models.normal import Normal
from monitor.alarms.lifecycle import Finding
from monitor.assessment.assessor import Assessor
from monitor.assessment.modelling import Models
from monitor.assessment.state import UnitState
from monitor.batch import Batch, concat, from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.limits_file import parse_limits
from monitor.signals import NAMES
from monitor.times import HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339

BEGIN_NS = from_rfc3339("2026-02-03T00:00:10Z")
STEADY = {
    "jacket_water_temperature": 45.0,
    "battery_voltage": 13.5,
    "gas_pressure": 2740.0,
    "enclosure_temperature": 25.0,
}
LEARNED = Normal(cut_in=41.0, gas_set_point=2740.0, float_voltage=13.5, float_slope=-0.024)
Put = tuple[float, float, float]
"""From and to, minutes since the begin, and the level."""


@dataclass
class Bench:
    """A unit whose readings a test writes down; times in minutes since BEGIN_NS."""

    normal: Normal = field(default_factory=Normal)
    blocks: int = 1
    limits: str = ""
    every_s: float = 60.0
    minutes: float = 360.0
    visit_in_h: float = 72.0
    battery_type: str = "flooded"
    heater: str = "always"
    models: Models = field(default_factory=Models)
    steady: dict[str, float] = field(default_factory=lambda: dict(STEADY))
    rows: list[Batch] = field(default_factory=list)

    def __post_init__(self) -> None:
        unit = Unit(
            "mill-1",
            "mill",
            "Mill 1",
            battery_nominal_voltage=12 * self.blocks,
            battery_type=self.battery_type,
            jacket_heater=self.heater,
            gateway="mill-1",
        )
        self.fleet = Fleet({"mill": Site("mill", "Mill")}, {"mill-1": unit})
        self.assessor = Assessor(
            self.fleet,
            parse_limits(self.limits, self.fleet),
            lambda _site, at_ns: (at_ns + int(self.visit_in_h * HOUR_NS), False),
            7,
            self.models,
        )
        self.assessor.adopt(0, UnitState(normal=self.normal))

    def at(self, minute: float) -> int:
        """ns of a minute."""
        return BEGIN_NS + round(minute * MINUTE_NS)

    def says(self, signal: str, minute: float, value: float, received_min: float | None = None) -> "Bench":
        """One row."""
        received = self.at(minute if received_min is None else received_min)
        self.rows.append(self._column(signal, [self.at(minute)], [value], [received]))
        return self

    def reports(
        self, signal: str, *puts: Put, every_s: float | None = None, from_min: float = 0.0, to_min: float | None = None
    ) -> "Bench":
        """A signal on its rhythm: its steady value, and other levels for a while."""
        every = round((every_s or self.every_s) * SECOND_NS)
        times = np.arange(self.at(from_min), self.at(self.minutes if to_min is None else to_min), every)
        values = np.full(len(times), self.steady.get(signal, 0.0))
        for begin, end, level in puts:
            values[(times >= self.at(begin)) & (times < self.at(end))] = level
        if signal == "battery_voltage":
            values = values * self.blocks
        self.rows.append(self._column(signal, times.tolist(), values.tolist(), times.tolist()))
        return self

    def stands(self, *but: str) -> "Bench":
        """The needed signals stand at their steady values, but for some."""
        for signal in STEADY:
            if signal not in but:
                self.reports(signal)
        return self

    def runs(self, begin: float, end: float) -> "Bench":
        """The engine's run switch, each half minute."""
        return self.reports("engine_running", (begin, end, 1.0), every_s=30.0)

    def _column(self, signal: str, times: list[int], values: list[float], received: list[int]) -> Batch:
        count = len(times)
        index = [NAMES.index(signal)] * count
        return from_columns(self.fleet.unit_names, self.fleet.signal_names, times, [0] * count, index, values, received)

    def findings(self, until_min: float | None = None, *, each_min: float | None = None) -> list[Finding]:
        """What is said of all that was written down; each_min: handed in by such pieces, else at once."""
        until = self.at(self.minutes if until_min is None else until_min)
        rows = concat(self.rows)
        found: list[Finding] = []
        ends = [] if each_min is None else range(int(rows.received_ns.min()) - 1, until, round(each_min * MINUTE_NS))
        for end in [*ends, until]:
            received = rows.received_ns
            piece = rows.where((received <= end) & (received > self.assessor.assessed_ns[0]))
            found += self.assessor.advance(piece, end)
        return found

    def said(self, until_min: float | None = None) -> list[tuple[str, str, str, float]]:
        """Condition, kind, urgency, minute."""
        return [
            (f.condition, f.kind.value, f.said.urgency.value, round((f.at_ns - BEGIN_NS) / MINUTE_NS, 4))
            for f in self.findings(until_min)
        ]
