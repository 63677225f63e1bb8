"""What is remembered of one unit beyond its tracks, and what its rooms say to each other.

Out: dataclasses; only UnitState changes. May import: models, monitor.alarms and, beside it, cranks, delays, silence.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from models.normal import Normal
from models.running import Run
from models.seen import Crank
from monitor.alarms.explaining import EXPLAINED_BY, explained, explaining
from monitor.alarms.lifecycle import Cause, Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.assessment.cranks import Dip
from monitor.assessment.delays import Standing
from monitor.assessment.silence import Deaf
from monitor.times import DAY_NS, HOUR_NS

NOTHING_LEARNED = Normal()
MODEL = "model"
"""The source of a reason that a model gives."""
RUN_KEPT_NS = 15 * DAY_NS  # a day longer than the window that is learned from
CRANKS_KEPT_NS = 90 * DAY_NS  # models.seen
CRANKS_MAX = 500  # an engine that starts five times a day for all of that time; more is a sensor that flickers
NOTES_KEPT_NS = 30 * DAY_NS
NOTES_MAX = 50
SAME_NOTE_NS = DAY_NS  # a model finds the moment of a change a little differently from one instant to the next


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for which a condition stands: a limit's level, a silent signal, a link that is down, a model."""

    urgency: Urgency
    since_ns: int
    evidence: Evidence
    causes: tuple[Cause, ...] = ()
    not_ready_at: NotReady | None = None

    @property
    def said(self) -> Said:
        """What it lets be said; not ready already: all three quantiles are that moment (contract)."""
        at = self.since_ns
        already = NotReady(at, at, at) if self.evidence.level == "not_ready" else self.not_ready_at
        return Said(self.urgency, self.causes, already)


@dataclass(frozen=True, slots=True)
class Held:
    """Where a condition that a model judges stands.

    active: it is raised. began_ns: since when. counted_ns: how long the delay that runs has been counted, None: none
    runs. urgency, first_cause, median_ns (p50), forecast (whether there was one), said_ns: as last said. calm_ns: how
    long a lower urgency has been counted. supply_share: how much of it the unit's missing AC supply explains, 0..1.
    """

    active: bool = False
    began_ns: int | None = None
    counted_ns: int | None = None
    urgency: Urgency | None = None
    first_cause: str = ""
    median_ns: int | None = None
    forecast: bool = False
    said_ns: int | None = None
    calm_ns: int | None = None
    supply_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Noted:
    """Something that changed at a unit and asks nothing of anybody. noticed_ns: when; at_ns: since when, ns UTC."""

    noticed_ns: int
    at_ns: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Turned:
    """A reason began, is said anew, or ceased.

    source names it within its condition. signal: index, -1: none becomes suspect or sound by it. causes, not_ready_at:
    what a model says. suspect_ns: how long before it was raised the signal had been wrong already.
    """

    noticed_ns: int
    at_ns: int
    condition: str
    source: str
    active: bool
    urgency: Urgency
    evidence: Evidence
    signal: int = -1
    causes: tuple[Cause, ...] = ()
    not_ready_at: NotReady | None = None
    suspect_ns: int = 0

    @property
    def moment(self) -> tuple[int, int, str]:
        """In the order noticed; what of one condition turns at one moment is one change."""
        return self.noticed_ns, self.at_ns, self.condition


@dataclass(frozen=True, slots=True)
class Stands:
    """How a condition stands: what is said of it, on what evidence, whether another one speaks for it."""

    said: Said
    evidence: Evidence
    suppressed: bool


@dataclass(slots=True)
class UnitState:
    """What is remembered of one unit beyond its tracks.

    normal: as last learned. standings: by rule, only those that are not quiet. passed: the bound that held at the last
    reading, by rule, for those. reasons: by condition and source. runs: the last days', in order. in_band: high water
    rules, and begin of the run after which they have seen the water back in its band. deaf: times without listening.
    offline_ns: since when its gateway's link is down. clock_ahead_ns: newest message with future stamps.
    suspect: (signal, from, to or None) that nothing is learned from. run_signal: whether the unit reports its runs.
    held: by condition that a model judges. learned: the models' normals, by the model's name. cranks: the last 90
    days', in order; dip: one that may become one. notes: of the last 30 days, in the order noticed.
    calm_ns: when the models judged it last, None: they found something to go on looking at.
    """

    normal: Normal = NOTHING_LEARNED
    standings: dict[str, Standing] = field(default_factory=dict)
    passed: dict[str, float] = field(default_factory=dict)
    reasons: dict[str, dict[str, Reason]] = field(default_factory=dict)
    runs: list[Run] = field(default_factory=list)
    in_band: set[tuple[str, int]] = field(default_factory=set)
    deaf: list[Deaf] = field(default_factory=list)
    offline_ns: int | None = None
    clock_ahead_ns: int | None = None
    suspect: list[tuple[int, int, int | None]] = field(default_factory=list)
    run_signal: bool = False
    held: dict[str, Held] = field(default_factory=dict)
    learned: dict[str, Any] = field(default_factory=dict)
    cranks: list[Crank] = field(default_factory=list)
    dip: Dip | None = None
    notes: list[Noted] = field(default_factory=list)
    calm_ns: int | None = None

    def apply(self, unit: str, turns: Sequence[Turned]) -> list[Finding]:
        """What turns of one condition at one moment make of it, and of those it explains or is explained by."""
        condition = turns[0].condition
        related = _related(condition)
        before = {each: self.stands(each) for each in related}
        reasons = self.reasons.setdefault(condition, {})
        for turn in turns:
            known = reasons.get(turn.source)
            if turn.active:
                since = turn.at_ns if known is None else known.since_ns
                reasons[turn.source] = Reason(turn.urgency, since, turn.evidence, turn.causes, turn.not_ready_at)
                if turn.signal >= 0:
                    self.suspect.append((turn.signal, turn.at_ns - turn.suspect_ns - HOUR_NS, None))
            else:
                reasons.pop(turn.source, None)
                if turn.signal >= 0:
                    self._trust_again(turn.signal, turn.at_ns)
        if not reasons:
            del self.reasons[condition]
        says = any(turn.active and turn.source == MODEL for turn in turns)
        found = (
            _finding(unit, each, before[each], self.stands(each), turns[0], says=says and each == condition)
            for each in related
        )
        return [finding for finding in found if finding is not None]

    def stands(self, condition: str) -> Stands | None:
        """How a condition stands just now, with what those that it explains lend it; None where it does not."""
        reason = strongest(self.reasons.get(condition, {}))
        if reason is None:
            return None
        said = reason.said
        for other in explained(condition, self.reasons):
            said = _lent(said, strongest(self.reasons[other]))
        return Stands(said, reason.evidence, bool(explaining(condition, self.reasons)))

    def forget(self, now_ns: int) -> None:
        """Let go of what ended long ago; asked at midnights only, so that no grouping shows."""
        before_ns = now_ns - RUN_KEPT_NS
        self.suspect = [span for span in self.suspect if span[2] is None or span[2] > before_ns]
        self.runs = [run for run in self.runs if run.ended_ns is None or run.ended_ns > before_ns]
        begun = {run.began_ns for run in self.runs}
        self.in_band = {key for key in self.in_band if key[1] in begun}
        self.deaf = [span for span in self.deaf if span.to_ns > before_ns]
        self.cranks = [crank for crank in self.cranks if crank.at_ns > now_ns - CRANKS_KEPT_NS]
        self.notes = [note for note in self.notes if note.noticed_ns > now_ns - NOTES_KEPT_NS]

    def standing(self, unit: str) -> list[Finding]:
        """What stands just now, as it would be raised: since when, how urgent, why."""
        found = []
        for condition, reasons in sorted(self.reasons.items()):
            now = self.stands(condition)
            assert now is not None, "a condition stands for a reason"
            since = min(each.since_ns for each in reasons.values())
            found.append(Finding(unit, condition, Kind.RAISED, since, since, now.said, now.evidence, now.suppressed))
        return found

    def note(self, noted: Noted) -> None:
        """Keep a note, once."""
        same = (note.kind == noted.kind and abs(note.at_ns - noted.at_ns) < SAME_NOTE_NS for note in self.notes)
        if not any(same):
            self.notes = [*self.notes, noted][-NOTES_MAX:]

    def _trust_again(self, signal: int, at_ns: int) -> None:
        for place, (own, from_ns, to_ns) in enumerate(self.suspect):
            if own == signal and to_ns is None:
                self.suspect[place] = (own, from_ns, at_ns + HOUR_NS)
                return


def _related(condition: str) -> tuple[str, ...]:
    """A condition, then all of which something else may hold once it begins or ceases."""
    effects = [effect for effect, causes in EXPLAINED_BY.items() if condition in causes]
    others = [cause for effect in effects for cause in EXPLAINED_BY[effect]]
    return tuple(dict.fromkeys((condition, *EXPLAINED_BY.get(condition, ()), *effects, *others)))


def _lent(said: Said, by: Reason | None) -> Said:
    """What a cause says with the urgency that an explained limit lends it.

    A limit goes by the forecast (contract), so beside one it lends nothing; past not ready it needs somebody now.
    """
    assert by is not None, "what is explained stands"
    if by.evidence.level == "not_ready":
        own = said.not_ready_at if said.urgency is Urgency.NOW else None
        known = [each for each in (own, by.said.not_ready_at) if each is not None and each.p50 is not None]
        return Said(Urgency.NOW, said.causes, min(known, key=lambda each: each.p50 or 0, default=None))
    if by.urgency.rank > said.urgency.rank and said.not_ready_at is None:
        return replace(said, urgency=by.urgency)
    return said


def _finding(
    unit: str, condition: str, before: Stands | None, after: Stands | None, turn: Turned, *, says: bool
) -> Finding | None:
    """What became of a condition, None where nothing is to be said. says: a model says something new of it."""
    if before is None and after is None:
        return None
    if after is None or before is None:
        kind = Kind.CLEARED if after is None else Kind.RAISED
    elif says or (before.said.urgency, before.suppressed) != (after.said.urgency, after.suppressed):
        kind = Kind.CHANGED
    else:
        return None
    now = after or before
    assert now is not None, "one of the two is there"
    return Finding(unit, condition, kind, turn.at_ns, turn.noticed_ns, now.said, now.evidence, now.suppressed)


def strongest(reasons: dict[str, Reason]) -> Reason | None:
    """The most urgent reason; of equals the one that has stood longest."""
    if not reasons:
        return None
    return max(sorted(reasons.items()), key=lambda item: (item[1].urgency.rank, -item[1].since_ns))[1]


@dataclass(frozen=True, slots=True)
class UnitView:
    """What the assessment knows of a unit, for people.

    heard_ns: newest arrival of news, None: never. silent: needed signals from which nothing comes though something
    should; never_heard: those that never came. normal: as learned, NaN: not yet. runs: of the last days, begin and end,
    None: under way. notes: of the last 30 days. cranks: of the last 90, in order.
    """

    heard_ns: int | None
    silent: tuple[str, ...]
    never_heard: tuple[str, ...]
    normal: Normal
    runs: tuple[tuple[int, int | None], ...]
    notes: tuple[Noted, ...] = ()
    cranks: tuple[Crank, ...] = ()
