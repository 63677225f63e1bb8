"""The assessor: what the readings of the fleet say of its conditions, at every moment.

In: batches in the order of arrival, and how far arrivals are known. Out: findings. The same arrivals give the same
findings, byte for byte, whether they come message by message, day by day or all at once: live running and replay are
this one piece of code. May import: models, monitor.alarms, monitor.batch, monitor.fleet, monitor.limits_file,
monitor.signals, monitor.times. Touches nothing outside itself; it never asks what time it is.

Most units are quiet most of the time. Whatever a whole batch brings is first looked over in columns; only units with
something beyond a bound, a delay that runs, a run or a silence are judged one by one.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any

import numpy as np

from models import limits as bounds
from models import running
from monitor.alarms.lifecycle import Finding
from monitor.assessment import cells, learning, modelling
from monitor.assessment.cranking import CrankJudge
from monitor.assessment.delays import NEVER_NS
from monitor.assessment.ground import BATTERY, ENCLOSURE, GAS, LISTENING, RUNNING, SPEED, WATER, Deadline, Ground
from monitor.assessment.limit_judging import AFTER_RUN_WATER_NS, LimitJudge, given_way
from monitor.assessment.modelling import Modelling, Models
from monitor.assessment.models_known import MODELS
from monitor.assessment.seeing import Pending
from monitor.assessment.silence import Deaf
from monitor.assessment.state import CRANKS_MAX, UnitState, UnitView
from monitor.assessment.telemetry import TelemetryJudge
from monitor.assessment.tracks import NEEDED_INDEX, NO_TIME, Ring, Tracks
from monitor.batch import Batch, Bool, Float64, Int64
from monitor.fleet import Fleet
from monitor.limits_file import Limits
from monitor.signals import NAMES, NEEDED
from monitor.times import DAY_NS, HOUR_NS

LEARNED_AT_ONCE = 200  # units whose windows are in memory at midnight: 0.3 MB each
YOUNG_NS = DAY_NS  # a unit's first day: its rhythm is learned every hour


class Assessor:
    """Judges a fleet under one set of limits. Not for several threads at once."""

    def __init__(
        self,
        fleet: Fleet,
        limits: Limits,
        deadline: Deadline,
        limits_version: int = 0,
        models: Models = MODELS,
    ) -> None:
        self.ground = Ground.of(fleet, limits, deadline, limits_version)
        count = len(self.ground.units)
        self.tracks = Tracks.empty(
            count,
            self.ground.signals,
            self.ground.switches,
            Ring.empty(count, running.RISE_BIN_NS, running.RISE_BINS),
            Ring.empty(count, HOUR_NS, 24),
        )
        self.states = [UnitState() for _ in self.ground.units]
        self.assessed_ns = np.full(count, NO_TIME)
        self._limits = LimitJudge(self.ground, self.tracks)
        self._telemetry = TelemetryJudge(self.ground, self.tracks)
        self._cranks = CrankJudge(self.ground, self.tracks, limits)
        self._modelling = Modelling(self.ground, self.tracks, limits, models)
        self._band_low = np.full((count, self.ground.signals), -np.inf)
        self._band_high = np.full((count, self.ground.signals), np.inf)
        self._band_battery = np.full((count, 3), np.nan)  # learned low and high at 25 Cel, slope
        self._due_ns = np.full(count, NEVER_NS)
        self._busy = np.zeros(count, np.bool_)
        self._awaited = np.zeros(count, np.bool_)
        for unit in range(count):
            self._set_band(unit)

    # --- the one way in ------------------------------------------------------------------------------------------

    def advance(self, batch: Batch, until_ns: int, units: Sequence[int] | None = None) -> list[Finding]:
        """Take in what arrived and judge everything up to a moment.

        Args:
            batch: readings received after the last until_ns and up to this one, any order; counts into the fleet's
                names. until_ns: everything received up to here is in. units: index of those to judge; None: all.
        Returns: findings in the order noticed, for these units.
        """
        chosen = np.arange(len(self.ground.units)) if units is None else np.asarray(sorted(units))
        if not len(chosen):
            return []
        begin = int(self.assessed_ns[chosen[0]])
        assert (self.assessed_ns[chosen] == begin).all(), "units judged together have come equally far"
        assert until_ns >= begin, "arrivals are known once and for all"
        batch = batch.where(np.lexsort((batch.signal, batch.unit, batch.time_ns, batch.received_ns)))
        if begin == NO_TIME:
            begin = int(batch.received_ns[0]) - 1 if len(batch) else until_ns
            self._begin_listening(chosen, begin)
        self._note_deaf(batch)
        findings: list[Finding] = []
        row = 0
        for instant in self._instants(begin, until_ns, chosen):
            end = int(np.searchsorted(batch.received_ns, instant, side="right"))
            findings += self._step(batch.where(np.arange(row, end)), begin, instant, chosen)
            begin, row = instant, end
            self._learn(instant, chosen)
        findings += self._step(batch.where(np.arange(row, len(batch))), begin, until_ns, chosen)
        self.assessed_ns[chosen] = until_ns
        return findings

    def _begin_listening(self, chosen: Int64, at_ns: int) -> None:
        """A unit that was never heard is silent from the moment on at which somebody listens."""
        never = chosen[self.tracks.unit_heard_ns[chosen] == NO_TIME]
        self.tracks.unit_heard_ns[never] = at_ns
        self._update_due(chosen)

    def _instants(self, begin_ns: int, until_ns: int, chosen: Int64) -> Iterable[int]:
        """Moments at which something is learned: every full hour in a unit's first day, else midnight UTC."""
        instant = (begin_ns // HOUR_NS + 1) * HOUR_NS
        while instant <= until_ns:
            unheard = bool((self.tracks.unit_first_ns[chosen] == NO_TIME).any())
            if unheard or instant % DAY_NS == 0 or self._young(instant, chosen).any():
                yield instant
                instant += HOUR_NS
            else:
                instant += DAY_NS - instant % DAY_NS

    def _young(self, instant: int, chosen: Int64) -> Bool:
        first = self.tracks.unit_first_ns[chosen]
        young: Bool = (first != NO_TIME) & (instant - first <= YOUNG_NS)
        return young

    def _note_deaf(self, batch: Batch) -> None:
        """When the program did not listen, ahead of all else: an instant of learning may lie in that time."""
        for row in np.flatnonzero(batch.signal == LISTENING).tolist():
            to_ns = int(batch.received_ns[row])
            self.states[int(batch.unit[row])].deaf.append(Deaf(to_ns - round(float(batch.value[row]) * 1e9), to_ns))

    # --- a step between two instants -----------------------------------------------------------------------------

    def _step(self, batch: Batch, begin_ns: int, until_ns: int, chosen: Int64) -> list[Finding]:
        """Judge what arrived between two moments, then remember it."""
        internal = self.ground.internal[batch.signal]
        own = batch.where(internal)
        news = self.tracks.news(batch.where(~internal))
        slow = self._busy[chosen] | (self._due_ns[chosen] <= until_ns)
        slow[np.searchsorted(chosen, np.unique(own.unit))] = True
        slow[np.searchsorted(chosen, self._noisy(news))] = True
        heard = np.unique(news.unit).astype(np.int64)
        slow[np.searchsorted(chosen, heard)] |= self._awaited[heard]
        judged = chosen[slow]
        pending: dict[int, Pending] = {}
        edges = np.searchsorted(news.unit, judged), np.searchsorted(news.unit, judged, side="right")
        for unit, begin, end in zip(judged.tolist(), *(edge.tolist() for edge in edges), strict=True):
            rows = news.where(np.arange(begin, end))
            pending[unit] = self._judge(unit, rows, own.where(own.unit == unit), until_ns)
        self._let_models_judge(news, modelling.instants(begin_ns, until_ns), chosen, pending)
        findings = [
            finding for unit, some in sorted(pending.items()) for finding in self._applied(unit, some, until_ns)
        ]
        for unit in judged.tolist():
            self._set_flags(unit, pending[unit].water_ns)
        self.tracks.remember(news)
        lasting = [unit for unit in pending if self.states[unit].lasting]
        self._update_due(np.union1d(np.union1d(judged, heard), np.array(lasting, np.int64)))
        findings.sort(key=lambda finding: (finding.noticed_ns, finding.at_ns, finding.unit, finding.condition))
        return findings

    def _let_models_judge(self, news: Batch, instants: Int64, chosen: Int64, pending: dict[int, Pending]) -> None:
        """Bring the cells up to each instant in turn and let the models judge it; then take in the rest."""
        gathered = cells.gathered(news, self.ground.needed_of_signal, instants)
        taken = cells.Newest.of(self.tracks)
        newest, first_ns, begin = taken.copy(), self._first_heard(news), 0
        for slot, instant in enumerate(instants.tolist()):
            newest.follow(gathered.since(slot, slot + 1))
            units = chosen[modelling.heard_lately(newest.received_ns[chosen], instant)]
            states = [self.states[unit] for unit in units]
            some = [pending.setdefault(unit, Pending()) for unit in units.tolist()]
            rows = self._modelling.due(instant, units, states, some, newest)
            if not rows:
                continue
            cells.take_in(self.tracks, taken, gathered.since(begin, slot + 1))
            begin, due = slot + 1, units[rows]
            cells.hold_until(self.tracks, taken, due, cells.end_cell(instant))
            self._modelling.judge(
                instant, due, [states[row] for row in rows], [some[row] for row in rows], first_ns[due]
            )
        cells.take_in(self.tracks, taken, gathered.since(begin, len(instants) + 1))

    def _first_heard(self, news: Batch) -> Int64:
        """When each unit was first heard, news among it; NO_TIME: never, [unit]."""
        first = self.tracks.unit_first_ns.copy()
        new = first[news.unit] == NO_TIME
        if new.any():
            earliest = np.full(len(first), NEVER_NS)
            np.minimum.at(earliest, news.unit[new], news.received_ns[new])
            first = np.where(earliest < NEVER_NS, earliest, first)
        return first

    def _noisy(self, news: Batch) -> Int64:
        """Units with a reading beyond a bound or a rise that may be a run; index. Never leaves one out."""
        if not len(news):
            return np.empty(0, np.int64)
        value = np.where(news.signal == BATTERY, news.value / self.ground.blocks[news.unit], news.value)
        low, high = self._band_low[news.unit, news.signal], self._band_high[news.unit, news.signal]
        beyond = (value < low) | (value > high)
        coldest, warmest = self._air_range(news)
        battery = news.signal == BATTERY
        learned_low, learned_high, slope = self._band_battery[news.unit[battery]].T
        unit = news.unit[battery]
        with np.errstate(invalid="ignore"):
            beyond[battery] |= value[battery] < bounds.float_at(0.0, 1.0, coldest[unit]) * slope + learned_low
            beyond[battery] |= value[battery] > bounds.float_at(0.0, 1.0, warmest[unit]) * slope + learned_high
            shift = bounds.high_shift(warmest[unit])
            beyond[battery] |= value[battery] > self._band_high[unit, BATTERY] + np.minimum(shift, 0.0)
        noisy = news.unit[beyond]
        switched = news.unit[
            ((news.signal == RUNNING) & (news.value > 0)) | ((news.signal == SPEED) & (news.value > 0))
        ]
        water = news.signal == WATER
        least = self.tracks.water_bins.least.min(axis=1)
        greatest = np.full(len(self.ground.units), -np.inf)
        np.minimum.at(least, news.unit[water], news.value[water])
        np.maximum.at(greatest, news.unit[water], news.value[water])
        risen = np.flatnonzero(greatest - least >= running.RISE_K)
        return np.unique(np.concatenate((noisy, switched, risen, self._cranks.may_crank(news)))).astype(np.int64)

    def _air_range(self, news: Batch) -> tuple[Float64, Float64]:
        """Coldest and warmest enclosure that may count for each unit's battery just now, Cel, [unit]."""
        newest = self.tracks.newest_value.reshape(-1, self.ground.signals)[:, ENCLOSURE]
        coldest, warmest = newest.copy(), newest.copy()
        air = news.signal == ENCLOSURE
        np.fmin.at(coldest, news.unit[air], news.value[air])
        np.fmax.at(warmest, news.unit[air], news.value[air])
        return coldest, warmest

    def _judge(self, unit: int, news: Batch, own: Batch, until_ns: int) -> Pending:
        """One unit, exactly: runs, limits, cranks, silence, clock; what turned, not applied yet."""
        state = self.states[unit]
        self._limits.follow_runs(unit, state, news)
        cranks, turned = self._cranks.judge(unit, state, news)
        turned += self._limits.judge(unit, state, news, until_ns)
        turned += self._telemetry.judge(unit, state, news, own, until_ns)
        water = news.time_ns[news.signal == WATER]
        return Pending(turned, cranks, int(water[-1]) if len(water) else NO_TIME)

    def _applied(self, unit: int, pending: Pending, until_ns: int) -> list[Finding]:
        """What all that turned at a unit up to a moment makes of its conditions, in the order noticed."""
        state = self.states[unit]
        state.cranks = [*state.cranks, *(crank for _, crank in pending.cranks)][-CRANKS_MAX:]
        pending.turned.sort(key=lambda turn: (*turn.moment, turn.source))
        name = self.ground.units[unit].id
        findings: list[Finding] = []
        for (noticed_ns, _, _), turns in groupby(pending.turned, key=lambda turn: turn.moment):
            findings += state.let_go(name, noticed_ns)
            findings += state.apply(name, list(turns))
        return findings + state.let_go(name, until_ns + 1)

    def _set_flags(self, unit: int, water_ns: int = NO_TIME) -> None:
        """Whether a unit is looked at in each step, or in each that brings readings of it; water_ns: as _run_counts."""
        state = self.states[unit]
        self._busy[unit] = bool(state.standings) or state.dip is not None or self._run_counts(unit, water_ns)
        quiet = state.offline_ns is None and state.clock_ahead_ns is None and "readings_missing" not in state.reasons
        self._awaited[unit] = not quiet

    def _run_counts(self, unit: int, water_ns: int = NO_TIME) -> bool:
        """Whether a run is under way, or was so lately, by the water's own times, that it still masks something.

        water_ns: time of its newest reading that is not remembered yet.
        """
        runs = self.states[unit].runs
        if not runs or runs[-1].ended_ns is None:
            return bool(runs)
        newest = max(water_ns, int(self.tracks.newest_ns[unit * self.ground.signals + WATER]))
        return runs[-1].ended_ns + AFTER_RUN_WATER_NS > newest

    # --- learning ------------------------------------------------------------------------------------------------

    def _learn(self, instant: int, chosen: Int64) -> None:
        """Rhythm and normals of the units heard since the last midnight, at an instant that the clock alone decides."""
        young = self._young(instant, chosen)
        midnight = instant % DAY_NS == 0
        heard = self.tracks.unit_heard_ns[chosen] >= instant - DAY_NS
        known = self.tracks.unit_first_ns[chosen] != NO_TIME
        units = chosen[known & heard & (young | midnight)]
        if not len(units):
            return
        self.tracks.learn_rhythm(
            units,
            self.ground.switches,
            self.ground.silence_least_ns[units],
            self.ground.gaps_usual[units],
            now_ns=instant,
            young=self._young(instant, units),
        )
        self.tracks.unit_learned_ns[units] = instant
        newest = self.tracks.newest_ns.reshape(-1, self.ground.signals)
        for unit in units.tolist():
            if not self.states[unit].run_signal and (newest[unit, [SPEED, RUNNING]] != NO_TIME).any():
                self._limits.take_run_signal(unit, self.states[unit], instant)
        if midnight:
            for begin in range(0, len(units), LEARNED_AT_ONCE):
                some = units[begin : begin + LEARNED_AT_ONCE]
                states = [self.states[unit] for unit in some.tolist()]
                seen = self._modelling.learn(instant, some, states, self.tracks.unit_first_ns[some])
                set_points = learning.gas_set_points(self.tracks, self.states, some, instant)
                normals = learning.with_habits(seen, states, [self._modelling.normal(state) for state in states])
                for unit, state, normal, set_point in zip(some.tolist(), states, normals, set_points, strict=True):
                    state.normal = replace(normal, gas_set_point=set_point)
                    state.forget(instant)
                    self._set_band(unit)
        self._update_due(units)

    # --- what is quiet -------------------------------------------------------------------------------------------

    def _set_band(self, unit: int) -> None:
        """The band of each signal in which no stopped rule can be passed, with what is learned just now."""
        normal = self.states[unit].normal
        low, high = self._band_low[unit], self._band_high[unit]
        low[:], high[:] = -np.inf, np.inf
        self._band_battery[unit] = np.nan, np.nan, normal.float_slope
        for rule in self.ground.rules[unit]:
            if rule.mode == "running":
                continue
            value = {WATER: normal.cut_in, GAS: normal.gas_set_point}.get(rule.signal, np.nan)
            if rule.signal == BATTERY:
                learned = float(bounds.learned_bound(rule.bound, np.array([normal.float_voltage]))[0])
                column, nearest = (0, np.fmax) if rule.bound.low else (1, np.fmin)
                self._band_battery[unit, column] = nearest(self._band_battery[unit, column], learned)
                bound = np.nan if rule.bound.at is None else rule.bound.at
            else:
                bound = float(given_way(rule, bounds.effective_bound(rule.bound, np.array([value])), normal)[0])
            if rule.bound.low:
                low[rule.signal] = np.fmax(low[rule.signal], bound)
            else:
                high[rule.signal] = np.fmin(high[rule.signal], bound)

    def _update_due(self, units: Int64) -> None:
        """When the present itself next may say something of each unit if nothing arrives, ns; never too late."""
        tracks = self.tracks
        heard = tracks.unit_heard_ns[units]
        first = tracks.unit_first_ns[units]
        begun = np.where(first == NO_TIME, heard, first)
        due = heard + tracks.unit_silence_ns[units]
        by_signal = np.empty((len(NEEDED), len(units)), np.int64)
        for place, signal in enumerate(NEEDED_INDEX):
            track = units * self.ground.signals + signal
            newest = tracks.newest_received_ns[track]
            by_signal[place] = np.where(newest == NO_TIME, begun, newest) + tracks.silence_ns[track]
        self._due_ns[units] = np.minimum(due, by_signal.min(axis=0))
        quiet_over = np.full(len(units), NEVER_NS)
        for row, unit in enumerate(units.tolist()):
            state = self.states[unit]
            if state.quiet_over_ns is not None:
                quiet_over[row] = state.quiet_over_ns
            missing = state.reasons.get("readings_missing")
            if missing or state.offline_ns is not None or state.clock_ahead_ns is not None:
                moments = [] if missing and "unit" in missing else [int(due[row])]
                moments += [
                    int(by_signal[place, row])
                    for place, name in enumerate(NEEDED)
                    if not missing or name not in missing
                ]
                if state.offline_ns is not None and not (missing and "link" in missing):
                    moments.append(state.offline_ns + int(self.ground.link_offline_ns[unit]))
                if state.clock_ahead_ns is not None:
                    moments.append(state.clock_ahead_ns + int(self.ground.clock_off_ns[unit]))
                self._due_ns[unit] = min(moments, default=NEVER_NS)
        self._due_ns[units] = np.minimum(self._due_ns[units], quiet_over)

    def adopt(self, unit: int, state: UnitState) -> None:
        """Take a kept state for one unit; its tracks and assessed_ns have been set already."""
        self.states[unit] = state
        self._set_flags(unit)
        self._set_band(unit)
        self._update_due(np.array([unit]))

    def standing(self) -> dict[tuple[str, str], Finding]:
        """What stands just now, by unit and condition, as it would be raised."""
        return {
            (finding.unit, finding.condition): finding
            for unit, state in zip(self.ground.units, self.states, strict=True)
            for finding in state.standing(unit.id)
        }

    # --- for people ----------------------------------------------------------------------------------------------

    def view(self, unit: int) -> UnitView:
        """What is known of a unit just now."""
        tracks, state = self.tracks, self.states[unit]
        heard = int(tracks.unit_heard_ns[unit])
        missing = state.reasons.get("readings_missing", {})
        base = unit * self.ground.signals
        never = tuple(NAMES[s] for s in NEEDED_INDEX if tracks.newest_ns[base + s] == NO_TIME)
        silent = tuple(NAMES[s] for s in NEEDED_INDEX if NAMES[s] in missing or "unit" in missing or "link" in missing)
        first = int(tracks.unit_first_ns[unit])
        return UnitView(
            heard_ns=heard if first != NO_TIME else None,
            silent=silent,
            never_heard=never,
            normal=state.normal,
            runs=tuple((run.began_ns, run.ended_ns) for run in state.runs),
            notes=tuple(state.notes),
            cranks=tuple(state.cranks),
        )

    def judged_by(self, unit: int) -> list[str]:
        """All that the findings of one unit depend on beside its readings and visits, as texts to compare."""
        return [*self.ground.judged_by(unit), self._cranks.judged_by(unit), *self._modelling.judged_by(unit)]

    @property
    def nothings(self) -> dict[str, Any]:
        """The normal of a unit of which a model knows nothing, by model."""
        return self._modelling.nothings
