"""What sensors make of the truth: lag, calibration, drift, wrong scale, noise, steps; or the same value for ever.

In: what perfect sensors would read, faults of sensors. Out: what is sent, at any time of a span. May import: numpy,
simulator. Touches nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simulator.chance import SECOND_NS, Bool, Float64, Int64, even, keys, white
from simulator.faults import Fault, FaultKind, severity_at
from simulator.gateways import DRIFT, QUICK_SIGNALS, SIGNALS, SWITCHES, WRONG_SCALE
from simulator.reporting import Reporting

MINUTE_NS = 60 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Truth:
    """What perfect sensors would read in a span.

    time_ns: whole minutes, one after the other, [minute]. values: by signal of SIGNALS, [unit, minute]; NaN, or a
    signal left out: no such sensor. quick_…: rows a second, in any order, while battery and gas move quickly, none
    before the first minute: unit counts into the units, signal into SIGNALS, [row].
    """

    time_ns: Int64
    values: Mapping[str, Float64]
    quick_time_ns: Int64
    quick_unit: Int64
    quick_signal: Int64
    quick_value: Float64


class Sensed:
    """The sensors of all units in a span. Columns of the minute grid begin with the last minute before the span."""

    def __init__(
        self,
        how: Reporting,
        faults: Sequence[Fault],
        truth: Truth,
        lagged: Mapping[str, Float64],
        held: Mapping[str, Float64],
    ) -> None:
        """
        Args:
            faults: all. truth: of the span; its quick rows may begin up to
                a minute before it.
            lagged, held: what the sensors' cases had reached and what sensors showed at the minute before, by signal,
                [unit, 1].
        """
        self.how = how
        self.row_of = {unit: row for row, unit in enumerate(how.unit_ids)}
        self.faults = [fault for fault in faults if fault.unit in self.row_of]
        self.grid_ns = np.concatenate([[truth.time_ns[0] - MINUTE_NS], truth.time_ns])
        self.lagged = {signal: self._lagged(signal, value, lagged[signal]) for signal, value in truth.values.items()}
        self.stuck = {signal: self.severity(FaultKind.SENSOR_STUCK, signal) for signal in truth.values}
        self.drifted = {signal: self.severity(FaultKind.SENSOR_DRIFT, signal) for signal in truth.values}
        self.wrong = {signal: self.severity(FaultKind.SENSOR_WRONG_SCALE, signal) for signal in truth.values}
        self.held = {signal: _held(value, self.stuck[signal], held[signal]) for signal, value in self.lagged.items()}
        self.quick_cells: dict[str, Int64] = {}
        self.quick_values: dict[str, Float64] = {}
        for signal in QUICK_SIGNALS:
            mine = truth.quick_signal == SIGNALS.index(signal)
            cells = cell(truth.quick_unit[mine], truth.quick_time_ns[mine])
            order = np.argsort(cells, kind="stable")
            self.quick_cells[signal], self.quick_values[signal] = cells[order], truth.quick_value[mine][order]

    def severity(self, kind: FaultKind, signal: str = "") -> Float64 | None:
        """How severe a fault is, [unit, minute] of the grid; None: there is none in this span."""
        mine = [fault for fault in self.faults if fault.kind is kind and fault.signal == signal]
        mine = [fault for fault in mine if fault.from_ns <= self.grid_ns[-1]]
        mine = [fault for fault in mine if fault.to_ns is None or fault.to_ns > self.grid_ns[0]]
        if not mine:
            return None
        shown = np.zeros((len(self.how.unit_ids), len(self.grid_ns)))
        for fault in mine:
            row = shown[self.row_of[fault.unit]]
            np.maximum(row, severity_at(fault, self.grid_ns), out=row)
        return shown

    def column(self, time_ns: Int64) -> Int64:
        """The minute of the grid in which times lie, or the nearest one."""
        index: Int64 = np.clip((time_ns - self.grid_ns[0]) // MINUTE_NS, 0, len(self.grid_ns) - 1)
        return index

    def at(self, signal: str, unit: Int64, time_ns: Int64) -> Float64:
        """What a signal's sensors send at times of the span. unit, time_ns: of shapes that fit together.

        Between two minutes a straight line, but what is known second by second, and switches as they last stood.
        """
        grid, left = self.held[signal], self.column(time_ns)
        before: Float64 = grid[unit, left]
        if signal in SWITCHES:
            return before
        part = (time_ns - self.grid_ns[left]) / MINUTE_NS
        after = grid[unit, np.minimum(left + 1, len(self.grid_ns) - 1)]
        value = np.where(part > 0.0, before + part * (after - before), before)
        return self.sent(signal, unit, time_ns, self._quick(signal, unit, time_ns, value))

    def _quick(self, signal: str, unit: Int64, time_ns: Int64, value: Float64) -> Float64:
        """Values, those of the quick rows where there are some: a slow gateway may read amid a crank."""
        cells = self.quick_cells.get(signal)
        if cells is None or not len(cells):
            return value
        asked = cell(unit, time_ns)
        found = np.minimum(np.searchsorted(cells, asked), len(cells) - 1)
        return np.where(cells[found] == asked, self.quick_values[signal][found], value)

    def is_quick(self, signal: str, unit: Int64, time_ns: Int64) -> Bool:
        """Whether there is a quick row of a unit at a time, [row]."""
        known: Bool = np.isin(cell(unit, time_ns), self.quick_cells[signal])
        return known

    def sent(self, signal: str, unit: Int64, time_ns: Int64, value: Float64) -> Float64:
        """What is sent for what a case has reached; a stuck sensor sends what it sent last, without noise."""
        own, column = self.how.sensors[signal], self.column(time_ns)
        noise = own.noise[unit, 0] * white(own.noise_key[unit, 0], time_ns)
        stuck, drifted, wrong = self.stuck[signal], self.drifted[signal], self.wrong[signal]
        if stuck is not None:
            still = stuck[unit, column] > 0.0
            value, noise = np.where(still, self.held[signal][unit, column], value), np.where(still, 0.0, noise)
        value = value * own.gain[unit, 0] + own.offset[unit, 0] + noise + self._exchanged(signal, unit, time_ns)
        if drifted is not None:
            value = value + DRIFT.get(signal, 0.0) * drifted[unit, column]
        if wrong is not None and signal in WRONG_SCALE:
            factor, offset = WRONG_SCALE[signal]
            value = value + wrong[unit, column] * (factor * value + offset - value)
        step = own.step[unit, 0]
        # Rounded twice, so that it is the float of the printed number: 27.1, not 27.1000000001.
        stepped = np.round(np.round(value / np.where(step > 0.0, step, 1.0)) * step, 4)
        given: Float64 = np.where(step > 0.0, stepped, value)
        return given

    def _exchanged(self, signal: str, unit: Int64, time_ns: Int64) -> Float64 | float:
        """How much more a sensor is off since it was exchanged, in the signal's symbol."""
        more: Float64 | float = 0.0
        for number, (unit_id, which, at_ns) in enumerate(self.how.replaced):
            if which == signal and unit_id in self.row_of and at_ns <= self.grid_ns[-1]:
                row = self.row_of[unit_id]
                key = keys(self.how.seed, [f"{unit_id}/{number}"], f"{signal}/exchanged")
                off = float(self.how.sensors[signal].offset_spread[row, 0] * even(key, np.array([0]))[0, 0])
                more = more + np.where((unit == row) & (time_ns >= at_ns), off, 0.0)
        return more

    def _lagged(self, signal: str, value: Float64, before: Float64) -> Float64:
        """What sensors' cases have reached, [unit, minute]: y += (1 - exp(-60 s/tau)) (x - y) each minute."""
        share = self.how.sensors[signal].share[:, 0]
        columns = np.ascontiguousarray(np.concatenate([before, value], axis=1).T)
        if np.any(share < 1.0) and signal not in SWITCHES:
            for minute in range(1, len(columns)):
                moved = columns[minute - 1] + share * (columns[minute] - columns[minute - 1])
                # A sensor begins where it is fitted: before, there is nothing to lag behind.
                columns[minute] = np.where(np.isnan(moved), columns[minute], moved)
        return np.ascontiguousarray(columns.T)


def _held(value: Float64, stuck: Float64 | None, before: Float64) -> Float64:
    """What was there before a sensor stuck, where it is stuck, else the value itself, [unit, minute]."""
    if stuck is None:
        return value
    free = stuck <= 0.0
    last = np.maximum.accumulate(np.where(free, np.arange(value.shape[1]), 0), axis=1)
    own = value.copy()
    own[:, :1] = np.where(free[:, :1], value[:, :1], before)
    return np.take_along_axis(own, last, axis=1)


def cell(unit: Int64, time_ns: Int64) -> Int64:
    """One number for a unit and a second. Seconds since 1970 stay below 2**34 until the year 2500."""
    number: Int64 = (np.asarray(unit, np.int64) << 34) + time_ns // SECOND_NS
    return number
