"""Replay: stored history through the very code that runs live, in event time.

In: a history unit by unit, the fleet, limits. Out: alarms as JSON lines or a table. May import: everything that judges,
monitor.history, monitor.visits; not the stores. Touches only the files it is given.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from monitor.alarms.changes import changes_of
from monitor.alarms.lifecycle import Alarm, Finding, NotReady, Said, State
from monitor.assessment.assessor import Assessor
from monitor.assessment.ground import Deadline
from monitor.assessment.modelling import Models
from monitor.assessment.models_known import MODELS
from monitor.batch import Batch
from monitor.fleet import Fleet, load_fleet
from monitor.history import History
from monitor.limits_file import Limits, load_limits
from monitor.times import to_rfc3339
from monitor.visits import load_visits

Progress = Callable[[int, int], None]
"""Told how many units of how many are done."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay did: units and readings judged, rows set aside, alarms written."""

    units: int
    readings: int
    set_aside: int
    alarms: int


def alarms_of(findings: Iterable[Finding]) -> list[Alarm]:
    """The alarms that findings make, each as it last was while it spoke.

    Those that were suppressed by design from begin to end are left out. One that spoke first and was explained later
    is over when it was suppressed: from then on the alarm of the cause speaks.
    """
    _, changes = changes_of({}, findings)
    spoken: dict[str, Alarm] = {}
    for change in changes:
        alarm = change.after
        was_suppressed = change.before is not None and change.before.state is State.SUPPRESSED
        if alarm.state is not State.SUPPRESSED and not (was_suppressed and not alarm.present):
            spoken[alarm.id] = alarm
        elif alarm.id in spoken and not was_suppressed:
            spoken[alarm.id] = replace(spoken[alarm.id], cleared_at_ns=change.at_ns)
    return list(spoken.values())


def replay_unit(
    fleet: Fleet,
    limits: Limits,
    deadline: Deadline,
    unit: str,
    rows: Batch,
    until_ns: int,
    *,
    models: Models = MODELS,
) -> list[Alarm]:
    """The alarms of one unit's history.

    Args:
        rows: of this unit alone, any order; count into the fleet's names. until_ns: how far arrivals are known.
        models: that judge beside the limits; Models(()) leaves the limits alone.
    """
    alone = Fleet(
        {fleet.units[unit].site: fleet.sites[fleet.units[unit].site]}, {unit: fleet.units[unit]}, fleet.signals
    )
    assessor = Assessor(alone, limits, deadline, models=models)
    own = Batch(
        alone.unit_names,
        alone.signal_names,
        rows.time_ns,
        np.zeros(len(rows), np.int32),
        rows.signal,
        rows.value,
        rows.received_ns,
    )
    if not len(own):
        return []
    return alarms_of(assessor.advance(own, until_ns))


def alarm_line(alarm: Alarm) -> str:
    """One alarm as the contract's JSON line."""
    return json.dumps(
        {
            "unit": alarm.unit,
            "condition": alarm.condition,
            "urgency": alarm.urgency.value,
            "raised_at": to_rfc3339(alarm.raised_at_ns),
            "cleared_at": None if alarm.cleared_at_ns is None else to_rfc3339(alarm.cleared_at_ns),
            "urgency_history": [[to_rfc3339(at), urgency.value] for at, urgency in alarm.urgency_history],
            **_spoken(alarm.said),
            "first_said": {"urgency": alarm.first_said.urgency.value, **_spoken(alarm.first_said)},
        },
        separators=(", ", ": "),
    )


def _spoken(said: Said) -> dict[str, object]:
    return {
        "causes": [{"cause": cause.cause, "probability": cause.probability} for cause in said.causes],
        "not_ready_at": _quantiles(said.not_ready_at),
    }


def _quantiles(not_ready: NotReady | None) -> dict[str, str | None] | None:
    if not_ready is None:
        return None
    moments = {"p10": not_ready.p10, "p50": not_ready.p50, "p90": not_ready.p90}
    return {name: None if at is None else to_rfc3339(at) for name, at in moments.items()}


def in_order(alarms: Iterable[Alarm]) -> list[Alarm]:
    """By raised_at, unit, condition."""
    return sorted(alarms, key=lambda alarm: (alarm.raised_at_ns, alarm.unit, alarm.condition))


def replay_history(
    history: History,
    fleet: Fleet,
    limits: Limits,
    deadline: Deadline,
    *,
    from_ns: int | None = None,
    to_ns: int | None = None,
    progress: Progress = lambda done, of: None,
) -> tuple[list[Alarm], int]:
    """The alarms of a whole history, in the contract's order, and how many readings were judged.

    Args:
        from_ns: only alarms raised from then on; what lies before is learned from. to_ns: nothing received at or after
            it is looked at, as if that were the present. None: all of it.
    """
    until = history.until_ns() if to_ns is None else to_ns - 1
    if until is None:
        return [], 0
    alarms: list[Alarm] = []
    judged = 0
    names = [name for name in history.units() if name in fleet.units]
    for done, unit in enumerate(names, start=1):
        rows = history.unit(unit)
        rows = rows.where(rows.received_ns <= until)
        judged += len(rows)
        alarms += replay_unit(fleet, limits, deadline, unit, rows, until)
        progress(done, len(names))
    return in_order(alarm for alarm in alarms if from_ns is None or alarm.raised_at_ns >= from_ns), judged


def replay_files(
    fleet_path: Path,
    readings: Sequence[Path],
    alarms: Path,
    *,
    limits: Path | None = None,
    models: Path | None = None,
    from_ns: int | None = None,
    to_ns: int | None = None,
    progress: Progress = lambda done, of: None,
) -> Replayed:
    """`stillready replay`: files in, one JSON object a line out. The same files give the same bytes, in any order.

    Args:
        fleet_path: fleet.toml. readings: files or folders of Parquet and CSV. alarms: where the lines go.
        limits: limits.toml; None: the defaults. models: trained models; nothing reads them yet, so it must be None.
    Raises:
        FileFaults: a file cannot be used; every fault in its text.
    """
    assert models is None, "the command refuses --models until there are models"
    fleet = load_fleet(fleet_path)
    history = History(readings, fleet)
    found, judged = replay_history(
        history,
        fleet,
        load_limits(limits, fleet),
        load_visits(fleet).deadline,
        from_ns=from_ns,
        to_ns=to_ns,
        progress=progress,
    )
    alarms.write_text("".join(f"{alarm_line(alarm)}\n" for alarm in found), encoding="utf-8")
    return Replayed(len(history.units()), judged, len(history.set_aside), len(found))
