"""A scenario played from beginning to end: the world's days, what is reported of them, and the truth beside it.

In: a scenario. Out: days with their readings, one after the other; or a folder with history, fleet file and truth. May
import: numpy, simulator. Touches the folder it is given.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path

from simulator.chance import SECOND_NS
from simulator.faults import Fault
from simulator.ongoing import Ongoing, Played
from simulator.scenario import Event, Scenario
from simulator.truth import Ledger, fault_lines, not_ready_lines, rfc3339
from simulator.world import Day, Run
from simulator.writing import History, write_lines

DAY_NS = 86_400 * SECOND_NS
Line = tuple[int, dict[str, object]]
"""A line of truth.jsonl with its time, ns UTC."""


@dataclass(frozen=True, slots=True)
class Written:
    """What a folder holds now. readings, truths: rows of history, lines of truth."""

    readings: int
    truths: int
    units: int
    days: int


def play(scenario: Scenario) -> Iterator[Played]:
    """Each day of a scenario with what arrives on it; what has not arrived by the end is never told."""
    ongoing = Ongoing(scenario)
    while ongoing.at_ns < scenario.to_ns:
        yield ongoing.until(min(ongoing.at_ns + DAY_NS, scenario.to_ns))


@dataclass
class Truths:
    """What truth.jsonl will say, gathered day by day."""

    scenario: Scenario
    ledger: Ledger = field(default_factory=Ledger)
    told: list[Line] = field(default_factory=list)
    in_visits: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()

    def add(self, day: Day) -> None:
        """Take in the next day."""
        ids = self.scenario.unit_ids
        self.ledger.add(day.truth.time_ns, day.reasons)
        self.faults = day.faults
        self.told += [(run.from_ns, _run_line(run, ids)) for run in day.runs]
        for visit in day.visits:
            self.in_visits.setdefault(visit.unit, []).append((visit.from_ns, visit.to_ns))
            record = {"record": "visit", "site": visit.site, "unit": ids[visit.unit], "from": rfc3339(visit.from_ns)}
            off = visit.off_to_ns > visit.off_from_ns
            self.told.append((visit.from_ns, {**record, "to": rfc3339(visit.to_ns), "switched_off": off}))
        for site, from_ns, to_ns in day.outages:
            record = {"record": "outage", "site": site, "from": rfc3339(from_ns), "to": rfc3339(to_ns)}
            self.told.append((from_ns, {**record}))

    def lines(self) -> list[Line]:
        """All of it, once the last day has been taken in."""
        scenario, spans = self.scenario, self.ledger.closed()
        head: dict[str, object] = {
            "record": "scenario",
            "name": scenario.name,
            "seed": scenario.seed,
            "from": rfc3339(scenario.from_ns),
            "to": rfc3339(scenario.to_ns),
        }
        return [
            (scenario.from_ns - 1, head),
            *self.told,
            *((event.from_ns, _event_line(event)) for event in scenario.events),
            *fault_lines(self.faults, scenario.unit_ids, spans),
            *not_ready_lines(scenario.unit_ids, spans, self.in_visits),
        ]


def write(scenario: Scenario, out: Path, *, told: Callable[[int, int], None] = lambda _done, _of: None) -> Written:
    """Play a scenario into a folder: readings/UNIT/YEAR-MONTH.parquet, fleet.toml, truth.jsonl.

    Args:
        out: the folder; it is made where it is not there. told: is told how many days of how many are done.
    Raises:
        FileExistsError: the folder holds a history already.
    """
    folder = out / "readings"
    if folder.exists():
        raise FileExistsError(f"{folder} is there already. Name a new folder, or take that one away.")
    folder.mkdir(parents=True)
    (out / "fleet.toml").write_text(scenario.fleet_toml, "utf-8")
    history, truths = History(folder, scenario.unit_ids), Truths(scenario)
    count, done = -(-(scenario.to_ns - scenario.from_ns) // DAY_NS), 0
    try:
        for played in play(scenario):
            history.add(played.readings, day_ns=played.day.from_ns)
            truths.add(played.day)
            done += 1
            told(done, count)
    finally:
        history.close()
    lines = write_lines(out / "truth.jsonl", truths.lines())
    return Written(readings=history.rows, truths=lines, units=len(scenario.units), days=done)


def _run_line(run: Run, unit_ids: tuple[str, ...]) -> dict[str, object]:
    return {
        "record": "run",
        "unit": unit_ids[run.unit],
        "from": rfc3339(run.from_ns),
        "to": rfc3339(run.to_ns),
        "why": run.why,
        "load": run.load,
        "started": run.started,
        "failed_because": run.failed_because or None,
        "attempts": run.attempts,
        "least_block_volts": round(run.least_block_volts, 3) if isfinite(run.least_block_volts) else None,
        "least_gas_share": round(run.least_gas_share, 3) if isfinite(run.least_gas_share) else None,
    }


def _event_line(event: Event) -> dict[str, object]:
    return {
        "record": "event",
        "kind": event.kind,
        "site": event.site or None,
        "unit": event.unit or None,
        "signal": event.signal or None,
        "from": rfc3339(event.from_ns),
        "to": rfc3339(event.to_ns) if event.to_ns else None,
        "size": event.size,
    }
