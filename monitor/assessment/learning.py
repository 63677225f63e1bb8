"""Learning of a fleet's gas set points and habits from the last days, left out what runs and alarms have spoilt.

In: tracks, states, what is seen. Out: set points, normals. May import: models, monitor.assessment, monitor.times. What
the models of a condition learn, they learn from what they see (monitor.assessment.modelling).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models import habits
from models import normal as normals
from models.normal import Normal
from models.seen import Seen
from models.windows import CELL_NS, Window
from monitor.assessment.ground import GAS
from monitor.assessment.state import UnitState
from monitor.assessment.tracks import NEEDED_INDEX, Tracks
from monitor.batch import Int64
from monitor.times import HOUR_NS

UNSAFE_AFTER_RUN_NS = 4 * HOUR_NS  # not learned from
QUIET_AFTER_RUN_H = 12.0  # water falls to its band in 3-12 h, absorption lasts hours (common practice)
STEADY_K, STEADY_V = 3.0, 0.1  # a habit is the same in the later days as in the earlier; V a block (our choice)


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


def with_habits(seen: Seen, states: Sequence[UnitState], learned: Sequence[Normal]) -> list[Normal]:
    """Normals with what each unit does on most days, [unit]; what cannot be told now stays as it was.

    Only of a unit of which models have learned and against which none of them holds anything: without them nobody could
    tell a habit from a fault that stays.

    Args:
        seen: units over whole days. states: of each. learned: their new normals, habits known by the models in them.
    """
    quiet = seen.trusted & ~seen.running & (seen.after_run_h >= QUIET_AFTER_RUN_H)
    floor = habits.floors(seen.water, quiet, steady=STEADY_K)
    peak = habits.peaks(seen.water, quiet, steady=STEADY_K)
    rest = habits.floors(seen.battery, quiet, steady=STEADY_V)
    found = []
    for row, (state, normal) in enumerate(zip(states, learned, strict=True)):
        former = state.normal
        sound = bool(state.learned) and not state.held
        water = sound and not np.isnan(normal.cut_in)
        rests = rest[row] if sound and not np.isnan(rest[row]) else former.battery_floor
        found.append(
            replace(
                normal,
                water_floor=float(floor[row]) if water and not np.isnan(floor[row]) else former.water_floor,
                water_peak=float(peak[row]) if water and not np.isnan(peak[row]) else former.water_peak,
                battery_floor=float(np.fmin(rests, normal.battery_floor)),
            )
        )
    return found


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
