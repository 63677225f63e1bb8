"""What a played scenario goes on from, as text: to be kept over a stop of the program, and checked when it is read.

In: what is kept, or a text. Out: a text, or what was kept. May import: numpy, simulator. Touches nothing.

JSON, with every array as its kind, shape and numbers: nothing in it runs, and Python's floats come back as they were.
"""

import json
import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from hashlib import blake2b
from typing import get_args, get_origin, get_type_hints

import numpy as np

from simulator.ongoing import Kept
from simulator.scenario import Scenario

FORMAT = 2
KINDS = ("float64", "int64", "uint16", "bool")
CHARACTERS_MAX = 50_000_000  # 500 units keep some 2 MB; more is no file of ours


class NotKept(ValueError):
    """A text is nothing that was kept of this scenario. The sentence says why."""


def as_text(kept: Kept, scenario: Scenario) -> str:
    """What a scenario goes on from, as text."""
    return json.dumps({"format": FORMAT, "of": _fingerprint(scenario), "kept": _plain(kept)}, separators=(",", ":"))


def from_text(text: str, scenario: Scenario) -> Kept:
    """What was kept of a scenario; its faults may be others by now.

    Raises:
        NotKept: it is of another format or scenario, or damaged.
    """
    if len(text) > CHARACTERS_MAX:
        raise NotKept("it is far too long")
    try:
        content = json.loads(text)
        told = content["format"], content["of"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise NotKept("it is damaged") from None
    if told != (FORMAT, _fingerprint(scenario)):
        raise NotKept("it was written by another version, or for other units")
    try:
        kept = _built(Kept, content["kept"])
        assert isinstance(kept, Kept), "built by its type"
        _check(kept, units=len(scenario.units), scenario=scenario)
    except (ValueError, KeyError, TypeError, OverflowError):
        raise NotKept("it is damaged") from None
    return kept


def _fingerprint(scenario: Scenario) -> str:
    """What has to be the same for a scenario to go on: all but its faults."""
    same = (scenario.seed, scenario.from_ns, scenario.sites, scenario.units, scenario.events)
    return blake2b(repr((*same, scenario.outages, scenario.signals)).encode(), digest_size=16).hexdigest()


def _plain(value: object) -> object:
    """A record as JSON has it."""
    if isinstance(value, np.ndarray):
        assert value.dtype.name in KINDS, f"{value.dtype} is not kept"
        return {"kind": value.dtype.name, "shape": list(value.shape), "numbers": value.ravel().tolist()}
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    assert value is None or isinstance(value, (bool, int, float, str)), f"{type(value)} is not kept"
    return value


def _built(kind: object, content: object) -> object:
    """A record of a type out of JSON. Raises ValueError, KeyError or TypeError where it does not fit."""
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        if not isinstance(content, dict) or set(content) != set(hints):
            raise ValueError(f"no {kind.__name__}")
        return kind(**{name: _built(hint, content[name]) for name, hint in hints.items()})
    origin, parts = get_origin(kind), get_args(kind)
    if origin is np.ndarray:
        return _array(kind, content)
    if origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        if not isinstance(content, dict):
            raise ValueError("no mapping")
        return {key: _built(parts[1], part) for key, part in content.items()}
    if origin is tuple:
        if not isinstance(content, list):
            raise ValueError("no list")
        if parts[-1] is Ellipsis:
            return tuple(_built(parts[0], part) for part in content)
        return tuple(_built(hint, part) for hint, part in zip(parts, content, strict=True))
    if isinstance(kind, types.UnionType):
        return None if content is None else _built(next(part for part in parts if part is not type(None)), content)
    wanted = (int, float) if kind is float else kind
    if not isinstance(content, wanted) or (isinstance(content, bool) and kind is not bool):  # type: ignore[arg-type]
        raise ValueError(f"no {kind}")
    return content


def _array(kind: object, content: object) -> np.ndarray[tuple[int, ...], np.dtype[np.generic]]:
    """An array of the type that is wanted."""
    wanted = np.dtype(get_args(get_args(kind)[1])[0]).name
    if not isinstance(content, dict) or content["kind"] != wanted or wanted not in KINDS:
        raise ValueError("no such array")
    array: np.ndarray[tuple[int, ...], np.dtype[np.generic]] = np.array(content["numbers"], dtype=wanted)
    return array.reshape([int(length) for length in content["shape"]])


def _check(kept: Kept, *, units: int, scenario: Scenario) -> None:
    """Refuse what would go wrong later: other counts of units, a time outside the scenario, no numbers."""
    if not scenario.from_ns <= kept.at_ns <= scenario.to_ns or kept.telemetry.at_ns != kept.at_ns:
        raise ValueError("another time")
    states = kept.world.states
    records = (states.water, states.enclosure, states.battery, states.gas)
    columns = [getattr(record, field.name) for record in records for field in fields(record)]
    world = kept.world
    columns += [world.volts, world.current, world.pressure, world.running, world.load, world.unload_ns, world.stop_ns]
    columns += [world.tried, world.loaded, world.locked, world.band_shift, world.set_point, kept.telemetry.watched_ns]
    if any(len(column) != units or not np.isfinite(column).all() for column in columns):
        raise ValueError("other units")
    lagged, held = kept.telemetry.lagged, kept.telemetry.held
    if set(lagged) != set(scenario.signals) or set(held) != set(scenario.signals):
        raise ValueError("other signals")
    if any(column.shape != (units, 1) for column in (*lagged.values(), *held.values())):
        raise ValueError("other units")
    if any(not 0 <= run.unit < units for run in kept.world.active):
        raise ValueError("another unit")
    if any(not scenario.from_ns <= one.from_ns < one.to_ns for one in kept.world.called):
        raise ValueError("mended before it began")
