"""The limits file: where each signal's warning, limit and not ready lie, and the thresholds of the conditions.

In: limits.toml over limits_default.toml, and the fleet whose sites and units it may name. Out: frozen rows for each
unit and the table of causes, or every fault of the file in one go. May import: monitor.causes_file, monitor.fleet,
monitor.signals, monitor.conditions, monitor.toml_tables, monitor.settings (for durations). Reads the file it is given
and the defaults, nothing else.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from math import isfinite
from pathlib import Path
from types import MappingProxyType

from models import diagnosis
from monitor.causes_file import KEYS, default_causes, with_tables
from monitor.conditions import CONDITIONS
from monitor.fleet import BATTERY_TYPES, Fleet
from monitor.settings import duration_s
from monitor.signals import BY_NAME
from monitor.times import SECOND_NS
from monitor.toml_tables import FileFaults, Table, content_of, did_you_mean, shown

FILE_BYTES_MAX = 16_000_000  # rows of their own for each of 10 000 units are some 10 MB
MODES = ("stopped", "running")
SIDES = ("low", "high")
LEVELS = ("warning", "limit", "not_ready")  # from the least to the greatest
CONDITION_OF: Mapping[tuple[str, str], str] = MappingProxyType(
    {  # what a value past its limit is called; signals that are not here have no limit rows
        ("jacket_water_temperature", "low"): "low_water_temperature",
        ("jacket_water_temperature", "high"): "high_water_temperature",
        ("battery_voltage", "low"): "low_battery_voltage",
        ("battery_voltage", "high"): "high_battery_voltage",
        ("gas_pressure", "low"): "low_gas_pressure",
        ("gas_pressure", "high"): "high_gas_pressure",
        ("enclosure_temperature", "low"): "low_enclosure_temperature",
        ("enclosure_temperature", "high"): "high_enclosure_temperature",
        ("gas_supply_pressure", "low"): "gas_supply_low",
    }
)
SIGNALS = tuple(dict.fromkeys(signal for signal, _ in CONDITION_OF))
NORMALS = ("from_normal", "times_normal")  # two ways to say the same bound: one a row
BOUNDS = (*NORMALS, "at")
DELAYS = ("on_delay", "off_delay")
ROW_KEYS = (*BOUNDS, *DELAYS, "deadband")
ROW_EXAMPLE = '{ at = 34.0, on_delay = "15 min", off_delay = "15 min", deadband = 2.0 }'

RowKey = tuple[str, str, str, str]
"""Signal, mode, side, level."""
Value = float | int | bool


class LimitsError(FileFaults):
    """A limits file that cannot be used; the text lists every fault, one a line."""


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of one signal.

    from_normal: added to what was learned; times_normal: multiplied with it; at least one of the two is None.
    at: plain bound, in the signal's symbol (battery: per 12 V block); None: judged only once the normal is learned.
    on_delay_ns, off_delay_ns: how long a value must lie beyond it, and back within by deadband, before it counts.
    """

    signal: str
    mode: str
    side: str
    level: str
    from_normal: float | None
    times_normal: float | None
    at: float | None
    on_delay_ns: int
    off_delay_ns: int
    deadband: float

    @property
    def condition(self) -> str:
        """The condition that a value beyond this row raises."""
        return CONDITION_OF[self.signal, self.side]


@dataclass(frozen=True)
class _Layer:
    """What one part of one file says: rows by key, thresholds by condition; False switches a row off."""

    rows: Mapping[RowKey, Mapping[str, Value] | bool]
    conditions: Mapping[str, Mapping[str, Value]]


@dataclass(frozen=True)
class _File:
    """One file: what it says for the whole fleet, a battery type, a site, a unit."""

    fleet: _Layer
    battery_types: Mapping[str, _Layer]
    sites: Mapping[str, _Layer]
    units: Mapping[str, _Layer]
    causes: diagnosis.Table


@dataclass(frozen=True)
class _Resolved:
    rows: tuple[LimitRow, ...]
    conditions: Mapping[str, Mapping[str, Value]]
    faults: tuple[str, ...]


class Limits:
    """The limits in force: for each unit its own over its site's, its battery type's, the fleet's, the defaults.

    text: of the file as it was, "" for the defaults alone. causes: what is behind what is seen, for the fleet. Units
    without tables of their own share one tuple of rows, so rows can be compared by identity to judge many units at
    once.
    """

    def __init__(self, text: str, units: Mapping[str, _Resolved], causes: diagnosis.Table) -> None:
        self.text = text
        self.causes = causes
        self._units = units

    def rows(self, unit_id: str) -> tuple[LimitRow, ...]:
        """Rows of a unit, by signal, mode, side, level; those switched off are not among them."""
        return self._units[unit_id].rows

    def condition(self, unit_id: str, condition: str) -> Mapping[str, Value]:
        """Thresholds of a condition for a unit: durations as int ns, the others as the file has them.

        Empty for a condition without thresholds; every key that limits_default.toml has is there.
        """
        return self._units[unit_id].conditions.get(condition, {})


def load_limits(path: Path | None, fleet: Fleet) -> Limits:
    """The limits that a file sets over the defaults.

    Args:
        path: limits.toml; None: the defaults alone.
        fleet: whose units, sites and battery types it may name.
    Raises:
        LimitsError: the file cannot be read or has faults; all of them are listed.
    """
    if path is None:
        return parse_limits("", fleet)
    try:
        if path.stat().st_size > FILE_BYTES_MAX:
            raise LimitsError([f"{path} is larger than {FILE_BYTES_MAX // 1_000_000} MB. Is it a limits file?"])
        text = path.read_text("utf-8")
    except OSError as error:
        raise LimitsError([f"{path} cannot be read: {error.strerror}. Name the limits file with --limits."]) from None
    except UnicodeDecodeError:
        raise LimitsError([f"{path} is no UTF-8 text. Save it as UTF-8."]) from None
    return parse_limits(text, fleet, path.name)


def parse_limits(text: str, fleet: Fleet, file: str = "limits.toml") -> Limits:
    """The limits that a TOML text sets over the defaults.

    Args:
        text: the file's, "" for the defaults alone.
        fleet: whose units, sites and battery types it may name.
        file: its name, for the sentences.
    Raises:
        LimitsError: every fault, those that only show once everything is merged among them.
    """
    faults: list[str] = []
    defaults = _parsed(default_text(), fleet, "limits_default.toml", faults, known_thresholds=None)
    thresholds = {name: frozenset(table) for name, table in defaults.fleet.conditions.items()}
    try:
        own = _parsed(text, fleet, file, faults, known_thresholds=thresholds)
    except FileFaults as error:
        raise LimitsError(error.faults) from None
    if faults:
        raise LimitsError(faults)
    resolved: dict[tuple[object, ...], _Resolved] = {}
    units: dict[str, _Resolved] = {}
    for unit in fleet.units.values():
        # Units that no table names and that share site table and battery type share one result.
        own_site, own_unit = unit.site in own.sites, unit.id in own.units
        shared = (unit.battery_type, unit.site if own_site else "", unit.id if own_unit else "")
        if shared not in resolved:
            layers = [defaults.fleet, defaults.battery_types.get(unit.battery_type), own.fleet]
            layers += [own.battery_types.get(unit.battery_type), own.sites.get(unit.site), own.units.get(unit.id)]
            resolved[shared] = _resolve([layer for layer in layers if layer is not None])
        units[unit.id] = resolved[shared]
    _refuse_unresolved(units, file)
    return Limits(text, units, own.causes)


def _refuse_unresolved(units: Mapping[str, _Resolved], file: str) -> None:
    """Say each fault of merged tables once, with the units that it holds for."""
    for_units: dict[str, list[str]] = {}
    for unit, resolved in units.items():
        for fault in resolved.faults:
            for_units.setdefault(fault, []).append(unit)
    if for_units:
        raise LimitsError(
            [
                f"{file}, as it holds for unit {some[0]}{f' and {len(some) - 1} more' if some[1:] else ''}, {fault}"
                for fault, some in for_units.items()
            ]
        )


def default_text() -> str:
    """The defaults as their file has them, comments and sources with them."""
    return files("monitor").joinpath("limits_default.toml").read_text("utf-8")


def _parsed(
    text: str, fleet: Fleet, file: str, faults: list[str], *, known_thresholds: Mapping[str, Collection[str]] | None
) -> _File:
    whole = Table(file, content_of(text, file), faults)
    whole.only(("fleet", "battery_types", "sites", "units", *KEYS))

    def named(key: str, known: Collection[str], what: str) -> dict[str, _Layer]:
        layers: dict[str, _Layer] = {}
        for name, table in whole.tables(key):
            if name not in known:
                table.fault(f'"{name}" is no {what}.{did_you_mean(name, known)}')
            layers[name] = _layer(table, f"{key}.{name}", known_thresholds)
        return layers

    return _File(
        fleet=_layer(whole.table("fleet", "[fleet]"), "fleet", known_thresholds),
        battery_types=named("battery_types", BATTERY_TYPES, "battery type"),
        sites=named("sites", fleet.sites, "site of the fleet file"),
        units=named("units", fleet.units, "unit of the fleet file"),
        causes=with_tables(whole, default_causes()),
    )


def _layer(table: Table, path: str, known_thresholds: Mapping[str, Collection[str]] | None) -> _Layer:
    rows: dict[RowKey, Mapping[str, Value] | bool] = {}
    for signal in table.content:
        if signal == "conditions":
            continue
        if signal not in SIGNALS:
            table.fault(_no_limit(signal))
            continue
        modes = table.table(signal, f"[{path}.{signal}]")
        for mode in modes.content:
            if mode not in MODES:
                modes.fault(f"{mode} is not known here.{did_you_mean(mode, MODES)}")
                continue
            rows.update(_rows(modes.table(mode, f"[{path}.{signal}.{mode}]"), signal, mode))
    conditions = table.table("conditions", f"[{path}.conditions]")
    thresholds = {
        name: _thresholds(conditions, conditions.table(name, f"[{path}.conditions.{name}]"), name, known_thresholds)
        for name in conditions.content
    }
    return _Layer(rows, thresholds)


def _no_limit(signal: str) -> str:
    known = BY_NAME.get(signal)
    if known is not None and known.is_switch:
        return f"{signal} is a switch and has no limits. Its delays stand under [fleet.conditions.…]."
    if known is not None:
        return f"{signal} has no limits of its own. Take it out; limits are known for {', '.join(SIGNALS)}."
    return f"{signal} is no signal with limits.{did_you_mean(signal, SIGNALS)}"


def _rows(table: Table, signal: str, mode: str) -> Iterator[tuple[RowKey, Mapping[str, Value] | bool]]:
    keys = {f"{side}_{level}": (side, level) for side in SIDES for level in LEVELS}
    for name, content in table.content.items():
        if name not in keys:
            table.fault(f"{name} is no level.{did_you_mean(name, keys)}")
            continue
        side, level = keys[name]
        if (signal, side) not in CONDITION_OF:
            table.fault(f"{name} would raise no condition: {signal} is judged on its other side only. Take it out.")
            continue
        if isinstance(content, bool):
            yield (signal, mode, side, level), content
            continue
        if not isinstance(content, Mapping):
            table.fault(f"{name} is {shown(content)}, where a table or false was expected: {name} = {ROW_EXAMPLE}.")
            continue
        row = Table(f"{table.place}, {name}", content, table.faults)
        row.only(ROW_KEYS)
        yield (signal, mode, side, level), _row(row)


def _row(row: Table) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for key in BOUNDS:
        if row.content.get(key) is False:  # takes away what a table below this one says
            found[key] = False
        elif key in row:
            found[key] = _or_zero(row.number(key, -1e9, 1e9))
    if all(found.get(key, False) is not False for key in NORMALS):
        row.fault("both from_normal and times_normal are given. Keep one of the two.")
    if "times_normal" in found and found["times_normal"] is not False and found["times_normal"] <= 0:
        row.fault(f"times_normal is {found['times_normal']:g}, where a number above 0 was expected.")
    for key in DELAYS:
        if key in row:
            found[key] = _duration_ns(row, key)
    if "deadband" in row:
        found["deadband"] = _or_zero(row.number("deadband", 0, 1e9))
    return found


def _or_zero(number: float | None) -> float:
    return 0.0 if number is None else number  # a fault is noted then, and nothing of the file is used


def _duration_ns(table: Table, key: str) -> int:
    value = table.content[key]
    if not isinstance(value, str):
        table.fault(f'{key} is {shown(value)}, where a duration was expected. Write it as "30 s", "15 min" or "2 h".')
        return 0
    try:
        seconds = duration_s(value)
    except ValueError as error:
        table.fault(f"{key}: {error}")
        return 0
    assert isinstance(seconds, float), "a text gives a number or an error"
    return round(seconds * SECOND_NS)


def _thresholds(
    conditions: Table, table: Table, name: str, known: Mapping[str, Collection[str]] | None
) -> dict[str, Value]:
    if name not in CONDITIONS:
        conditions.fault(f"{name} is no condition.{did_you_mean(name, CONDITIONS)}")
        return {}
    found: dict[str, Value] = {}
    for key, value in table.content.items():
        if known is not None and key not in known.get(name, ()):
            names = known.get(name, ())
            has = did_you_mean(key, names) if names else " It has none that can be set; take the key out."
            table.fault(f"{key} is no threshold of {name}.{has}")
        elif isinstance(value, str):
            found[key] = _duration_ns(table, key)
        elif isinstance(value, int | float) and isfinite(value) and value >= 0:  # true and false are among them
            found[key] = value
        else:
            table.fault(
                f'{key} is {shown(value)}, where a number from 0 on, or a duration like "15 min", was expected.'
            )
    return found


def _resolve(layers: list[_Layer]) -> _Resolved:
    faults: list[str] = []
    on: dict[RowKey, bool] = {}
    merged: dict[RowKey, dict[str, Value]] = {}
    conditions: dict[str, dict[str, Value]] = {}
    for layer in layers:
        for key, row in layer.rows.items():
            on[key] = row if isinstance(row, bool) else True
            if isinstance(row, bool):
                continue
            keys = merged.setdefault(key, {})
            if any(row.get(name, False) is not False for name in NORMALS):
                for name in NORMALS:  # the other way to say it, from a layer below, is meant to be replaced
                    keys.pop(name, None)
            keys.update(row)
        for condition, thresholds in layer.conditions.items():
            conditions.setdefault(condition, {}).update(thresholds)
    rows = [_limit_row(key, merged.get(key, {}), faults) for key in sorted(on, key=_order) if on[key]]
    whole = [row for row in rows if row is not None]
    _check_order(whole, faults)
    return _Resolved(tuple(whole), MappingProxyType(conditions), tuple(faults))


def _order(key: RowKey) -> tuple[int, int, int, int]:
    signal, mode, side, level = key
    return SIGNALS.index(signal), MODES.index(mode), SIDES.index(side), LEVELS.index(level)


def _limit_row(key: RowKey, keys: Mapping[str, Value], faults: list[str]) -> LimitRow | None:
    signal, mode, side, level = key
    name = f"{signal}.{mode}, {side}_{level}"
    bounds = {bound: None if keys.get(bound, False) is False else float(keys[bound]) for bound in BOUNDS}
    missing = [part for part in (*DELAYS, "deadband") if part not in keys]
    if all(bound is None for bound in bounds.values()):
        faults.append(
            f"{name}: no bound is left. Give at, from_normal or times_normal, or write {side}_{level} = false."
        )
        return None
    if missing:
        faults.append(
            f"{name}: {' and '.join(missing)} is missing, and no table before it has it. Write {ROW_EXAMPLE}."
        )
        return None
    return LimitRow(
        signal=signal,
        mode=mode,
        side=side,
        level=level,
        from_normal=bounds["from_normal"],
        times_normal=bounds["times_normal"],
        at=bounds["at"],
        on_delay_ns=int(keys["on_delay"]),
        off_delay_ns=int(keys["off_delay"]),
        deadband=float(keys["deadband"]),
    )


def _check_order(rows: list[LimitRow], faults: list[str]) -> None:
    """Limits must lie beyond warnings, not ready beyond limits, low below high, where the same measure is used."""
    by_mode: dict[tuple[str, str], list[LimitRow]] = {}
    for row in rows:
        by_mode.setdefault((row.signal, row.mode), []).append(row)
    for (signal, mode), some in by_mode.items():
        for bound in BOUNDS:
            given = {(row.side, row.level): value for row in some if (value := getattr(row, bound)) is not None}
            lows = [(f"low_{level}", given["low", level]) for level in reversed(LEVELS) if ("low", level) in given]
            highs = [(f"high_{level}", given["high", level]) for level in LEVELS if ("high", level) in given]
            for (lower, low), (upper, high) in zip(lows + highs, (lows + highs)[1:], strict=False):
                strict = lower.startswith("low") and upper.startswith("high")
                if low > high or (strict and low == high):
                    faults.append(
                        f"{signal}.{mode}: {bound} of {lower} is {low:g} and of {upper} {high:g}. "
                        f"From low to high they must rise: not_ready, limit, warning, then warning, limit, not_ready."
                    )
