"""The assessor: what the readings of the fleet say of its conditions, at every moment.

In: batches in the order of arrival, and how far arrivals are known. Out: findings. The same arrivals give the same
findings, byte for byte, whether they come message by message, day by day or all at once: live running and replay are
this one piece of code. May import: models, monitor.alarms, monitor.batch, monitor.fleet, monitor.limits_file,
monitor.signals, monitor.times. Touches nothing outside itself; it never asks what time it is.

Most units are quiet most of the time. Whatever a whole batch brings is first looked over in columns; only units with
something beyond a bound, a delay that runs, a run or a silence are judged one by one.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from models import limits as bounds
from models import normal as normals
from models import running
from models.normal import Normal
from models.running import Run
from models.windows import CELL_NS, Window
from monitor.alarms.lifecycle import Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.assessment import delays, silence
from monitor.assessment.delays import NEVER_NS, QUIET, Rhythm, Standing
from monitor.assessment.rules import Rule, rules_of
from monitor.assessment.silence import Deaf
from monitor.assessment.tracks import NEEDED_INDEX, NO_TIME, Ring, Tracks
from monitor.batch import Batch, Bool, Float64, Int64
from monitor.fleet import Fleet
from monitor.limits_file import Limits
from monitor.signals import INTERNAL, NAMES, NEEDED, SIGNALS
from monitor.times import DAY_NS, HOUR_NS

Deadline = Callable[[str, int], tuple[int, bool]]
"""Deadline of a site's next visit after a moment, ns, and whether it is only assumed."""

WATER, BATTERY, GAS, ENCLOSURE = (NAMES.index(name) for name in NEEDED)
SPEED, RUNNING = NAMES.index("engine_speed"), NAMES.index("engine_running")
LINK, LISTENING, CLOCK = (NAMES.index(name) for name in ("link_online", "listening_again", "clock_ahead"))
AFTER_RUN_NS = 4 * HOUR_NS  # stopped limits on water, gas and enclosure are off (shared trade facts, section 2)
AFTER_RUN_BATTERY_NS = 6 * HOUR_NS  # the battery's low warning is off
AFTER_RUN_WATER_NS = 24 * HOUR_NS  # by then the water has fallen into its band, or the heater holds it up
RUN_KEPT_NS = 15 * DAY_NS
VISIT_NEAR_NS = DAY_NS  # a visit within a day: readings missing can wait for it (contract)
YOUNG_NS = DAY_NS  # a unit's first day: its rhythm is learned every hour
AIR_AGE_NS_MAX = 6 * HOUR_NS  # an enclosure temperature older than this says nothing of the battery's
UNSAFE_AFTER_RUN = {WATER: 12 * HOUR_NS, GAS: 4 * HOUR_NS, BATTERY: 6 * HOUR_NS}  # not learned from


NOTHING_LEARNED = Normal()


@dataclass(frozen=True, slots=True)
class Contribution:
    """One reason for which a condition stands: a limit's level, a silent signal, a link that is down."""

    urgency: Urgency
    since_ns: int
    evidence: Evidence


@dataclass(slots=True)
class UnitState:
    """What is remembered of one unit beyond its tracks.

    normal: as last learned. standings: by rule, only those that are not quiet. passed: the bound that
    held at the newest reading, by rule, for those. reasons: by condition and source.
    runs: the last days', in order. in_band: high water rules, and begin of the run after which they have seen the water
    back in its band. deaf: times without listening. offline_ns: since when its gateway's link is down.
    clock_ahead_ns: newest message with future stamps. suspect: (signal, from, to or None) that nothing is learned from.
    run_signal: whether the unit reports its runs.
    """

    normal: Normal = NOTHING_LEARNED
    standings: dict[str, Standing] = field(default_factory=dict)
    passed: dict[str, float] = field(default_factory=dict)
    reasons: dict[str, dict[str, Contribution]] = field(default_factory=dict)
    runs: list[Run] = field(default_factory=list)
    in_band: set[tuple[str, int]] = field(default_factory=set)
    deaf: list[Deaf] = field(default_factory=list)
    offline_ns: int | None = None
    clock_ahead_ns: int | None = None
    suspect: list[tuple[int, int, int | None]] = field(default_factory=list)
    run_signal: bool = False


@dataclass(frozen=True, slots=True)
class Turned:
    """A reason began or ceased; sorted, these make the findings."""

    noticed_ns: int
    at_ns: int
    condition: str
    source: str
    active: bool
    urgency: Urgency
    evidence: Evidence
    signal: int = -1

    @property
    def order(self) -> tuple[int, int, str, str]:
        """In the order noticed; what ceases and begins at one moment in the order of names."""
        return self.noticed_ns, self.at_ns, self.condition, self.source


@dataclass(frozen=True, slots=True)
class UnitView:
    """What the assessment knows of a unit, for people.

    heard_ns: newest arrival of news, None: never. silent: needed signals from which nothing comes, or never came.
    normal: as learned, NaN: not yet. runs: of the last days, begin and end, None: under way.
    """

    heard_ns: int | None
    silent: tuple[str, ...]
    never_heard: tuple[str, ...]
    normal: Normal
    runs: tuple[tuple[int, int | None], ...]


class Assessor:
    """Judges a fleet under one set of limits. Not for several threads at once."""

    def __init__(self, fleet: Fleet, limits: Limits, deadline: Deadline, limits_version: int = 0) -> None:
        self.fleet = fleet
        self.limits_version = limits_version
        self._deadline = deadline
        self._units = tuple(fleet.units.values())
        self._signals = len(fleet.signals)
        self._switches = np.array([signal.is_switch for signal in fleet.signals])
        self._internal = np.array([signal.name in INTERNAL for signal in fleet.signals])
        self._needed_of_signal = np.full(self._signals, -1)
        self._needed_of_signal[list(NEEDED_INDEX)] = np.arange(len(NEEDED))
        self.rules = tuple(rules_of(limits, unit.id) for unit in self._units)
        self._rules_by_signal = tuple(_by_signal(rules) for rules in self.rules)
        missing = [limits.condition(unit.id, "readings_missing") for unit in self._units]
        self._silence_least_ns = np.array([table["least"] for table in missing], np.int64)
        self._link_offline_ns = np.array([table["link_offline"] for table in missing], np.int64)
        self._gaps_usual = np.array([table["usual_gaps"] for table in missing], np.float64)
        clock = [limits.condition(unit.id, "clock_wrong") for unit in self._units]
        self._clock_off_ns = np.array([table["off_delay"] for table in clock], np.int64)
        self._blocks = np.array([unit.blocks for unit in self._units], np.float64)
        count = len(self._units)
        self.tracks = Tracks.empty(
            count,
            self._signals,
            self._switches,
            Ring.empty(count, running.RISE_BIN_NS, running.RISE_BINS),
            Ring.empty(count, HOUR_NS, 24),
        )
        self.states = [UnitState() for _ in self._units]
        self.assessed_ns = np.full(count, NO_TIME)
        self._band_low = np.full((count, self._signals), -np.inf)
        self._band_high = np.full((count, self._signals), np.inf)
        self._band_battery = np.full((count, 3), np.nan)  # learned low and high at 25 Cel, slope
        self._due_ns = np.full(count, NEVER_NS)
        self._busy = np.zeros(count, np.bool_)
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
        chosen = np.arange(len(self._units)) if units is None else np.asarray(sorted(units))
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
            findings += self._step(batch.where(np.arange(row, end)), instant, chosen)
            row = end
            self._learn(instant, chosen)
        findings += self._step(batch.where(np.arange(row, len(batch))), until_ns, chosen)
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
            if instant % DAY_NS == 0 or self._young(instant, chosen).any():
                yield instant
                instant += HOUR_NS
            else:
                first = self.tracks.unit_first_ns[chosen]
                unheard = bool((first == NO_TIME).any())
                instant += HOUR_NS if unheard else DAY_NS - instant % DAY_NS

    def _young(self, instant: int, chosen: Int64) -> Bool:
        first = self.tracks.unit_first_ns[chosen]
        young: Bool = (first != NO_TIME) & (instant - first <= YOUNG_NS)
        return young

    def _note_deaf(self, batch: Batch) -> None:
        for row in np.flatnonzero(batch.signal == LISTENING).tolist():
            to_ns = int(batch.received_ns[row])
            state = self.states[int(batch.unit[row])]
            from_ns = to_ns - int(batch.value[row] * 1e9)
            state.deaf = [span for span in state.deaf if span.to_ns > to_ns - 2 * DAY_NS]
            state.deaf.append(Deaf(from_ns, to_ns))
            self._due_ns[int(batch.unit[row])] = NO_TIME + 1  # look again: deadlines have moved

    # --- a step between two instants -----------------------------------------------------------------------------

    def _step(self, batch: Batch, until_ns: int, chosen: Int64) -> list[Finding]:
        """Judge what arrived up to a moment, then remember it."""
        internal = self._internal[batch.signal]
        own = batch.where(internal)
        news = self.tracks.news(batch.where(~internal))
        slow = self._busy[chosen] | (self._due_ns[chosen] <= until_ns)
        slow[np.searchsorted(chosen, np.unique(own.unit))] = True
        slow[np.searchsorted(chosen, self._noisy(news))] = True
        findings: list[Finding] = []
        judged = chosen[slow]
        if len(judged):
            edges = np.searchsorted(news.unit, judged), np.searchsorted(news.unit, judged, side="right")
            for unit, begin, end in zip(judged.tolist(), *(edge.tolist() for edge in edges), strict=True):
                findings += self._judge(unit, news.where(np.arange(begin, end)), own.where(own.unit == unit), until_ns)
        self.tracks.remember(news, self._needed_of_signal)
        heard = np.unique(news.unit).astype(np.int64)
        self._update_due(np.union1d(judged, heard))
        findings.sort(key=lambda finding: (finding.noticed_ns, finding.at_ns, finding.unit, finding.condition))
        return findings

    def _noisy(self, news: Batch) -> Int64:
        """Units with a reading beyond a bound or a rise that may be a run; index. Never leaves one out."""
        if not len(news):
            return np.empty(0, np.int64)
        value = np.where(news.signal == BATTERY, news.value / self._blocks[news.unit], news.value)
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
        greatest = np.full(len(self._units), -np.inf)
        np.minimum.at(least, news.unit[water], news.value[water])
        np.maximum.at(greatest, news.unit[water], news.value[water])
        risen = np.flatnonzero(greatest - least >= running.RISE_K)
        return np.unique(np.concatenate((noisy, switched, risen))).astype(np.int64)

    def _air_range(self, news: Batch) -> tuple[Float64, Float64]:
        """Coldest and warmest enclosure that may count for each unit's battery just now, Cel, [unit]."""
        newest = self.tracks.newest_value.reshape(-1, self._signals)[:, ENCLOSURE]
        coldest, warmest = newest.copy(), newest.copy()
        air = news.signal == ENCLOSURE
        np.fmin.at(coldest, news.unit[air], news.value[air])
        np.fmax.at(warmest, news.unit[air], news.value[air])
        return coldest, warmest

    def _judge(self, unit: int, news: Batch, own: Batch, until_ns: int) -> list[Finding]:
        """One unit, exactly: runs, limits, silence, clock; then what that makes of its conditions."""
        state = self.states[unit]
        self._follow_runs(unit, state, news)
        turned: list[Turned] = []
        for signal, rules in self._rules_by_signal[unit].items():
            rows = news.where(news.signal == signal)
            for rule in rules:
                if len(rows) or rule.name in state.standings:
                    turned += self._judge_rule(unit, state, rule, rows, news, until_ns)
        turned += self._judge_silence(unit, state, news, own, until_ns)
        turned += self._judge_clock(unit, state, own, until_ns)
        turned.sort(key=lambda turn: turn.order)
        findings = [finding for turn in turned for finding in self._apply(unit, state, turn)]
        state.runs = [run for run in state.runs if run.under_way or run.began_ns > until_ns - RUN_KEPT_NS]
        state.in_band = {key for key in state.in_band if key[1] > until_ns - RUN_KEPT_NS}
        self._busy[unit] = bool(state.standings) or self._run_counts(state, until_ns)
        return findings

    def _run_counts(self, state: UnitState, until_ns: int) -> bool:
        last = state.runs[-1] if state.runs else None
        return last is not None and (last.ended_ns is None or last.ended_ns + AFTER_RUN_WATER_NS > until_ns)

    # --- runs ----------------------------------------------------------------------------------------------------

    def _follow_runs(self, unit: int, state: UnitState, news: Batch) -> None:
        last = state.runs[-1] if state.runs else None
        if state.run_signal:
            rows = news.where((news.signal == RUNNING) | (news.signal == SPEED))
            runs = running.switched(
                rows.time_ns,
                rows.received_ns,
                np.where(rows.signal == SPEED, rows.value > running.SPEED_RUNNING, rows.value > 0),
                last,
            )
        else:
            rows = news.where(news.signal == WATER)
            if not len(rows):
                return
            least, _ = self.tracks.water_bins.trailing_least(unit, rows.time_ns, rows.value)
            runs = running.inferred(rows.time_ns, rows.received_ns, rows.value, least, last)
        state.runs = state.runs[:-1] + runs if last is not None else runs

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

    # --- limits --------------------------------------------------------------------------------------------------

    def _judge_rule(
        self, unit: int, state: UnitState, rule: Rule, rows: Batch, news: Batch, until_ns: int
    ) -> list[Turned]:
        track = unit * self._signals + rule.signal
        value, limit, verdict = self._verdicts(unit, state, rule, rows, news)
        newest = int(self.tracks.newest_ns[track])
        previous = None if newest == NO_TIME else (newest, int(self.tracks.newest_received_ns[track]))
        standing, turns = delays.walk(
            state.standings.get(rule.name, QUIET),
            verdict,
            rows.time_ns,
            rows.received_ns,
            previous=previous,
            rhythm=Rhythm(int(self.tracks.hold_ns[track]), int(self.tracks.wait_ns[track])),
            on_delay_ns=rule.on_delay_ns,
            off_delay_ns=rule.off_delay_ns,
            until_ns=until_ns,
            postponed=lambda moment: silence.postponed(state.deaf, moment),
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
        value = rows.value / self._blocks[unit] if rule.signal == BATTERY else rows.value
        normal = np.full(len(rows), np.nan)
        shift: Float64 | float = 0.0
        if rule.signal == WATER:
            normal[:] = state.normal.cut_in
        elif rule.signal == GAS:
            normal[:] = state.normal.gas_set_point
        elif rule.signal == BATTERY:
            air = self._air_at(unit, rows, news)
            normal = bounds.float_at(state.normal.float_voltage, state.normal.float_slope, air)
            shift = 0.0 if rule.bound.low else bounds.high_shift(air)
        limit = bounds.effective_bound(rule.bound, normal, shift)
        verdict = bounds.verdicts(value, limit, low=rule.bound.low, deadband=rule.bound.deadband)
        if rule.signal == GAS and not rule.bound.low and rule.mode == "stopped" and len(rows):
            limit, verdict = self._gas_floor_verdicts(unit, rule, rows, normal)
        masked = self._masked(state, rule, rows)
        if rule.signal == WATER and not rule.bound.low and rule.mode == "stopped":
            masked |= self._still_cooling(state, rule, rows, verdict)
        verdict[masked & (verdict == bounds.PRESENT)] = bounds.UNKNOWN
        return value, limit, verdict

    def _gas_floor_verdicts(
        self, unit: int, rule: Rule, rows: Batch, normal: Float64
    ) -> tuple[Float64, bounds.Verdict]:
        """High gas: the learned bound on the day's floor, since warm humps over it are healthy; `at` on the value."""
        floor, hours = self.tracks.gas_bins.trailing_least(unit, rows.time_ns, rows.value)
        floor = np.where(hours >= 20, floor, -np.inf)
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
        """Enclosure temperature that counts for each battery reading: the newest known by then, NaN where too old."""
        track = unit * self._signals + ENCLOSURE
        air = news.where(news.signal == ENCLOSURE)
        times = np.append(self.tracks.newest_ns[track], air.time_ns)
        arrivals = np.append(self.tracks.newest_received_ns[track], air.received_ns)
        values = np.append(self.tracks.newest_value[track], air.value)
        at = np.minimum(
            np.searchsorted(times, rows.time_ns, side="right"),
            np.searchsorted(arrivals, rows.received_ns, side="right"),
        )
        at = np.maximum(at - 1, 0)
        fresh = (times[at] <= rows.time_ns) & (times[at] > rows.time_ns - AIR_AGE_NS_MAX)
        return np.where(fresh, values[at], np.nan)

    def _evidence(
        self, unit: int, state: UnitState, rule: Rule, value: Float64, limit: Float64, index: int
    ) -> Evidence:
        """What was measured against what, battery as the whole set's voltage."""
        signal = SIGNALS[rule.signal]
        blocks = float(self._blocks[unit]) if rule.signal == BATTERY else 1.0
        if index >= 0:
            measured, bound = float(value[index]) * blocks, float(limit[index])
        else:
            measured = float(self.tracks.newest_value[unit * self._signals + rule.signal])
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
            limits_version=self.limits_version,
            text=rule.name,
        )

    # --- silence and clock ---------------------------------------------------------------------------------------

    def _judge_silence(self, unit: int, state: UnitState, news: Batch, own: Batch, until_ns: int) -> list[Turned]:
        standing = state.reasons.get("readings_missing", {})
        arrivals = np.unique(news.received_ns).tolist()
        heard = int(self.tracks.unit_heard_ns[unit])
        turned = [
            self._silent(unit, "unit", begins, moment, "nothing comes from this unit")
            for begins, moment in silence.silences(
                heard, arrivals, int(self.tracks.unit_silence_ns[unit]), state.deaf, until_ns, "unit" in standing
            )
        ]
        for signal in NEEDED_INDEX:
            track = unit * self._signals + signal
            newest = int(self.tracks.newest_received_ns[track])
            source = NAMES[signal]
            turned += [
                self._silent(unit, source, begins, moment, f"no {source}")
                for begins, moment in silence.silences(
                    self._signal_heard_ns(unit, newest),
                    np.unique(news.received_ns[news.signal == signal]).tolist(),
                    int(self.tracks.silence_ns[track]) + silence.SIGNAL_LATER_NS,
                    state.deaf,
                    until_ns,
                    source in standing,
                )
            ]
        return turned + self._judge_link(unit, state, arrivals, own, until_ns, "link" in standing)

    def _signal_heard_ns(self, unit: int, newest_received_ns: int) -> int:
        """A signal that never came is silent from the unit's first word on, or from when somebody listens."""
        if newest_received_ns != NO_TIME:
            return newest_received_ns
        first = int(self.tracks.unit_first_ns[unit])
        return first if first != NO_TIME else int(self.tracks.unit_heard_ns[unit])

    def _judge_link(
        self, unit: int, state: UnitState, arrivals: list[int], own: Batch, until_ns: int, down: bool
    ) -> list[Turned]:
        """A gateway's 'offline' begins silence after its delay; only readings end it, 'online' alone proves nothing."""
        links = own.where(own.signal == LINK)
        events = sorted(
            [(arrival, 1, True) for arrival in arrivals]
            + [
                (received, 0, up > 0)
                for received, up in zip(links.received_ns.tolist(), links.value.tolist(), strict=True)
            ]
        )
        turned: list[Turned] = []
        delay = int(self._link_offline_ns[unit])
        for moment, is_reading, up in [*events, (until_ns + 1, 2, True)]:
            if state.offline_ns is not None and not down:
                deadline = silence.postponed(state.deaf, state.offline_ns + delay)
                if deadline < moment:
                    turned.append(self._silent(unit, "link", True, deadline, "the gateway's link is down"))
                    down = True
            if is_reading == 1:
                state.offline_ns = None
                if down:
                    turned.append(self._silent(unit, "link", False, moment, "the gateway's link is down"))
                    down = False
            elif is_reading == 0 and not up and state.offline_ns is None:
                state.offline_ns = moment
        return turned

    def _silent(self, unit: int, source: str, begins: bool, moment_ns: int, text: str) -> Turned:
        urgency = Urgency.AT_VISIT
        if source in ("unit", "link"):
            deadline, _ = self._deadline(self._units[unit].site, moment_ns)
            urgency = Urgency.BEFORE_VISIT if deadline - moment_ns > VISIT_NEAR_NS else Urgency.AT_VISIT
        evidence = Evidence(signal="" if source in ("unit", "link") else source, text=text)
        return Turned(moment_ns, moment_ns, "readings_missing", source, begins, urgency, evidence)

    def _judge_clock(self, unit: int, state: UnitState, own: Batch, until_ns: int) -> list[Turned]:
        rows = own.where(own.signal == CLOCK)
        turned: list[Turned] = []
        off = int(self._clock_off_ns[unit])
        for moment, ahead in [*zip(rows.received_ns.tolist(), rows.value.tolist(), strict=True), (until_ns + 1, None)]:
            last = state.clock_ahead_ns
            if last is not None and last + off < moment:
                turned.append(self._clock(False, last + off, Evidence(text="its stamps are right again")))
                state.clock_ahead_ns = None
            if ahead is not None:
                if state.clock_ahead_ns is None:
                    text = "stamps from the future were set aside"
                    turned.append(self._clock(True, moment, Evidence("", "s", ahead, 0.0, text=text)))
                state.clock_ahead_ns = moment
        return turned

    def _clock(self, begins: bool, moment_ns: int, evidence: Evidence) -> Turned:
        return Turned(moment_ns, moment_ns, "clock_wrong", "clock", begins, Urgency.AT_VISIT, evidence)

    # --- from reasons to findings --------------------------------------------------------------------------------

    def _apply(self, unit: int, state: UnitState, turn: Turned) -> list[Finding]:
        """What one reason more or less makes of its condition: raised, changed, cleared, or nothing new."""
        reasons = state.reasons.setdefault(turn.condition, {})
        before = _strongest(reasons)
        if turn.active:
            reasons[turn.source] = Contribution(turn.urgency, turn.at_ns, turn.evidence)
            if turn.signal >= 0:
                state.suspect.append((turn.signal, turn.at_ns - HOUR_NS, None))
        else:
            reasons.pop(turn.source, None)
            if turn.signal >= 0:
                _release(state.suspect, turn.signal, turn.at_ns)
        after = _strongest(reasons)
        if not reasons:
            del state.reasons[turn.condition]
        if after is None:
            if before is None:
                return []
            return [self._finding(unit, turn, Kind.CLEARED, before)]
        if before is None:
            return [self._finding(unit, turn, Kind.RAISED, after)]
        if before.urgency is after.urgency:
            return []
        return [self._finding(unit, turn, Kind.CHANGED, after)]

    def _finding(self, unit: int, turn: Turned, kind: Kind, reason: Contribution) -> Finding:
        return Finding(
            unit=self._units[unit].id,
            condition=turn.condition,
            kind=kind,
            at_ns=turn.at_ns,
            noticed_ns=turn.noticed_ns,
            said=_said(reason),
            evidence=reason.evidence,
        )

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
        self.tracks.learn_rhythm(units, self._switches, self._silence_least_ns[units], self._gaps_usual[units])
        newest = self.tracks.newest_ns.reshape(-1, self._signals)
        for unit in units.tolist():
            self.states[unit].run_signal = bool((newest[unit, [SPEED, RUNNING]] != NO_TIME).any())
        if midnight:
            self._learn_normals(instant, units)
        self._update_due(units)

    def _learn_normals(self, instant: int, units: Int64) -> None:
        water, battery, gas, air = (self.tracks.window(units, place, instant) for place in range(len(NEEDED)))
        for signal, window in ((WATER, water), (BATTERY, battery), (GAS, gas)):
            for row, unit in enumerate(units.tolist()):
                self._leave_out(self.states[unit], signal, window, row)
        cut_in = normals.cut_in_temperature(water, air)
        set_point = normals.gas_set_point(gas)
        volts, slopes = normals.float_voltage(battery, air, blocks=self._blocks[units])
        for row, unit in enumerate(units.tolist()):
            state, former = self.states[unit], self.states[unit].normal
            float_known = not np.isnan(volts[row])
            state.normal = Normal(
                cut_in=_or(float(cut_in[row]), former.cut_in),
                gas_set_point=_or(float(set_point[row]), former.gas_set_point),
                float_voltage=_or(float(volts[row]), former.float_voltage),
                float_slope=float(slopes[row]) if float_known else former.float_slope,
            )
            state.suspect = [span for span in state.suspect if span[2] is None or span[2] > instant - RUN_KEPT_NS]
            self._set_band(unit)

    def _leave_out(self, state: UnitState, signal: int, window: Window, row: int) -> None:
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

    # --- what is quiet -------------------------------------------------------------------------------------------

    def _set_band(self, unit: int) -> None:
        """The band of each signal in which no stopped rule can be passed, with what is learned just now."""
        normal = self.states[unit].normal
        low, high = self._band_low[unit], self._band_high[unit]
        low[:], high[:] = -np.inf, np.inf
        self._band_battery[unit] = np.nan, np.nan, normal.float_slope
        for rule in self.rules[unit]:
            if rule.mode == "running":
                continue
            value = {WATER: normal.cut_in, GAS: normal.gas_set_point}.get(rule.signal, np.nan)
            if rule.signal == BATTERY:
                learned = float(bounds.learned_bound(rule.bound, np.array([normal.float_voltage]))[0])
                column, nearest = (0, np.fmax) if rule.bound.low else (1, np.fmin)
                self._band_battery[unit, column] = nearest(self._band_battery[unit, column], learned)
                bound = np.nan if rule.bound.at is None else rule.bound.at
            else:
                bound = float(bounds.effective_bound(rule.bound, np.array([value]))[0])
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
            track = units * self._signals + signal
            newest = tracks.newest_received_ns[track]
            by_signal[place] = np.where(newest == NO_TIME, begun, newest) + tracks.silence_ns[track]
        self._due_ns[units] = np.minimum(due, by_signal.min(axis=0))
        for row, unit in enumerate(units.tolist()):
            state = self.states[unit]
            missing = state.reasons.get("readings_missing")
            if missing or state.offline_ns is not None or state.clock_ahead_ns is not None:
                moments = [] if missing and "unit" in missing else [int(due[row])]
                moments += [
                    int(by_signal[place, row])
                    for place, name in enumerate(NEEDED)
                    if not missing or name not in missing
                ]
                if state.offline_ns is not None and not (missing and "link" in missing):
                    moments.append(state.offline_ns + int(self._link_offline_ns[unit]))
                if state.clock_ahead_ns is not None:
                    moments.append(state.clock_ahead_ns + int(self._clock_off_ns[unit]))
                self._due_ns[unit] = min(moments, default=NEVER_NS)

    def adopt(self, unit: int, state: UnitState) -> None:
        """Take a kept state for one unit; its tracks and assessed_ns have been set already."""
        self.states[unit] = state
        self._busy[unit] = bool(state.standings) or self._run_counts(state, int(self.assessed_ns[unit]))
        self._set_band(unit)
        self._update_due(np.array([unit]))

    def standing(self) -> dict[tuple[str, str], Finding]:
        """What stands just now, by unit and condition, as it would be raised: since when, how urgent, why."""
        found = {}
        for unit, state in zip(self._units, self.states, strict=True):
            for condition, reasons in state.reasons.items():
                reason = _strongest(reasons)
                assert reason is not None, "a condition stands for a reason"
                since = min(each.since_ns for each in reasons.values())
                found[unit.id, condition] = Finding(
                    unit.id, condition, Kind.RAISED, since, since, _said(reason), reason.evidence
                )
        return found

    # --- for people ----------------------------------------------------------------------------------------------

    def view(self, unit: int) -> UnitView:
        """What is known of a unit just now."""
        tracks, state = self.tracks, self.states[unit]
        heard = int(tracks.unit_heard_ns[unit])
        missing = state.reasons.get("readings_missing", {})
        base = unit * self._signals
        never = tuple(NAMES[s] for s in NEEDED_INDEX if tracks.newest_ns[base + s] == NO_TIME)
        silent = tuple(NAMES[s] for s in NEEDED_INDEX if NAMES[s] in missing or "unit" in missing or "link" in missing)
        first = int(tracks.unit_first_ns[unit])
        return UnitView(
            heard_ns=heard if first != NO_TIME else None,
            silent=silent,
            never_heard=never,
            normal=state.normal,
            runs=tuple((run.began_ns, run.ended_ns) for run in state.runs),
        )


def _by_signal(rules: tuple[Rule, ...]) -> dict[int, tuple[Rule, ...]]:
    signals = dict.fromkeys(rule.signal for rule in rules)
    return {signal: tuple(rule for rule in rules if rule.signal == signal) for signal in signals}


def _said(reason: Contribution) -> Said:
    """What a reason lets be said; not ready already: all three quantiles are that moment (contract)."""
    at = reason.since_ns
    return Said(reason.urgency, (), NotReady(at, at, at) if reason.evidence.level == "not_ready" else None)


def _strongest(reasons: dict[str, Contribution]) -> Contribution | None:
    """The most urgent reason; of equals the one that has stood longest."""
    if not reasons:
        return None
    return max(sorted(reasons.items()), key=lambda item: (item[1].urgency.rank, -item[1].since_ns))[1]


def _release(suspect: list[tuple[int, int, int | None]], signal: int, at_ns: int) -> None:
    for place, (own, from_ns, to_ns) in enumerate(suspect):
        if own == signal and to_ns is None:
            suspect[place] = (own, from_ns, at_ns + HOUR_NS)
            return


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 6)


def _or(value: float, former: float) -> float:
    return former if np.isnan(value) else value


__all__ = ["Assessor", "Deadline", "UnitState", "UnitView"]
