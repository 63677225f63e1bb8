"""Checkpoint: the assessor's memory in one file, so that a restart needs only what arrived since.

In: an assessor. Out: an .npz file of plain arrays and one JSON text; read back without pickle, refused where it does
not fit. May import: monitor.assessment, monitor.alarms. Touches only the file it is given.

A checkpoint saves time, it holds nothing that the history does not: without one the history is judged again.
"""

import json
import os
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np

from models.normal import Normal
from models.running import Run
from models.seen import Crank
from monitor.alarms.lifecycle import Cause, Evidence, NotReady, Urgency
from monitor.assessment.assessor import Assessor
from monitor.assessment.cranks import Dip
from monitor.assessment.delays import Standing
from monitor.assessment.returning import Lasting, Reason
from monitor.assessment.silence import Deaf
from monitor.assessment.state import Held, Noted, UnitState

FORMAT = 7  # raised whenever the meaning of what is kept changes; an older one is then judged again


class Unusable(Exception):
    """A checkpoint that is damaged or of another make; the text says why. The history is judged again instead."""


def save(assessor: Assessor, path: Path) -> None:
    """Keep the memory; the file is the old or the new one at every moment."""
    head = {
        "format": FORMAT,
        "units": list(assessor.ground.fleet.unit_names),
        "signals": list(assessor.ground.fleet.signal_names),
        "rules": [assessor.judged_by(place) for place in range(len(assessor.ground.units))],
        "states": [_out(state) for state in assessor.states],
    }
    columns = {f"tracks.{name}": column for name, column in assessor.tracks.columns().items()}
    partial = path.with_suffix(".partial")
    with partial.open("wb") as file:
        np.savez(
            file,
            head=np.frombuffer(json.dumps(head, default=_number).encode(), np.uint8),
            assessed_ns=assessor.assessed_ns,
            **columns,  # type: ignore[arg-type]  # numpy's stub takes the keyword for allow_pickle
        )
        file.flush()
        os.fsync(file.fileno())
    partial.replace(path)


def restore(assessor: Assessor, path: Path) -> list[int]:
    """Take a kept memory back.

    A unit whose rules have changed since is judged again from its begin, so that live running and a replay of the same
    history under the same limits say the same.

    Returns: index of the units that the checkpoint knows; the others' history has to be judged from its begin.
    Raises:
        Unusable: no such file, damaged, or of another format; the assessor is as it was.
    """
    try:
        with path.open("rb") as raw, np.load(raw, allow_pickle=False) as file:
            columns = {name: file[name] for name in file.files}
        head = json.loads(columns.pop("head").tobytes())
        assessed = columns.pop("assessed_ns")
    except FileNotFoundError:
        raise Unusable("there is no checkpoint yet") from None
    except Exception as error:  # a turned bit misleads zip and NumPy into any of a dozen errors
        raise Unusable(f"{path.name} is damaged ({error})") from None
    if head.get("format") != FORMAT:
        raise Unusable(f"{path.name} was written by another version")
    kept = {name: place for place, name in enumerate(head["units"])}
    names = assessor.ground.fleet.unit_names
    known = [place for place, name in enumerate(names) if name in kept and _same_rules(assessor, head, place, kept)]
    if head["signals"] != list(assessor.ground.fleet.signal_names):
        raise Unusable("the signals of the fleet have changed")
    old = np.array([kept[names[place]] for place in known], np.int64)
    new = np.array(known, np.int64)
    tracks = {name.removeprefix("tracks."): column for name, column in columns.items()}
    _check_shapes(assessor, tracks, len(kept))
    assessor.tracks.restore(tracks, new, old, len(head["signals"]))
    assessor.assessed_ns[new] = assessed[old]
    for place, before in zip(new.tolist(), old.tolist(), strict=True):
        assessor.adopt(place, _in(head["states"][before], assessor.nothings))
    return known


def _number(value: object) -> object:
    """A NumPy number as Python's own; anything else is a mistake of ours."""
    assert isinstance(value, np.generic), f"a {type(value).__name__} is no plain number"
    return value.item()


def _same_rules(assessor: Assessor, head: dict[str, Any], place: int, kept: dict[str, int]) -> bool:
    before = head["rules"][kept[assessor.ground.fleet.unit_names[place]]]
    return bool(before == assessor.judged_by(place))


def _check_shapes(assessor: Assessor, columns: dict[str, np.ndarray], units: int) -> None:
    for name, mine in assessor.tracks.columns().items():
        column = columns.get(name)
        rows = units if len(mine) == len(assessor.ground.fleet.units) else units * len(assessor.ground.fleet.signals)
        if column is None or column.dtype != mine.dtype or column.shape != (rows, *mine.shape[1:]):
            raise Unusable(f"its column {name} does not fit")


def _out(state: UnitState) -> dict[str, object]:
    return {
        "normal": asdict(state.normal),
        "standings": {name: asdict(standing) for name, standing in state.standings.items()},
        "passed": state.passed,
        "reasons": {
            condition: {source: _reason_out(reason) for source, reason in sources.items()}
            for condition, sources in state.reasons.items()
        },
        "runs": [asdict(run) for run in state.runs],
        "in_band": sorted(state.in_band),
        "deaf": [asdict(span) for span in state.deaf],
        "offline_ns": state.offline_ns,
        "clock_ahead_ns": state.clock_ahead_ns,
        "suspect": state.suspect,
        "run_signal": state.run_signal,
        "held": {condition: asdict(held) for condition, held in state.held.items()},
        "learned": {name: asdict(normal) for name, normal in state.learned.items()},
        "cranks": [asdict(crank) for crank in state.cranks],
        "dip": None if state.dip is None else asdict(state.dip),
        "calm_ns": state.calm_ns,
        "notes": [asdict(note) for note in state.notes],
        "begins": state.begins,
        "lasting": {
            condition: {
                source: [_reason_out(last.reason), last.ended_ns, last.noticed_ns] for source, last in sources.items()
            }
            for condition, sources in state.lasting.items()
        },
    }


def _in(kept: dict[str, Any], nothings: dict[str, Any]) -> UnitState:
    return UnitState(
        normal=Normal(**kept["normal"]),
        standings={name: Standing(**standing) for name, standing in kept["standings"].items()},
        passed=dict(kept["passed"]),
        reasons={
            condition: {source: _reason_in(reason) for source, reason in sources.items()}
            for condition, sources in kept["reasons"].items()
        },
        runs=[Run(**run) for run in kept["runs"]],
        in_band={(name, began) for name, began in kept["in_band"]},
        deaf=[Deaf(**span) for span in kept["deaf"]],
        offline_ns=kept["offline_ns"],
        clock_ahead_ns=kept["clock_ahead_ns"],
        suspect=[(signal, from_ns, to_ns, soft) for signal, from_ns, to_ns, soft in kept["suspect"]],
        run_signal=kept["run_signal"],
        held={condition: _held_in(held) for condition, held in kept["held"].items()},
        learned={
            name: _normal_in(nothings[name], kept["learned"][name]) for name in nothings if name in kept["learned"]
        },
        cranks=[Crank(**crank) for crank in kept["cranks"]],
        dip=None if kept["dip"] is None else Dip(**kept["dip"]),
        calm_ns=kept["calm_ns"],
        notes=[Noted(**note) for note in kept["notes"]],
        begins={condition: tuple(map(tuple, begins)) for condition, begins in kept["begins"].items()},
        lasting={
            condition: {
                source: Lasting(_reason_in(reason), ended_ns, noticed_ns)
                for source, (reason, ended_ns, noticed_ns) in sources.items()
            }
            for condition, sources in kept["lasting"].items()
        },
    )


def _reason_out(reason: Reason) -> list[object]:
    said = [[cause.cause, cause.probability] for cause in reason.causes]
    forecast = None if reason.not_ready_at is None else asdict(reason.not_ready_at)
    return [reason.urgency.value, reason.since_ns, asdict(reason.evidence), said, forecast]


def _reason_in(kept: list[Any]) -> Reason:
    urgency, since, evidence, said, forecast = kept
    causes = tuple(Cause(cause, probability) for cause, probability in said)
    not_ready_at = None if forecast is None else NotReady(**forecast)
    return Reason(Urgency(urgency), since, Evidence(**evidence), causes, not_ready_at)


def _held_in(kept: dict[str, Any]) -> Held:
    return Held(**(kept | {"urgency": None if kept["urgency"] is None else Urgency(kept["urgency"])}))


def _normal_in(nothing: Any, kept: dict[str, Any]) -> object:
    """A model's normal, of the make of the one that knows nothing."""
    return _typed(type(nothing), kept)


def _typed(make: Any, kept: Any) -> Any:
    """What JSON kept as what it was: dataclasses, named tuples and tuples of them, numbers and texts."""
    if isinstance(make, type) and is_dataclass(make):
        hints = get_type_hints(make)
        return make(**{name: _typed(hints[name], value) for name, value in kept.items()})
    if get_origin(make) is tuple:
        each, *_ = get_args(make)
        return tuple(_typed(each, value) for value in kept)
    if hasattr(make, "_fields"):
        return make(*(_typed(hint, value) for hint, value in zip(get_type_hints(make).values(), kept, strict=True)))
    return kept
