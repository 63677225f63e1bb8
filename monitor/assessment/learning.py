"""Learning of a fleet's gas set points from the last days, left out what runs and alarms have spoilt.

In: tracks, states. Out: set points. May import: models, monitor.assessment, monitor.times. What the models of a
condition learn, they learn from what they see (monitor.assessment.modelling).
"""

from collections.abc import Sequence

import numpy as np

from models import normal as normals
from models.windows import CELL_NS, Window
from monitor.assessment.ground import GAS
from monitor.assessment.state import UnitState
from monitor.assessment.tracks import NEEDED_INDEX, Tracks
from monitor.batch import Int64
from monitor.times import HOUR_NS

UNSAFE_AFTER_RUN_NS = 4 * HOUR_NS  # not learned from


def gas_set_points(tracks: Tracks, states: Sequence[UnitState], units: Int64, instant_ns: int) -> list[float]:
    """Set points of some units from the window that ends at an instant, Pa; what cannot be told now stays as it was.

    Args:
        states: by unit. units: index, [n].
    """
    gas = tracks.window(units, NEEDED_INDEX.index(GAS), instant_ns)
    for row, unit in enumerate(units.tolist()):
        _leave_out(states[unit], gas, row)
    former = [states[unit].normal.gas_set_point for unit in units.tolist()]
    found = normals.gas_set_point(gas).tolist()
    return [before if np.isnan(now) else now for now, before in zip(found, former, strict=True)]


def _leave_out(state: UnitState, window: Window, row: int) -> None:
    """Empties the cells of runs and their after-effects, and of times under suspicion."""
    spans = [(from_ns, to_ns) for own, from_ns, to_ns, _ in state.suspect if own == GAS]
    spans += [
        (run.began_ns, None if run.ended_ns is None else run.ended_ns + UNSAFE_AFTER_RUN_NS) for run in state.runs
    ]
    for from_ns, to_ns in spans:
        begin = max(from_ns // CELL_NS - window.begin_cell, 0)
        end = window.cells if to_ns is None else max(to_ns // CELL_NS - window.begin_cell + 1, 0)
        window.mean[row, begin:end] = np.nan
        window.least[row, begin:end] = np.nan
        window.greatest[row, begin:end] = np.nan
        window.count[row, begin:end] = 0
