"""Checks on rows of history: which are readings of the fleet, and what is wrong with the others.

In: portions of Arrow columns, untrusted. Out: rows as one structured array; items set aside. Columns at a time: only
rows that are set aside are looked at one by one, and of those a bounded number. May import: numpy, pyarrow,
monitor.acquisition, monitor.fleet, monitor.history.files. Touches nothing.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from monitor.acquisition.quarantine import Reason
from monitor.batch import Bool, Float64, Int32, Int64
from monitor.fleet import Fleet
from monitor.history.files import Portion
from monitor.history.wording import Expected, Words

ROW = np.dtype(
    [("time", np.int64), ("received", np.int64), ("value", np.float64), ("origin", np.int64), ("signal", np.int16)]
)
"""One reading of one unit. origin: where it stands, file and row in one number."""

# RFC 3339, years 1900 to 2199, which int64 ns hold. A leap second is refused: no time in ns exists for it.
_DAY = r"(?:19|20|21)\d\d-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
_TIME = r"[T ](?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d+)?"
_OFFSET = r"(?:Z|[+-](?:[01]\d|2[0-3]):[0-5]\d)"
WITH_OFFSET = f"^{_DAY}{_TIME}{_OFFSET}$"
WITHOUT_OFFSET = f"^{_DAY}{_TIME}$"
NUMBER = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"
TIME_NS_LEAST = -2_208_988_800 * 1_000_000_000  # 1900-01-01
TIME_NS_GREATEST = 7_258_118_400 * 1_000_000_000 - 1  # before 2200-01-01
CHARACTERS_WITHOUT_LONG_FRACTION = 35  # 2026-01-01T00:00:00.123456789+00:00; beyond, digits past ns are cut
NS_OF = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}


@dataclass(frozen=True, slots=True)
class Wrong:
    """One kind of fault in a portion: its rows, and a sentence for each (of the row's position in the portion)."""

    reason: Reason
    rows: Bool
    sentence: Callable[[int], str]


@dataclass(frozen=True, slots=True)
class Checked:
    """A portion as it was judged.

    rows: the readings, ROW [good]. unit: of each the index into the fleet's units, int32 [good]. unit_of_all: of each
    row of the portion, -1 where it is not known, int32 [n]. wrong: each row that is no reading stands in exactly one of
    these. with_received: whether the file says when its readings were received.
    """

    rows: NDArray[np.void]
    unit: Int32
    unit_of_all: Int32
    wrong: tuple[Wrong, ...]
    with_received: bool


def expected_of(fleet: Fleet, clock_tolerance_ns: int) -> Expected:
    """What history of a fleet can hold: also the signals that the program writes itself, and exports."""
    blocks = np.array([unit.blocks for unit in fleet.units.values()], np.float64).reshape(-1, 1)
    scale = np.where([signal.per_block for signal in fleet.signals], blocks, 1.0)
    least = scale * [signal.plausible_least for signal in fleet.signals]
    greatest = scale * [signal.plausible_greatest for signal in fleet.signals]
    return Expected(
        units={name: index for index, name in enumerate(fleet.unit_names)},
        signals={name: index for index, name in enumerate(fleet.signal_names)},
        table=fleet.signals,
        least=np.pad(least, (0, 1), constant_values=-np.inf),
        greatest=np.pad(greatest, (0, 1), constant_values=np.inf),
        switch=np.array([*(signal.is_switch for signal in fleet.signals), False]),
        clock_tolerance_ns=clock_tolerance_ns,
    )


def checked(portion: Portion, expected: Expected, origin: Int64) -> Checked:
    """Judge a portion. origin: of each row, int64 [n]."""
    time = _times(portion.columns["time"])
    with_received = "received" in portion.columns
    received = _times(portion.columns["received"], empty_is=time) if with_received else time
    unit = _indices(portion.columns["unit"], expected.units)
    signal = _indices(portion.columns["signal"], expected.signals)
    value = _numbers(portion.columns["value"])
    words = Words(portion, expected, unit=unit, signal=signal, value=value, ahead_ns=time.ns - received.ns)
    neither = expected.switch[signal] & (value != 0.0) & (value != 1.0)
    beyond = (value < expected.least[unit, signal]) | (value > expected.greatest[unit, signal])
    wrong, good = _each_once(
        Wrong(Reason.NAIVE_TIME, time.naive, words.naive("time")),
        Wrong(Reason.NAIVE_TIME, received.naive, words.naive("received")),
        Wrong(Reason.UNREADABLE, ~time.readable, words.no_time("time")),
        Wrong(Reason.UNREADABLE, ~received.readable, words.no_time("received")),
        Wrong(Reason.UNKNOWN_UNIT, unit < 0, words.unknown_unit),
        Wrong(Reason.UNKNOWN_SIGNAL, signal < 0, words.unknown_signal),
        Wrong(Reason.UNREADABLE, ~np.isfinite(value), words.no_number),
        Wrong(Reason.IMPLAUSIBLE, neither, words.no_switch),
        Wrong(Reason.IMPLAUSIBLE, beyond, words.implausible),
        Wrong(Reason.FUTURE, words.ahead_ns > expected.clock_tolerance_ns, words.future),
    )
    rows = np.empty(int(good.sum()), ROW)
    rows["time"] = time.ns[good]
    rows["received"] = received.ns[good]
    rows["value"] = value[good] + 0.0  # minus zero is zero
    rows["origin"] = origin[good]
    rows["signal"] = signal[good]
    return Checked(rows, unit[good], unit, wrong, with_received)


def _each_once(*all_wrong: Wrong) -> tuple[tuple[Wrong, ...], Bool]:
    """The first fault of each row, in the order given; and the rows that have none."""
    good = np.ones(len(all_wrong[0].rows), np.bool_)
    first = []
    for wrong in all_wrong:
        rows = wrong.rows & good
        if rows.any():
            first.append(Wrong(wrong.reason, rows, wrong.sentence))
            good &= ~rows
    return tuple(first), good


@dataclass(frozen=True, slots=True)
class _Times:
    """ns: int64 [n], 0 where it is not readable. naive: a time, but without an offset."""

    ns: Int64
    readable: Bool
    naive: Bool


def _times(column: Any, *, empty_is: _Times | None = None) -> _Times:
    """Times of a column of timestamps or texts. empty_is: what stands for a missing one; None: it is not readable."""
    times = _stamps(column) if pa.types.is_timestamp(column.type) else _written(_plain_text(column))
    if empty_is is None:
        return times
    missing = _is_empty(column)
    return _Times(
        np.where(missing, empty_is.ns, times.ns),
        np.where(missing, empty_is.readable, times.readable),
        np.where(missing, False, times.naive),
    )


def _stamps(column: Any) -> _Times:
    factor = NS_OF[column.type.unit]
    count = _filled(column.cast(pa.int64()), 0)
    missing = _is_empty(column)
    readable = (count >= TIME_NS_LEAST // factor) & (count <= TIME_NS_GREATEST // factor) & ~missing
    naive = readable & (column.type.tz is None)
    return _Times(np.where(readable, count, 0) * factor, readable, naive)


def _written(text: Any) -> _Times:
    text = pc.utf8_upper(pc.utf8_trim_whitespace(text))
    if (pc.max(pc.utf8_length(text)).as_py() or 0) > CHARACTERS_WITHOUT_LONG_FRACTION:
        text = pc.replace_substring_regex(text, r"(\.\d{9})\d+", r"\1")
    is_day = _is_day(pc.utf8_slice_codeunits(text, 0, 10))
    readable = _truth(pc.match_substring_regex(text, WITH_OFFSET)) & is_day
    naive = _truth(pc.match_substring_regex(text, WITHOUT_OFFSET)) & is_day
    sound = pc.if_else(pa.array(readable), text, None)
    ns = _filled(sound.cast(pa.timestamp("ns", "UTC")).cast(pa.int64()), 0)
    return _Times(ns, readable | naive, naive)


def _is_day(text: Any) -> Bool:
    """Which texts are days of the calendar: 30 February looks like one. Each distinct text is looked at once."""
    days = text.dictionary_encode()
    sound = np.array([_calendar_has(day) for day in days.dictionary.to_pylist()] + [False])
    is_day: Bool = sound[_filled(days.indices, -1)]
    return is_day


def _calendar_has(day: str) -> bool:
    try:
        return bool(date.fromisoformat(day))
    except ValueError:
        return False


def _indices(column: Any, known: Mapping[str, int]) -> Int32:
    """Index of each name, -1 where it is not known or missing."""
    names = column if pa.types.is_dictionary(column.type) else _plain_text(column).dictionary_encode()
    index = np.array([known.get(name, -1) for name in names.dictionary.to_pylist()] + [-1], np.int32)
    indices: Int32 = index[_filled(names.indices, -1)]
    return indices


def _numbers(column: Any) -> Float64:
    """Each value, NaN where there is no number."""
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.uint8())
    elif _is_text(column.type):
        text = pc.utf8_trim_whitespace(_plain_text(column))
        column = pc.if_else(pc.match_substring_regex(text, NUMBER), text, None)
    return _filled(column.cast(pa.float64(), safe=False), np.nan)


def _is_text(kind: Any) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind))


def _plain_text(column: Any) -> Any:
    return column.cast(pa.string())


def _is_empty(column: Any) -> Bool:
    missing = _truth(column.is_null())
    if pa.types.is_timestamp(column.type):
        return missing
    return missing | _truth(pc.equal(pc.utf8_trim_whitespace(_plain_text(column)), ""))


def _truth(column: Any) -> Bool:
    """Of Arrow truth values, False where they are missing."""
    return _filled(column, False)


def _filled(column: Any, missing: Any) -> NDArray[Any]:
    array: NDArray[Any] = pc.fill_null(column, missing).to_numpy(zero_copy_only=False)
    return array
