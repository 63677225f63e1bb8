"""What is remembered of one unit beyond its tracks, and what its rooms say to each other.

Out: dataclasses; only UnitState changes. May import: models, monitor.alarms and, beside it, cranks, delays, returning,
silence.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from models.normal import Normal
from models.running import Run
from models.seen import Crank
from monitor.alarms.explaining import EXPLAINED_BY, explained, explaining
from monitor.alarms.lifecycle import Cause, Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.assessment import returning, silence
from monitor.assessment.cranks import Dip
from monitor.assessment.delays import Standing
from monitor.assessment.returning import Begins, Lasting, Reason, strongest
from monitor.assessment.silence import Deaf
from monitor.times import DAY_NS, HOUR_NS

NOTHING_LEARNED = Normal()
MODEL = "model"
"""The source of a reason that a model gives."""
RUN_KEPT_NS = 15 * DAY_NS  # a day longer than the window that is learned from
CRANKS_KEPT_NS = 90 * DAY_NS  # models.seen
CRANKS_MAX = 500  # an engine that starts five times a day for all of that time; more is a sensor that flickers
Span = tuple[int, int, int | None, bool]
"""Signal, from, to or None, and whether only a limit's warning or limit says so (Turned.soft)."""
NOTES_KEPT_NS = 30 * DAY_NS
NOTES_MAX = 50
SAME_NOTE_NS = DAY_NS  # a model finds the moment of a change a little differently from one instant to the next


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
    def soft(self) -> bool:
        """Whether it is a limit that is passed short of not ready: a value too far out for comfort, and no cause."""
        return self.evidence.level in ("warning", "limit")

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
    suspect: that nothing is learned from. run_signal: whether the unit reports its runs.
    held: by condition that a model judges. learned: the models' normals, by the model's name. cranks: the last 90
    days', in order; dip: one that may become one. notes: of the last 30 days, in the order noticed.
    calm_ns: when the models judged it last, None: they found something to go on looking at. begins: when each condition
    began lately, by arrival. lasting: what has ended and stands on for a while, by condition and source.
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
    suspect: list[Span] = field(default_factory=list)
    run_signal: bool = False
    held: dict[str, Held] = field(default_factory=dict)
    learned: dict[str, Any] = field(default_factory=dict)
    cranks: list[Crank] = field(default_factory=list)
    dip: Dip | None = None
    notes: list[Noted] = field(default_factory=list)
    calm_ns: int | None = None
    begins: dict[str, Begins] = field(default_factory=dict)
    lasting: dict[str, dict[str, Lasting]] = field(default_factory=dict)

    def apply(self, unit: str, turns: Sequence[Turned]) -> list[Finding]:
        """What turns of one condition at one moment make of it, and of those it explains or is explained by."""
        first = turns[0]
        condition = first.condition
        related = _related(condition)
        before = {each: self.stands(each) for each in related}
        rank = _rank(self.reasons.get(condition, {}))
        for turn in turns:
            self._take(turn)
        now = _rank(self.reasons.get(condition, {}))
        if now > rank and not explaining(condition, self._every()):
            begins = self.begins.get(condition, returning.NEVER_BEGAN)
            self.begins[condition] = returning.begun(begins, first.noticed_ns, from_rank=rank, to_rank=now)
        if condition not in self._every():
            self._end_explained(condition)
        says = any(turn.active and turn.source == MODEL for turn in turns)
        found = (
            _finding(
                unit,
                each,
                before[each],
                self.stands(each),
                (first.at_ns, first.noticed_ns),
                says=says and each == condition,
            )
            for each in related
        )
        return [finding for finding in found if finding is not None]

    def let_go(self, unit: str, before_ns: int) -> list[Finding]:
        """What ends because it has been quiet for long enough, noticed before a moment; in order."""
        found: list[Finding] = []
        while self.lasting:
            noticed_ns, condition, source = min(
                (silence.postponed(self.deaf, last.noticed_ns + returning.QUIET_NS), condition, source)
                for condition, sources in self.lasting.items()
                for source, last in sources.items()
            )
            if noticed_ns >= before_ns:
                break
            related = _related(condition)
            before = {each: self.stands(each) for each in related}
            moment = (self.lasting[condition][source].ended_ns + returning.QUIET_NS, noticed_ns)
            self._drop(condition, source)
            if condition not in self._every():
                self._end_explained(condition)
            each_found = (_finding(unit, each, before[each], self.stands(each), moment, says=False) for each in related)
            found += [finding for finding in each_found if finding is not None]
        return found

    @property
    def quiet_over_ns(self) -> int | None:
        """When the next of what stands on may end at the earliest, ns; None: nothing stands on."""
        moments = [last.noticed_ns for sources in self.lasting.values() for last in sources.values()]
        return min(moments) + returning.QUIET_NS if moments else None

    def _take(self, turn: Turned) -> None:
        """One turn: the reasons, what stands on of them, and what is suspect."""
        reasons = self.reasons.get(turn.condition, {})
        known, last = reasons.get(turn.source), self.lasting.get(turn.condition, {}).get(turn.source)
        if turn.signal >= 0 and not turn.active:
            self._trust_again(turn)
        if turn.active and turn.signal >= 0:
            self.suspect.append((turn.signal, turn.at_ns - turn.suspect_ns - HOUR_NS, None, turn.soft))
        if (
            known is not None
            and (not turn.active or turn.urgency.rank < known.urgency.rank)
            and self._returns(turn, known.urgency)
        ):
            # a fall after a fall stands on at the height of the first
            higher = last is not None and last.reason.urgency.rank > known.urgency.rank and turn.active
            stood = last.reason if last is not None and higher else known
            self.lasting.setdefault(turn.condition, {})[turn.source] = Lasting(stood, turn.at_ns, turn.noticed_ns)
        if turn.active:
            since = known.since_ns if known is not None else turn.at_ns if last is None else last.reason.since_ns
            reason = Reason(turn.urgency, since, turn.evidence, turn.causes, turn.not_ready_at)
            self.reasons.setdefault(turn.condition, {})[turn.source] = reason
            if last is not None and turn.urgency.rank >= last.reason.urgency.rank:
                self._drop(turn.condition, turn.source)
        elif known is not None:
            del reasons[turn.source]
            if not reasons:
                del self.reasons[turn.condition]

    def _returns(self, turn: Turned, urgency: Urgency) -> bool:
        """Whether what ends stands on: it came and went too often, or the cause that speaks for it did."""
        cause = explaining(turn.condition, self._every())
        begins = self.begins.get(cause or turn.condition, returning.NEVER_BEGAN)
        some = tuple(Urgency) if cause else (urgency,)
        return any(returning.returns(begins, each, turn.noticed_ns) for each in some)

    def _drop(self, condition: str, source: str) -> None:
        sources = self.lasting[condition]
        del sources[source]
        if not sources:
            del self.lasting[condition]

    def _end_explained(self, cause: str) -> None:
        """With its cause ends what only stands on: nobody is asked anew for what is over."""
        for effect, causes in EXPLAINED_BY.items():
            if cause in causes and effect in self.lasting and not explaining(effect, self._every()):
                del self.lasting[effect]

    def _every(self) -> set[str]:
        """Conditions that stand or stand on."""
        return {*self.reasons, *self.lasting}

    def _strongest(self, condition: str) -> Reason | None:
        return strongest(self.reasons.get(condition, {}), self.lasting.get(condition))

    def stands(self, condition: str) -> Stands | None:
        """How a condition stands just now, with what those that it explains lend it; None where it does not."""
        reason = self._strongest(condition)
        if reason is None:
            return None
        said = reason.said
        every = self._every()
        for other in explained(condition, every):
            said = _lent(said, self._strongest(other))
        return Stands(said, reason.evidence, bool(explaining(condition, every)))

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
        for condition in sorted(self._every()):
            now = self.stands(condition)
            assert now is not None, "a condition stands for a reason"
            reasons = [
                *self.reasons.get(condition, {}).values(),
                *(last.reason for last in self.lasting.get(condition, {}).values()),
            ]
            since = min(each.since_ns for each in reasons)
            found.append(Finding(unit, condition, Kind.RAISED, since, since, now.said, now.evidence, now.suppressed))
        return found

    def note(self, noted: Noted) -> None:
        """Keep a note, once."""
        same = (note.kind == noted.kind and abs(note.at_ns - noted.at_ns) < SAME_NOTE_NS for note in self.notes)
        if not any(same):
            self.notes = [*self.notes, noted][-NOTES_MAX:]

    def _trust_again(self, turn: Turned) -> None:
        for place, (own, from_ns, to_ns, soft) in enumerate(self.suspect):
            if (own, soft) == (turn.signal, turn.soft) and to_ns is None:
                self.suspect[place] = (own, from_ns, turn.at_ns + HOUR_NS, soft)
                return


def _rank(reasons: Mapping[str, Reason]) -> int:
    """How urgent reasons are, -1 where there is none."""
    reason = strongest(reasons)
    return -1 if reason is None else reason.urgency.rank


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
    unit: str, condition: str, before: Stands | None, after: Stands | None, moment: tuple[int, int], *, says: bool
) -> Finding | None:
    """What became of a condition, None where nothing is to be said. moment: at_ns, noticed_ns. says: a model says
    something new of it.
    """
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
    return Finding(unit, condition, kind, *moment, now.said, now.evidence, now.suppressed)


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
