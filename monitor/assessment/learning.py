"""Learning of a fleet: its units' normals from the last days, left out what runs and alarms have spoilt.

In: tracks, states. Out: new normals. May import: models, monitor.assessment, monitor.times.
"""

from collections.abc import Sequence

import numpy as np

from models import normal as normals
from models.normal import Normal
from models.windows import CELL_NS, Window
from monitor.assessment.ground import BATTERY, GAS, WATER
from monitor.assessment.state import UnitState
from monitor.assessment.tracks import Tracks
from monitor.batch import Float64, Int64
from monitor.signals import NEEDED
from monitor.times import HOUR_NS

UNSAFE_AFTER_RUN = {WATER: 12 * HOUR_NS, GAS: 4 * HOUR_NS, BATTERY: 6 * HOUR_NS}  # not learned from


def learned_normals(
    tracks: Tracks, states: Sequence[UnitState], units: Int64, blocks: Float64, instant_ns: int
) -> list[Normal]:
    """Normals of some units from the window that ends at an instant; what cannot be told now stays as it was.

    Args:
        states: by unit. units: index, [n]. blocks: 12 V blocks, [n].
    """
    water, battery, gas, air = (tracks.window(units, place, instant_ns) for place in range(len(NEEDED)))
    for signal, window in ((WATER, water), (BATTERY, battery), (GAS, gas)):
        for row, unit in enumerate(units.tolist()):
            _leave_out(states[unit], signal, window, row)
    cut_in = normals.cut_in_temperature(water, air)
    set_point = normals.gas_set_point(gas)
    volts, slopes = normals.float_voltage(battery, air, blocks=blocks)
    learned = []
    for row, unit in enumerate(units.tolist()):
        former = states[unit].normal
        float_known = not np.isnan(volts[row])
        learned.append(
            Normal(
                cut_in=_or(float(cut_in[row]), former.cut_in),
                gas_set_point=_or(float(set_point[row]), former.gas_set_point),
                float_voltage=_or(float(volts[row]), former.float_voltage),
                float_slope=float(slopes[row]) if float_known else former.float_slope,
            )
        )
    return learned


def _leave_out(state: UnitState, signal: int, window: Window, row: int) -> None:
    """Empties the cells of runs and their after-effects, and of times under suspicion."""
    spans = [(from_ns, to_ns) for own, from_ns, to_ns in state.suspect if own == signal]
    for run in state.runs:
        ended = None if run.ended_ns is None else run.ended_ns + UNSAFE_AFTER_RUN[signal]
        spans.append((run.began_ns, ended))
    for from_ns, to_ns in spans:
        begin = max(from_ns // CELL_NS - window.begin_cell, 0)
        end = window.cells if to_ns is None else max(to_ns // CELL_NS - window.begin_cell + 1, 0)
        window.mean[row, begin:end] = np.nan
        window.least[row, begin:end] = np.nan
        window.greatest[row, begin:end] = np.nan
        window.count[row, begin:end] = 0


def _or(value: float, former: float) -> float:
    return former if np.isnan(value) else value
