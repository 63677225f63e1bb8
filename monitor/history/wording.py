"""Sentences on rows of history that are no readings: what is there, what was expected, what to do.

In: a portion, and where in it. Out: text. May import: pyarrow, monitor.acquisition, monitor.signals, monitor.history.
Touches nothing.
"""

from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass
from functools import lru_cache
from typing import Any

import pyarrow as pa

from monitor.acquisition.faults import did_you_mean, quoted
from monitor.batch import Bool, Float64, Int32, Int64
from monitor.history.files import Portion
from monitor.signals import Signal
from monitor.times import SECOND_NS, to_rfc3339

NAMES_COMPARED_MAX = 500  # a hundred wrong names against ten thousand would take a minute


@dataclass(frozen=True, slots=True)
class Expected:
    """What history of a fleet can hold.

    least, greatest: plausible, [unit + 1, signal + 1]; switch: [signal + 1]. The last of each stands for an unknown
    name, whose index is -1: anything goes.
    """

    units: Mapping[str, int]
    signals: Mapping[str, int]
    table: tuple[Signal, ...]
    least: Float64
    greatest: Float64
    switch: Bool
    clock_tolerance_ns: int


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences on rows of one portion: what is there, what was expected, what to do."""

    portion: Portion
    expected: Expected
    _: KW_ONLY
    unit: Int32
    signal: Int32
    value: Float64
    ahead_ns: Int64

    def naive(self, name: str) -> Callable[[int], str]:
        return lambda position: (
            f"{name} is {self._there(name, position)} and does not say its offset. "
            "Write it as 2026-01-31T08:00:00Z, or with an offset like -07:00; in Parquet as a timestamp with a zone."
        )

    def no_time(self, name: str) -> Callable[[int], str]:
        return lambda position: (
            f"{name} is {self._there(name, position)}, which is no time from 1900 to 2199. "
            "Write it as 2026-01-31T08:00:00Z."
        )

    def unknown_unit(self, position: int) -> str:
        return (
            f"The fleet file has no unit {self._there('unit', position)}."
            f"{self._near('unit', position, tuple(self.expected.units))} "
            "Correct the name or add the unit, then import the file again."
        )

    def unknown_signal(self, position: int) -> str:
        return (
            f"There is no signal {self._there('signal', position)}."
            f"{self._near('signal', position, tuple(self.expected.signals))} "
            "Correct the name or add it to the fleet file under [signals], then import the file again."
        )

    def no_number(self, position: int) -> str:
        return f"value is {self._there('value', position)}, which is no finite number. Leave such rows out."

    def no_switch(self, position: int) -> str:
        name = self.expected.table[self.signal[position]].name
        return f"{name} is a switch; {self.value[position]:g} is neither 0 nor 1."

    def implausible(self, position: int) -> str:
        unit, signal = self.unit[position], self.signal[position]
        name, symbol = self.expected.table[signal].name, self.expected.table[signal].symbol
        return (
            f"{self.value[position]:g} {symbol} is outside what {name} can be here, "
            f"{self.expected.least[unit, signal]:g} to {self.expected.greatest[unit, signal]:g} {symbol}. "
            "Check the sensor, its wiring and the symbol."
        )

    def future(self, position: int) -> str:
        return (
            f"time lies {self.ahead_ns[position] / SECOND_NS:.6g} s after received, more than the setting "
            f"clock_tolerance of {self.expected.clock_tolerance_ns / SECOND_NS:g} s. Set the gateway's clock."
        )

    def _there(self, name: str, position: int) -> str:
        return quoted(as_written(self.portion.columns[name], position))

    def _near(self, name: str, position: int, known: tuple[str, ...]) -> str:
        return _did_you_mean(as_written(self.portion.columns[name], position), known)


def as_written(column: Any, position: int) -> str:
    """A field as it stands in the file; "" where it is empty."""
    there = column[position]
    try:
        return "" if there.as_py() is None else str(there.as_py())
    except (ValueError, OverflowError):  # a timestamp that no calendar of Python reaches
        return f"{there.cast(pa.int64()).as_py()} {there.type.unit} since 1970"


def as_csv(portion: Portion, position: int) -> bytes:
    """A row as text, for whoever looks at what was set aside."""
    return ",".join(as_written(column, position) for column in portion.columns.values()).encode("utf-8", "replace")


def same_moment(signal: Signal, unit: str, time_ns: int, *, here: float, kept: float, where: str) -> str:
    """The sentence on a second value for one moment."""
    return (
        f"{signal.name} of {unit} at {to_rfc3339(time_ns)} is {here} {signal.symbol} here and {kept} {where}, "
        "which stays. Correct the wrong one."
    )


@lru_cache(maxsize=1_000)
def _did_you_mean(name: str, known: tuple[str, ...]) -> str:
    """did_you_mean, where that does not take long."""
    return did_you_mean(name, known) if len(known) <= NAMES_COMPARED_MAX else ""
