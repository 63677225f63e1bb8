"""The reading batch: columns that travel from the decoder to the store and on to the assessment.

In: lists of the decoder, columns of a store or a file. Out: one frozen type. No object per reading on the way.
May import: numpy. Touches nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Int64 = NDArray[np.int64]
Int32 = NDArray[np.int32]
Float64 = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings as columns of one length.

    units, signals: the names that the two index columns count into.
    time_ns: the reading's own time, ns since 1970 UTC, int64 [n].
    unit, signal: index into units and signals, int32 [n].
    value: in the signal's symbol, finite, float64 [n].
    received_ns: moment of arrival, ns, int64 [n]; equal to time_ns where it is not known.
    """

    units: tuple[str, ...]
    signals: tuple[str, ...]
    time_ns: Int64
    unit: Int32
    signal: Int32
    value: Float64
    received_ns: Int64

    def __len__(self) -> int:
        return len(self.time_ns)

    def __post_init__(self) -> None:
        count = len(self.time_ns)
        columns = (self.unit, self.signal, self.value, self.received_ns)
        assert all(len(column) == count for column in columns), "columns of one batch have one length"
        assert self.time_ns.dtype == np.int64, "times are int64 ns"
        assert self.received_ns.dtype == np.int64, "times are int64 ns"

    def where(self, keep: Bool | NDArray[np.intp]) -> "Batch":
        """The rows of a mask or an order, as a batch of their own."""
        return Batch(
            self.units,
            self.signals,
            self.time_ns[keep],
            self.unit[keep],
            self.signal[keep],
            self.value[keep],
            self.received_ns[keep],
        )


def empty(units: Sequence[str], signals: Sequence[str]) -> Batch:
    """A batch without rows."""
    return from_columns(units, signals, (), (), (), (), ())


def from_columns(
    units: Sequence[str],
    signals: Sequence[str],
    time_ns: Sequence[int] | Int64,
    unit: Sequence[int] | Int32,
    signal: Sequence[int] | Int32,
    value: Sequence[float] | Float64,
    received_ns: Sequence[int] | Int64,
) -> Batch:
    """A batch of lists or arrays."""
    return Batch(
        tuple(units),
        tuple(signals),
        np.asarray(time_ns, np.int64),
        np.asarray(unit, np.int32),
        np.asarray(signal, np.int32),
        np.asarray(value, np.float64),
        np.asarray(received_ns, np.int64),
    )


def concat(batches: Iterable[Batch]) -> Batch:
    """One batch of several that count into the same names.

    Raises:
        ValueError: no batch at all (its names would be guessed).
    """
    some = list(batches)
    if not some:
        raise ValueError("concat needs at least one batch")
    first = some[0]
    assert all(batch.units == first.units and batch.signals == first.signals for batch in some), "same names"
    if len(some) == 1:
        return first
    return Batch(
        first.units,
        first.signals,
        np.concatenate([batch.time_ns for batch in some]),
        np.concatenate([batch.unit for batch in some]),
        np.concatenate([batch.signal for batch in some]),
        np.concatenate([batch.value for batch in some]),
        np.concatenate([batch.received_ns for batch in some]),
    )
