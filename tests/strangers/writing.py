"""The three things a run leaves: history (Parquet, a file a unit), fleet.toml, truth.jsonl.

In: a world, a folder. Out: files. May import: numpy, pyarrow, tests.strangers. Writes below the folder it is given.

The truth file has one JSON object a line; "row" says what it is. Moments are RFC 3339, UTC, with Z.
- unit: unit, site, from, to, families (words by part), numbers (by part), gateway.
- fault: unit, condition, cause, accepted (other conditions as true), signal (of a faulty sensor or ""), onset,
  full_at (whole), ends_at, repaired (else it stands at the end of the run), severity (0 hardly matters .. 1), shape,
  not_ready_at (or null: not by ends_at), not_ready_by (criterion or null), already_not_ready (the unit was so at the
  onset, for another reason), visible_at (with --twins: when one of the four true signals first differs from what it
  would have been by more than visible.py says; null: never, or not asked, or a fault of sensor, link, clock, switch).
  A unit may stay not ready for some hours past ends_at: a block must warm, a battery be charged.
- not_ready: unit, criterion (water, coolant, battery, gas, air, switch), from, to; with or without a fault; during
  (names of events that were under way when it began, like heater_off_for_summer or outage).
- event: unit, name, from, to, detail: what may confuse and is no fault.
- start: unit, at, reason (exercise, outage, hand, test), outcome (ran, failed, no_crank, no_gas), tries, crank_s,
  least_volts (a block, true), until.
"""

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.strangers.faults import Fault
from tests.strangers.gateway import Rows, draw_gateway, sent
from tests.strangers.people import Event
from tests.strangers.readiness import CRITERIA_OF, NotReady, first_not_ready, not_ready
from tests.strangers.visible import visible_at
from tests.strangers.world import World

SCHEMA = pa.schema(
    [
        ("time", pa.timestamp("ms", tz="UTC")),
        ("unit", pa.dictionary(pa.int32(), pa.string())),
        ("signal", pa.dictionary(pa.int32(), pa.string())),
        ("value", pa.float64()),
        ("received", pa.timestamp("ms", tz="UTC")),
    ]
)


def write(world: World, folder: Path, twin: World | None = None) -> int:
    """Write a world's history and add its truth to the folder; how many rows of history.

    Args:
        world: the run, or a part of it.
        folder: exists; gets readings/ and more of truth.jsonl.
        twin: the same without faults, for the moment at which a fault can first be seen.
    """
    (folder / "readings").mkdir(exist_ok=True)
    events, count = [], 0
    for column, unit in enumerate(world.designs):
        own = [fault for fault in world.faults if fault.unit == column]
        rows, happened = sent(world, column, own)
        events += happened
        pq.write_table(_table(rows, unit.id), folder / "readings" / f"{unit.id}.parquet", compression="zstd")
        count += len(rows.value)
    with (folder / "truth.jsonl").open("a", encoding="utf-8") as file:
        for line in truth(world, events, twin):
            file.write(json.dumps(line, sort_keys=False) + "\n")
    return count


def _table(rows: Rows, unit: str) -> Any:
    one = pa.DictionaryArray.from_arrays(pa.array(np.zeros(len(rows.value), np.int32)), pa.array([unit]))
    signal = pa.DictionaryArray.from_arrays(pa.array(rows.signal.astype(np.int32)), pa.array(list(rows.signals)))
    moments = [pa.array(values, pa.timestamp("ms", tz="UTC")) for values in (rows.time_ms, rows.received_ms)]
    value = pa.array(np.round(rows.value, 4))
    return pa.Table.from_arrays([moments[0], one, signal, value, moments[1]], schema=SCHEMA)


def truth(world: World, events: list[Event], twin: World | None = None) -> Iterator[dict[str, Any]]:
    """All lines of the truth file for a world.

    Args:
        world: the run.
        events: of links; those of people are the world's own.
        twin: as for write.
    """
    spans = not_ready(world)

    def moment(minute: float) -> str:
        return world.span.at(minute).strftime("%Y-%m-%dT%H:%M:%SZ")

    for unit in world.designs:
        yield {
            "row": "unit",
            "unit": unit.id,
            "site": unit.site,
            "from": moment(0),
            "to": moment(world.span.minutes),
            "families": unit.words,
            "numbers": {
                part: {name: round(float(value), 9) for name, value in getattr(unit, part).items()}
                for part in ("water", "battery", "gas", "house", "habits")
            },
            "gateway": asdict(draw_gateway(world.seed, unit.number)),
        }
    for fault in world.faults:
        first = first_not_ready(fault, spans)
        seen = visible_at(fault, world, twin) if twin else None
        yield {
            "row": "fault",
            "unit": world.designs[fault.unit].id,
            "condition": fault.kind.condition,
            "cause": fault.kind.cause,
            "accepted": list(fault.kind.accepted),
            "signal": fault.signal,
            "onset": moment(fault.begin),
            "full_at": moment(fault.full),
            "ends_at": moment(fault.end),
            "repaired": fault.repaired,
            "severity": round(fault.severity, 3),
            "shape": fault.shape,
            "not_ready_at": moment(first.begin) if first else None,
            "not_ready_by": first.criterion if first else None,
            "already_not_ready": _already(fault, spans),
            "visible_at": None if seen is None else moment(seen),
        }
    for span in spans:
        row = {"row": "not_ready", "unit": world.designs[span.unit].id, "criterion": span.criterion}
        under_way = {e.name for e in world.calendars[span.unit].events if e.begin <= span.begin < e.end}
        yield row | {"from": moment(span.begin), "to": moment(span.end), "during": sorted(under_way)}
    for event in sorted(
        [*events, *(event for plan in world.calendars for event in plan.events)],
        key=lambda e: (e.unit, e.begin, e.name),
    ):
        row = {"row": "event", "unit": world.designs[event.unit].id, "name": event.name}
        yield row | {"from": moment(event.begin), "to": moment(event.end), "detail": event.detail}
    for start in world.starts:
        yield {
            "row": "start",
            "unit": world.designs[start.unit].id,
            "at": moment(start.minute),
            "reason": start.reason,
            "outcome": start.outcome,
            "tries": start.tries,
            "crank_s": round(start.crank_s, 2),
            "least_volts": round(start.least_volts, 3),
            "until": moment(start.runs_until),
        }


def _already(fault: Fault, spans: list[NotReady]) -> bool:
    """Whether the unit was not ready by the fault's own criteria when the fault began."""
    criteria = CRITERIA_OF[fault.kind.group]
    own = (span for span in spans if span.unit == fault.unit and span.criterion in criteria)
    return any(span.begin < fault.begin < span.end for span in own)


def fleet_text(worlds_designs: list[Any]) -> str:
    """The fleet file of all units.

    Args:
        worlds_designs: Design records of all parts of a run.
    """
    lines = []
    sites: dict[str, Any] = {unit.site: unit for unit in reversed(worlds_designs)}
    for site, unit in sorted(sites.items()):
        lines += [f"[sites.{site}]", f'name = "Place {unit.place}"', f'timezone = "{unit.zone}"']
        lines.append(f"latitude = {unit.latitude}")
        if unit.habits["visit_told"]:
            lines.append(f'visit_rule = "{unit.rules["visit"]}"')
        lines.append("")
    for unit in worlds_designs:
        seasonal = unit.habits["seasonal"] and unit.habits["seasonal_told"]
        lines += [
            f"[units.{unit.id}]",
            f'site = "{unit.site}"',
            f"battery_nominal_voltage = {12 * int(unit.battery['blocks'])}",
            f'battery_type = "{unit.words["battery"]}"',
            f'jacket_heater = "{"seasonal" if seasonal else "always"}"',
            f'regulator_vent = "{unit.words["vent"]}"',
        ]
        if unit.rules["exercise"] and unit.habits["exercise_told"]:
            lines.append(f'exercise_rule = "{unit.rules["exercise"]}"')
        lines.append("")
    return "\n".join(lines)
