"""What the models see: some units at one instant, of tracks and runs, as known then.

In: cells brought up to the instant, states, turns noticed so far. Out: models.seen.Seen. May import: numpy, models,
monitor.assessment, monitor.signals, monitor.times.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from models import running
from models.running import Run
from models.seen import NOT_LATELY_H, Bool, Crank, Seen
from models.windows import CELL_NS, WINDOW_CELLS, Float64, Window
from monitor.assessment import cells
from monitor.assessment.ground import GAS, Ground
from monitor.assessment.state import CRANKS_MAX, Span, Turned, UnitState
from monitor.assessment.tracks import NO_TIME, Tracks
from monitor.batch import Int64
from monitor.times import HOUR_NS

CRANK_MEANS_RUN_NS = running.QUICK_BINS * running.RISE_BIN_NS  # by then the water has shown whether the engine ran


@dataclass(slots=True)
class Pending:
    """What was noticed of a unit in the step under way, and is not its state yet.

    cranks: each with its arrival. water_ns: time of the newest water reading among the news, NO_TIME: none.
    """

    turned: list[Turned] = field(default_factory=list)
    cranks: list[tuple[int, Crank]] = field(default_factory=list)
    water_ns: int = NO_TIME

    def cranks_by(self, now_ns: int) -> list[Crank]:
        """Those that had been noticed by a moment."""
        return [crank for received_ns, crank in self.cranks if received_ns <= now_ns]


class Sight:
    """Sees units at instants."""

    def __init__(self, ground: Ground, tracks: Tracks) -> None:
        self._ground = ground
        self._tracks = tracks
        self._quiet = (
            np.zeros(WINDOW_CELLS, np.bool_),
            np.full(WINDOW_CELLS, NOT_LATELY_H),
            np.ones(WINDOW_CELLS, np.bool_),
        )

    def at(
        self, units: Int64, states: Sequence[UnitState], pending: Sequence[Pending], first_ns: Int64, now_ns: int
    ) -> Seen:
        """Some units at an instant up to which their cells were brought.

        Args:
            units: index, [n]. states, pending: of each of them. first_ns: when each was first heard, [n].
        """
        end_cell = cells.end_cell(now_ns)
        water, battery, gas, air = cells.held_windows(self._tracks, units, end_cell)
        blocks = self._ground.blocks[units][:, None]
        battery = Window(
            battery.begin_cell, battery.mean / blocks, battery.least / blocks, battery.greatest / blocks, battery.count
        )
        cranks = [
            (*state.cranks, *some.cranks_by(now_ns))[-CRANKS_MAX:] for state, some in zip(states, pending, strict=True)
        ]
        columns = [
            self._columns(state, some.turned, own, end_cell, now_ns)
            for state, some, own in zip(states, pending, cranks, strict=True)
        ]
        known = [self._ground.units[unit] for unit in units.tolist()]
        return Seen(
            now_ns=now_ns,
            water=water,
            battery=battery,
            gas=gas,
            air=air,
            running=np.array([column[0] for column in columns]),
            after_run_h=np.array([column[1] for column in columns]),
            trusted=np.array([column[2] for column in columns]),
            cranks=tuple(cranks),
            battery_type=tuple(unit.battery_type for unit in known),
            heater=tuple(unit.jacket_heater for unit in known),
            first_ns=first_ns,
        )

    def _columns(
        self, state: UnitState, turned: Sequence[Turned], cranks: Sequence[Crank], end_cell: int, now_ns: int
    ) -> tuple[Bool, Float64, Bool]:
        """running, after_run_h and trusted of one unit, [cell] each."""
        runs = known_runs(state, now_ns)
        spans = suspect_at(state.suspect, turned, now_ns)
        began = [] if state.run_signal else [c.at_ns for c in cranks[-10:] if c.at_ns > now_ns - CRANK_MEANS_RUN_NS]
        quiet_running, quiet_after, quiet_trusted = self._quiet
        begin_cell = end_cell - WINDOW_CELLS
        trusted = quiet_trusted
        if spans:
            trusted = quiet_trusted.copy()
            for since_ns, until_ns in untaught(spans, now_ns, stirring=bool(state.held)):
                trusted[_cells_of(since_ns, until_ns, begin_cell)] = False
        if not runs and not began:
            return quiet_running, quiet_after, trusted
        ran, after = quiet_running.copy(), quiet_after.copy()
        ends = (np.arange(begin_cell, end_cell) + 1) * CELL_NS
        for from_ns, to_ns in runs:
            ran[_cells_of(from_ns, now_ns if to_ns is None else to_ns, begin_cell)] = True
            since = max(from_ns // CELL_NS - begin_cell, 0)
            stopped = now_ns if to_ns is None else to_ns
            after[since:] = np.maximum(ends[since:] - stopped, 0) / HOUR_NS
        for at in began:
            ran[_cells_of(at, now_ns, begin_cell)] = True
            after[max(at // CELL_NS - begin_cell, 0) :] = 0.0
        return ran, after, trusted


def _cells_of(from_ns: int, to_ns: int, begin_cell: int) -> slice:
    return slice(max(from_ns // CELL_NS - begin_cell, 0), max(to_ns // CELL_NS - begin_cell + 1, 0))


def known_runs(state: UnitState, now_ns: int) -> list[tuple[int, int | None]]:
    """Begin and end of the runs, as far as they had been noticed; None: it was under way."""
    return [(run.began_ns, _known_end(run, now_ns)) for run in state.runs if run.began_noticed_ns <= now_ns]


def _known_end(run: Run, now_ns: int) -> int | None:
    noticed = run.ended_noticed_ns
    return run.ended_ns if noticed is not None and noticed <= now_ns else None


def suspect_at(spans: Sequence[Span], turned: Sequence[Turned], now_ns: int) -> list[Span]:
    """Times under suspicion as known at an instant: those known before, and what was noticed since."""
    found = list(spans)
    for turn in sorted(turned, key=lambda turn: (*turn.moment, turn.source)):  # as UnitState.apply takes them
        if turn.signal < 0 or turn.noticed_ns > now_ns:
            continue
        if turn.active:
            found.append((turn.signal, turn.at_ns - turn.suspect_ns - HOUR_NS, None, turn.soft))
            continue
        for place, (signal, from_ns, to_ns, soft) in enumerate(found):
            if (signal, soft) == (turn.signal, turn.soft) and to_ns is None:
                found[place] = (signal, from_ns, turn.at_ns + HOUR_NS, soft)
                break
    return found


def untaught(spans: Sequence[Span], now_ns: int, *, stirring: bool) -> list[tuple[int, int]]:
    """Times that teach nothing of water, battery and enclosure: from, to, ns.

    A value beyond a limit, by itself, may be how the unit is: it goes there each day, and the models find it sound; if
    that taught nothing, the normal could never follow, and the limit would come back for good. So it counts where
    something else of the same signal was wrong at the time, or where a model has begun to doubt. What is wrong with the
    gas has nothing to do with the others.

    Args:
        stirring: whether a model holds something against the unit just now.
    """
    ends = [(signal, from_ns, now_ns if to_ns is None else to_ns, soft) for signal, from_ns, to_ns, soft in spans]
    hard = [span for span in ends if not span[3]]
    return [
        (from_ns, to_ns)
        for (signal, from_ns, to_ns, soft), (_, _, ended, _) in zip(ends, spans, strict=True)
        if signal != GAS
        and (
            not soft
            or (stirring and ended is None)
            or any(own == signal and from_ns <= until and to_ns >= since for own, since, until, _ in hard)
        )
    ]
