"""Live assessment: catches up on the stored history, then judges what arrives, moment by moment.

In: committed batches from the collector and how far arrivals are known; the stores, the clock, the plan of call-outs,
all handed in. Out: findings recorded in the operations store, and whoever wants to know is told of the changes.
May import: monitor.assessment, monitor.alarms, monitor.stores, monitor.batch, monitor.times. One thread of its own.

Pull the plug anywhere: what was recorded says how far it went; what the store holds beyond that is judged at the next
start by the same code, and alarm ids follow from the history, so nothing is raised twice and nothing is missed.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import monotonic

import numpy as np

from monitor.alarms.changes import Change
from monitor.alarms.lifecycle import Finding, Kind, State
from monitor.assessment import checkpoint
from monitor.assessment.assessor import Assessor
from monitor.assessment.state import UnitView
from monitor.batch import Batch, concat, empty, from_columns
from monitor.signals import INTERNAL, NAMES
from monitor.stores.protocols import Operations, Plan, ReadingStore, StoreUnavailable
from monitor.times import SECOND_NS, Clock

log = logging.getLogger(__name__)

PAUSE_S = 0.1  # between two steps: under load many commits are judged at once, which costs as much as one
LOOK_S = 0.2  # at the latest so often the present itself is judged: delays end, silence lasts too long
RECORD_S = 1.0  # how far the assessment went is kept at least so often
CHECKPOINT_S = 300.0  # a restart judges at most these minutes again
SHELVES_S = 10.0
CATCH_UP_UNITS = 25  # units whose history is in memory at once: a year at a minute is some 80 MB a unit
STORE_RETRY_S = 1.0  # a store that takes nothing is asked again so often


@dataclass(frozen=True, slots=True)
class AssessingStatus:
    """How far it went, ns, None before the first; and what does not work just now, "" for nothing."""

    assessed_until_ns: int | None
    error: str


class LiveAssessment:
    """The one who judges. `catch_up` first, then `start`; `committed` takes batches from then on."""

    def __init__(
        self,
        *,
        assessor: Assessor,
        readings: ReadingStore,
        operations: Operations,
        plan: Plan,
        clock: Clock,
        checkpoint_path: Path,
        changed: Callable[[Sequence[Change]], None] = lambda changes: None,
        progress: Callable[[int, int], None] = lambda done, of: None,
    ) -> None:
        """
        Args:
            changed: told of alarms that changed, after that was kept; on the assessment's thread.
            progress: told how many units of how many have been caught up on.
        """
        self._assessor = assessor
        self._readings = readings
        self._operations = operations
        self._plan = plan
        self._clock = clock
        self._checkpoint_path = checkpoint_path
        self._changed = changed
        self._progress = progress
        self._floor: Callable[[], int] = clock
        self._queue: list[Batch] = []
        self._queue_lock = threading.Lock()
        self._judging = threading.Lock()  # the assessor is not for two threads; views wait for a step at most
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._unrecorded: list[Finding] = []
        self._until_ns: int | None = None
        self._recorded_s = self._shelves_s = self._checkpoint_s = monotonic()
        self._error = ""

    # --- a start ---

    def catch_up(self) -> None:
        """Judge what is stored and not judged yet, up to now; then let those alarms stand that the rules say.

        Raises:
            StoreUnavailable: the store cannot be read or written just now.
        """
        units, signals = self._assessor.ground.fleet.unit_names, self._assessor.ground.fleet.signal_names
        recorded = self._operations.assessed_until_ns()
        now = max(self._clock(), 0 if recorded is None else recorded + 1)  # a clock set back undoes nothing
        self._listen_again(recorded, now)
        known: list[int] = []
        try:
            known = checkpoint.restore(self._assessor, self._checkpoint_path)
        except checkpoint.Unusable as reason:
            log.info("The whole history is judged again: %s.", reason)
        anew = [place for place in range(len(units)) if place not in set(known)]
        groups = [known[i : i + 500] for i in range(0, len(known), 500)]  # only what came since the checkpoint
        groups += [anew[i : i + CATCH_UP_UNITS] for i in range(0, len(anew), CATCH_UP_UNITS)]
        findings: list[Finding] = []
        done = 0
        for group in groups:
            rows = self._rows_of(group, units, signals)
            for unit in group:  # one by one: each may have come equally far only with itself
                findings += self._assessor.advance(rows.where(rows.unit == unit), now, [unit])
            done += len(group)
            self._progress(done, len(units))
        findings.sort(key=lambda finding: (finding.noticed_ns, finding.at_ns, finding.unit, finding.condition))
        self._record(findings, now)
        self._record(self._reconciled(now + 1), now + 1)
        self._until_ns = now + 1
        self._save_checkpoint()

    def _listen_again(self, recorded: int | None, now: int) -> None:
        """Write down, beside the readings, how long nobody listened: a replay of the history must know it too."""
        units, signals = self._assessor.ground.fleet.unit_names, self._assessor.ground.fleet.signal_names
        if not units:
            return
        span = self._readings.span_ns()
        since = recorded if recorded is not None else span[1] if span is not None else now
        deaf_s = max(now - since, 0) / SECOND_NS
        count = len(units)
        self._readings.append(
            from_columns(
                units,
                signals,
                np.full(count, now),
                np.arange(count, dtype=np.int32),
                np.full(count, NAMES.index("listening_again"), np.int32),
                np.full(count, deaf_s),
                np.full(count, now),
            )
        )

    def _rows_of(self, group: Sequence[int], units: tuple[str, ...], signals: tuple[str, ...]) -> Batch:
        """What these units have beyond what they were judged by; counts into the fleet's names."""
        tracks = self._assessor.tracks
        assessed = self._assessor.assessed_ns
        frontier: dict[tuple[str, str], int] = {}
        for unit in group:
            for place, signal in enumerate(signals):
                newest = int(tracks.newest_ns[unit * len(signals) + place])
                if signal in INTERNAL:  # these are remembered by what they did, not as tracks
                    frontier[units[unit], signal] = int(assessed[unit])
                elif newest > np.iinfo(np.int64).min:
                    frontier[units[unit], signal] = newest
        rows = self._readings.after(frontier, [units[unit] for unit in group], signals)
        place_of = np.array(group, np.int32)
        fresh = rows.received_ns > assessed[place_of[rows.unit]]
        rows = rows.where(fresh)
        return Batch(units, signals, rows.time_ns, place_of[rows.unit], rows.signal, rows.value, rows.received_ns)

    def _reconciled(self, noticed_ns: int) -> list[Finding]:
        """Findings that make the kept alarms stand as the assessment says; limits or fleet may have changed."""
        says = self._assessor.standing()
        kept = {(alarm.unit, alarm.condition): alarm for alarm in self._operations.standing() if alarm.present}
        gone = [
            Finding(unit, condition, Kind.CLEARED, noticed_ns, noticed_ns, alarm.said, alarm.evidence)
            for (unit, condition), alarm in sorted(kept.items())
            if (unit, condition) not in says
        ]
        changed = []
        for (unit, condition), finding in sorted(says.items()):
            alarm = kept.get((unit, condition))
            if alarm is None:
                changed.append(replace(finding, noticed_ns=noticed_ns))
            elif (alarm.state is State.SUPPRESSED) != finding.suppressed or (
                not finding.suppressed and alarm.urgency is not finding.said.urgency
            ):
                changed.append(replace(finding, kind=Kind.CHANGED, at_ns=noticed_ns, noticed_ns=noticed_ns))
        return gone + changed

    # --- running ---

    def start(self, floor: Callable[[], int]) -> None:
        """Judge from now on. floor: everything received strictly before it has been handed to `committed`."""
        assert self._until_ns is not None, "catch up first"
        self._floor = floor
        self._thread = threading.Thread(target=self._run, name="assessment", daemon=True)
        self._thread.start()

    def committed(self, batch: Batch) -> None:
        """A durable batch, in the order of arrival; from the collector's thread, never waits."""
        with self._queue_lock:
            self._queue.append(batch)
        self._wake.set()

    def stop(self) -> None:
        """Judge what is there, record it, keep the memory."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(30.0)
        if self._until_ns is not None and not self._unrecorded:
            self._save_checkpoint()

    def status(self) -> AssessingStatus:
        """How it does just now."""
        return AssessingStatus(self._until_ns, self._error)

    def view(self, unit: str) -> UnitView:
        """What is known of a unit. Raises KeyError for one that the fleet does not have."""
        names = self._assessor.ground.fleet.unit_names
        if unit not in names:
            raise KeyError(unit)
        with self._judging:
            return self._assessor.view(names.index(unit))

    def _run(self) -> None:
        while True:
            self._wake.wait(LOOK_S)
            stopping = self._stopping.is_set()
            self._wake.clear()
            try:
                self.step()
                self._error = ""
                self._stopping.wait(PAUSE_S)
            except StoreUnavailable as reason:
                self._error = str(reason)
                self._stopping.wait(STORE_RETRY_S)
            except Exception as error:  # the watch must go on: it is shown, and the next step may do
                log.exception("A step of the assessment failed")
                self._error = f"A step of the assessment failed: {error!r}. Please report it with the log."
                self._stopping.wait(1.0)
            if stopping:
                return

    def step(self) -> None:
        """Judge all that is committed, record what it means."""
        floor = self._floor()
        with self._queue_lock:
            batches, self._queue = self._queue, []
        assert self._until_ns is not None, "catch up first"
        until = max(floor - 1, self._until_ns)
        if batches:
            rows = concat(batches)
            early = rows.received_ns <= until
            if not early.all():
                with self._queue_lock:
                    self._queue.insert(0, rows.where(~early))
                rows = rows.where(early)
        else:
            rows = empty(self._assessor.ground.fleet.unit_names, self._assessor.ground.fleet.signal_names)
        with self._judging:
            self._unrecorded += self._assessor.advance(rows, until)
        self._until_ns = until
        now_s = monotonic()
        if self._unrecorded or now_s - self._recorded_s >= RECORD_S:
            self._record(self._unrecorded, until)
            self._unrecorded = []
            self._recorded_s = now_s
        if now_s - self._shelves_s >= SHELVES_S:
            self._shelves_s = now_s
            self._tell(self._operations.unshelve_due(self._clock(), self._plan))
        if now_s - self._checkpoint_s >= CHECKPOINT_S:
            self._record([], until)
            self._save_checkpoint()

    def _record(self, findings: Sequence[Finding], until_ns: int) -> None:
        self._tell(self._operations.record_assessment(findings, until_ns, self._plan))

    def _tell(self, changes: Sequence[Change]) -> None:
        if changes:
            self._changed(changes)

    def _save_checkpoint(self) -> None:
        self._checkpoint_s = monotonic()
        try:
            with self._judging:
                checkpoint.save(self._assessor, self._checkpoint_path)
        except OSError as error:  # it only saves time; a full disk must not stop the watch
            log.warning("The checkpoint could not be written: %s", error)
