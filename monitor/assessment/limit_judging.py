"""Limits on one unit: each rule over the readings of its signal, with what was learned and what is masked.

In: readings that bring news, not remembered yet, and the unit's state. Out: turns; the state's standings change.
May import: models, monitor.assessment, monitor.alarms, monitor.batch, monitor.signals, monitor.times.
"""

from dataclasses import dataclass, replace

import numpy as np

from models import limits as bounds
from models import running
from models.normal import Normal
from monitor.alarms.lifecycle import Evidence
from monitor.assessment import delays, silence
from monitor.assessment.delays import QUIET, Rhythm
from monitor.assessment.ground import BATTERY, ENCLOSURE, GAS, RUNNING, SPEED, WATER, Ground
from monitor.assessment.rules import Rule
from monitor.assessment.state import Turned, UnitState
from monitor.assessment.tracks import NO_TIME, Tracks
from monitor.batch import Batch, Bool, Float64
from monitor.signals import SIGNALS
from monitor.times import HOUR_NS

AFTER_RUN_NS = 4 * HOUR_NS  # stopped limits on water, gas and enclosure are off (shared trade facts, section 2)
AFTER_RUN_BATTERY_NS = 6 * HOUR_NS  # the battery's low warning is off
AFTER_RUN_WATER_NS = 24 * HOUR_NS  # by then the water has fallen into its band, or the heater holds it up
TURNED_DOWN_NS = {"warning": HOUR_NS, "limit": HOUR_NS // 2}
"""Where somebody turned the thermostat down, troughs are below a learned low limit for less until the heater brings the
water back. A block that cools by 1-3 K an hour can spare it (our choice)."""
AIR_AGE_NS_MAX = 6 * HOUR_NS  # an enclosure temperature older than this says nothing of the battery's
RUNNING_ABOVE = (running.SPEED_RUNNING, 0.0)  # speed, run switch
HABIT_MARGIN = {  # how far beyond the unit's habit a bound comes to lie: K, V a block (our choice)
    (WATER, True, "warning"): 2.0,
    (WATER, True, "limit"): 3.0,
    (WATER, False, "warning"): 5.0,
    (WATER, False, "limit"): 5.0,
    (BATTERY, True, "warning"): 0.2,
}
LOW_WATER_LEAST = 23.0  # Cel: a habit loosens no low limit beyond 2 K over not ready (contract)
HIGH_WATER_MOST = 85.0  # Cel: engine thermostats open at 77-88, so no heater in order holds a block there (from memory)
LOW_BATTERY_LEAST = 12.24  # V a block: half charged, whatever the habit
AT_FLOAT_V = 0.15  # V a block: so near its float a charger charges (our choice)
FLOOR_HOURS_LEAST = 20  # of 24 with readings, before the day's least gas pressure is judged


@dataclass(frozen=True, slots=True)
class LimitJudge:
    """Judges the limits of units on common ground."""

    ground: Ground
    tracks: Tracks

    def judge(self, unit: int, state: UnitState, news: Batch, until_ns: int) -> list[Turned]:
        """One unit's limits over its news; runs must have been followed already."""
        turned: list[Turned] = []
        for signal, rules in self.ground.rules_by_signal[unit].items():
            rows = news.where(news.signal == signal)
            for rule in rules:
                if len(rows) or rule.name in state.standings:
                    turned += self._judge_rule(unit, state, rule, rows, news, until_ns)
        return turned

    def follow_runs(self, unit: int, state: UnitState, news: Batch) -> None:
        """Bring a unit's runs up to its news: by its run signal where it has one, else by how its water warms."""
        last = state.runs[-1] if state.runs else None
        if state.run_signal:
            rows = news.where((news.signal == RUNNING) | (news.signal == SPEED))
            rows = rows.where(np.lexsort((rows.signal, rows.time_ns, rows.received_ns)))
            runs = running.switched(rows.time_ns, rows.received_ns, self._runs_at(unit, rows), last)
        else:
            rows = news.where(news.signal == WATER)
            if not len(rows):
                return
            least, _ = self.tracks.water_bins.trailing_least(
                unit, rows.time_ns, rows.value, forgiven=running.FORGIVEN_K
            )
            runs = running.inferred(rows.time_ns, rows.received_ns, rows.value, least, last)
        state.runs = state.runs[:-1] + runs if last is not None else runs

    def take_run_signal(self, unit: int, state: UnitState, instant_ns: int) -> None:
        """From an instant on the unit's run signals say when it runs; what was inferred is no longer followed."""
        state.run_signal = True
        last = state.runs[-1] if state.runs else None
        if last is not None and last.under_way:
            if self._newest_says_running(unit).any():
                state.runs[-1] = replace(last, inferred=False)
            else:
                state.runs[-1] = replace(last, ended_ns=last.peak_ns, ended_noticed_ns=instant_ns)

    def _newest_says_running(self, unit: int) -> Bool:
        """Whether speed and run switch said 'running' when last heard, bool [2]; False where they never were."""
        base = unit * self.ground.signals
        says: Bool = self.tracks.newest_value[[base + SPEED, base + RUNNING]] > RUNNING_ABOVE
        return says

    def _runs_at(self, unit: int, rows: Batch) -> Bool:
        """Whether either of the run signals says 'running' after each of their readings, in the order of arrival."""
        running_now = np.zeros(len(rows), np.bool_)
        for signal, above, before in zip((SPEED, RUNNING), RUNNING_ABOVE, self._newest_says_running(unit), strict=True):
            own = np.flatnonzero(rows.signal == signal)
            said = np.append(before, rows.value[own] > above)
            running_now |= said[np.searchsorted(own, np.arange(len(rows)), side="right")]
        return running_now

    def _masked(self, state: UnitState, rule: Rule, rows: Batch) -> Bool:
        """Readings to which a rule does not apply: those of the other mode, and for hours after a run."""
        during = np.zeros(len(rows), np.bool_)
        after = np.zeros(len(rows), np.bool_)
        rest_ns = AFTER_RUN_NS
        if rule.signal == BATTERY:
            rest_ns = AFTER_RUN_BATTERY_NS if rule.bound.low and rule.level == "warning" else 0
        for run in state.runs:
            known = (rows.time_ns >= run.began_ns) & (rows.received_ns >= run.began_noticed_ns)
            if run.ended_ns is None or run.ended_noticed_ns is None:
                during |= known
                continue
            over = (rows.time_ns >= run.ended_ns) & (rows.received_ns >= run.ended_noticed_ns)
            during |= known & ~over
            after |= known & over & (rows.time_ns < run.ended_ns + rest_ns)
        if rule.mode == "running":
            return ~during
        if rule.mode == "stopped":
            return during | after
        return np.zeros(len(rows), np.bool_)

    def _judge_rule(
        self, unit: int, state: UnitState, rule: Rule, rows: Batch, news: Batch, until_ns: int
    ) -> list[Turned]:
        track = unit * self.ground.signals + rule.signal
        value, limit, verdict = self._verdicts(unit, state, rule, rows, news)
        newest = int(self.tracks.newest_ns[track])
        previous = None if newest == NO_TIME else (newest, int(self.tracks.newest_received_ns[track]))
        learned_ns = int(self.tracks.unit_learned_ns[unit])
        standing, turns = delays.walk(
            state.standings.get(rule.name, QUIET),
            verdict,
            rows.time_ns,
            rows.received_ns,
            previous=previous,
            rhythm=Rhythm(int(self.tracks.hold_ns[track]), int(self.tracks.wait_ns[track])),
            on_delay_ns=_on_delay_ns(rule, state.normal),
            off_delay_ns=rule.off_delay_ns,
            until_ns=until_ns,
            postponed=lambda moment: max(silence.postponed(state.deaf, moment), learned_ns),
        )
        turned = [
            Turned(
                turn.noticed_ns,
                turn.at_ns,
                rule.condition,
                rule.name,
                turn.active,
                rule.urgency,
                self._evidence(unit, state, rule, value, limit, turn.index),
                rule.signal,
            )
            for turn in turns
        ]
        if standing.quiet:
            state.standings.pop(rule.name, None)
            state.passed.pop(rule.name, None)
        else:
            state.standings[rule.name] = standing
            if len(limit):
                state.passed[rule.name] = float(limit[-1])
        return turned

    def _verdicts(
        self, unit: int, state: UnitState, rule: Rule, rows: Batch, news: Batch
    ) -> tuple[Float64, Float64, bounds.Verdict]:
        """Judged value, bound and verdict of each reading of a rule's signal."""
        value = rows.value / self.ground.blocks[unit] if rule.signal == BATTERY else rows.value
        normal = np.full(len(rows), np.nan)
        shift: Float64 | float = 0.0
        if rule.signal == WATER:
            normal[:] = state.normal.cut_in
        elif rule.signal == GAS:
            normal[:] = state.normal.gas_set_point
        elif rule.signal == BATTERY:
            air = self._air_at(unit, rows, news)
            normal = bounds.float_at(state.normal.float_voltage, state.normal.float_slope, air)
            shift = _battery_shift(state.normal, rule, air)
        limit = given_way(rule, bounds.effective_bound(rule.bound, normal, shift), state.normal)
        verdict = bounds.verdicts(value, limit, low=rule.bound.low, deadband=rule.bound.deadband)
        if rule.signal == BATTERY and rule.bound.low:
            back = _charges_again(state.normal, rule, limit, normal)
            verdict[(verdict == bounds.ABSENT) & (value < back)] = bounds.BETWEEN
        if rule.signal == GAS and not rule.bound.low and rule.mode == "stopped" and len(rows):
            limit, verdict = self._gas_floor_verdicts(unit, rule, rows, normal)
        masked = self._masked(state, rule, rows)
        if rule.signal == WATER and not rule.bound.low and rule.mode == "stopped":
            masked |= self._still_cooling(state, rule, rows, verdict)
        verdict[masked & (verdict != bounds.ABSENT)] = bounds.UNKNOWN
        return value, limit, verdict

    def _gas_floor_verdicts(
        self, unit: int, rule: Rule, rows: Batch, normal: Float64
    ) -> tuple[Float64, bounds.Verdict]:
        """High gas: the learned bound on the day's floor, since warm humps over it are healthy; `at` on the value."""
        floor, hours = self.tracks.gas_bins.trailing_least(unit, rows.time_ns, rows.value)
        floor = np.where(hours >= FLOOR_HOURS_LEAST, floor, -np.inf)
        deadband = rule.bound.deadband
        learned = bounds.learned_bound(rule.bound, normal)
        by_floor = bounds.verdicts(floor, learned, low=False, deadband=deadband)
        by_floor[by_floor == bounds.UNKNOWN] = bounds.ABSENT  # nothing learned: the absolute bound speaks alone
        absolute = bounds.absolute_bound(rule.bound, normal)
        by_value = bounds.verdicts(rows.value, absolute, low=False, deadband=deadband)
        by_value[by_value == bounds.UNKNOWN] = bounds.ABSENT
        return np.where(by_value == bounds.PRESENT, absolute, np.fmin(learned, absolute)), np.maximum(
            by_floor, by_value
        )

    def _still_cooling(self, state: UnitState, rule: Rule, rows: Batch, verdict: bounds.Verdict) -> Bool:
        """After a run the high water limits wait until the water was once back in its band, a day at most."""
        masked = np.zeros(len(rows), np.bool_)
        for place, run in enumerate(state.runs):
            key = (rule.name, run.began_ns)
            if run.ended_ns is None or run.ended_noticed_ns is None or key in state.in_band:
                continue
            since = (rows.time_ns >= run.ended_ns) & (rows.received_ns >= run.ended_noticed_ns)
            if place + 1 < len(state.runs):
                since &= rows.time_ns < state.runs[place + 1].began_ns
            cooling = since & (rows.time_ns < run.ended_ns + AFTER_RUN_WATER_NS)
            back = np.flatnonzero(since & (verdict == bounds.ABSENT))
            if len(back):
                cooling[back[0] :] = False
                state.in_band.add(key)
            masked |= cooling
        return masked

    def _air_at(self, unit: int, rows: Batch, news: Batch) -> Float64:
        """Enclosure temperature that counts for each battery reading, NaN where none was measured within some hours.

        Of what came in the same message the newest not later than the reading, else the newest that came before: so
        nothing older need be remembered.
        """
        track = unit * self.ground.signals + ENCLOSURE
        air = news.where(news.signal == ENCLOSURE)
        times = np.append(self.tracks.newest_ns[track], air.time_ns)
        arrivals = np.append(self.tracks.newest_received_ns[track], air.received_ns)
        values = np.append(self.tracks.newest_value[track], air.value)
        at = np.searchsorted(times, rows.time_ns, side="right") - 1
        at = np.maximum(at, np.searchsorted(arrivals, rows.received_ns, side="left") - 1)
        at = np.minimum(at, np.searchsorted(arrivals, rows.received_ns, side="right") - 1)
        at = np.maximum(at, 0)
        fresh = (times[at] > rows.time_ns - AIR_AGE_NS_MAX) & (times[at] < rows.time_ns + AIR_AGE_NS_MAX)
        return np.where(fresh, values[at], np.nan)

    def _evidence(
        self, unit: int, state: UnitState, rule: Rule, value: Float64, limit: Float64, index: int
    ) -> Evidence:
        """What was measured against what, battery as the whole set's voltage."""
        signal = SIGNALS[rule.signal]
        blocks = float(self.ground.blocks[unit]) if rule.signal == BATTERY else 1.0
        if index >= 0:
            measured, bound = float(value[index]) * blocks, float(limit[index])
        else:
            measured = float(self.tracks.newest_value[unit * self.ground.signals + rule.signal])
            bound = state.passed[rule.name]
        normal = {
            WATER: state.normal.cut_in,
            GAS: state.normal.gas_set_point,
            BATTERY: state.normal.float_voltage,
        }.get(rule.signal, np.nan)
        return Evidence(
            signal=signal.name,
            symbol=signal.symbol,
            measured=_known(measured),
            expected=_known(normal * blocks),
            limit=_known(bound * blocks),
            level=rule.level,
            limits_version=self.ground.limits_version,
            text=_sentence(rule),
        )


def _on_delay_ns(rule: Rule, normal: Normal) -> int:
    """On-delay of a rule; longer where a thermostat that somebody turned down would make each trough an alarm."""
    learned = rule.signal == WATER and rule.bound.from_normal is not None and not np.isnan(normal.cut_in)
    return max(rule.on_delay_ns, TURNED_DOWN_NS.get(rule.level, 0)) if learned and rule.bound.low else rule.on_delay_ns


def _battery_shift(normal: Normal, rule: Rule, air: Float64) -> Float64 | float:
    """What is added to the plain value of a rule on the battery, V a block, [n]; air: enclosure, Cel, [n]."""
    if not rule.bound.low:
        plain = -np.inf if rule.bound.at is None else rule.bound.at
        return np.minimum(bounds.high_shift(air), bounds.HIGHEST_V - plain)
    # A learned float says by itself what heat does to it; only an assumed one needs the shift.
    assumed = bool(np.isnan(normal.float_voltage))
    return bounds.low_shift(air) if rule.level == "warning" and assumed else 0.0


def _charges_again(normal: Normal, rule: Rule, limit: Float64, floated: Float64) -> Float64:
    """Volts from which on a low battery is taken for charged again, V a block, [n].

    In the heat a battery at rest stands as high as a float: a bound that follows the float down would clear each
    afternoon what no charger charges. So it is back at what is back at 25 Cel, or at the very float.

    Args:
        limit: that holds. floated: float at the temperature; NaN: not known.
    """
    at_25 = np.full_like(limit, normal.float_voltage)
    warm = given_way(rule, bounds.effective_bound(rule.bound, at_25), normal)
    back = np.fmin(warm + rule.bound.deadband, floated - AT_FLOAT_V)
    return np.fmax(limit + rule.bound.deadband, back)


def given_way(rule: Rule, limit: Float64, normal: Normal) -> Float64:
    """The bound of a rule, in the symbol, [n], after it has given way to what the unit does on most days."""
    margin = HABIT_MARGIN.get((rule.signal, rule.bound.low, rule.level))
    if margin is None or rule.mode == "running":
        return limit
    if rule.signal == BATTERY:
        habit, outermost = normal.battery_floor, LOW_BATTERY_LEAST
    elif rule.bound.low:
        habit, outermost = normal.water_floor, LOW_WATER_LEAST
    else:
        habit, outermost = normal.water_peak, HIGH_WATER_MOST
    return bounds.with_habit(limit, habit, low=rule.bound.low, margin=margin, outermost=outermost)


def _sentence(rule: Rule) -> str:
    """Which limit it was: those of a standing engine or of a running one."""
    return {"stopped": "Judged while the engine stood still.", "running": "Judged while the engine ran."}.get(
        rule.mode, ""
    )


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 6)
