"""What is remembered of one unit beyond its tracks, and what its rooms say to each other.

Out: dataclasses; only UnitState changes. May import: models, monitor.alarms, monitor.assessment.delays and silence.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from models.normal import Normal
from models.running import Run
from monitor.alarms.lifecycle import Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.assessment.delays import Standing
from monitor.assessment.silence import Deaf
from monitor.times import HOUR_NS

NOTHING_LEARNED = Normal()


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for which a condition stands: a limit's level, a silent signal, a link that is down."""

    urgency: Urgency
    since_ns: int
    evidence: Evidence

    @property
    def said(self) -> Said:
        """What it lets be said; not ready already: all three quantiles are that moment (contract)."""
        at = self.since_ns
        return Said(self.urgency, (), NotReady(at, at, at) if self.evidence.level == "not_ready" else None)


@dataclass(frozen=True, slots=True)
class Turned:
    """A reason began or ceased. source names it within its condition; signal: index, -1: none is suspect for it."""

    noticed_ns: int
    at_ns: int
    condition: str
    source: str
    active: bool
    urgency: Urgency
    evidence: Evidence
    signal: int = -1

    @property
    def moment(self) -> tuple[int, int, str]:
        """In the order noticed; what of one condition turns at one moment is one change."""
        return self.noticed_ns, self.at_ns, self.condition


@dataclass(slots=True)
class UnitState:
    """What is remembered of one unit beyond its tracks.

    normal: as last learned. standings: by rule, only those that are not quiet. passed: the bound that held at the last
    reading, by rule, for those. reasons: by condition and source. runs: the last days', in order. in_band: high water
    rules, and begin of the run after which they have seen the water back in its band. deaf: times without listening.
    offline_ns: since when its gateway's link is down. clock_ahead_ns: newest message with future stamps.
    suspect: (signal, from, to or None) that nothing is learned from. run_signal: whether the unit reports its runs.
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

    def apply(self, unit: str, turns: Sequence[Turned]) -> list[Finding]:
        """What turns of one condition at one moment make of it: raised, changed, cleared, or nothing new."""
        condition, reasons = turns[0].condition, self.reasons.setdefault(turns[0].condition, {})
        before = strongest(reasons)
        for turn in turns:
            if turn.active:
                reasons[turn.source] = Reason(turn.urgency, turn.at_ns, turn.evidence)
                if turn.signal >= 0:
                    self.suspect.append((turn.signal, turn.at_ns - HOUR_NS, None))
            else:
                reasons.pop(turn.source, None)
                if turn.signal >= 0:
                    self._trust_again(turn.signal, turn.at_ns)
        after = strongest(reasons)
        if not reasons:
            del self.reasons[condition]
        if before is None and after is None:
            return []
        if after is None or before is None:
            kind = Kind.CLEARED if after is None else Kind.RAISED
        elif before.urgency is not after.urgency:
            kind = Kind.CHANGED
        else:
            return []
        reason = after or before
        assert reason is not None, "one of the two is there"
        return [Finding(unit, condition, kind, turns[0].at_ns, turns[0].noticed_ns, reason.said, reason.evidence)]

    def forget(self, before_ns: int) -> None:
        """Let go of what ended before a moment; asked at midnights only, so that no grouping shows."""
        self.suspect = [span for span in self.suspect if span[2] is None or span[2] > before_ns]
        self.runs = [run for run in self.runs if run.ended_ns is None or run.ended_ns > before_ns]
        begun = {run.began_ns for run in self.runs}
        self.in_band = {key for key in self.in_band if key[1] in begun}
        self.deaf = [span for span in self.deaf if span.to_ns > before_ns]

    def standing(self, unit: str) -> list[Finding]:
        """What stands just now, as it would be raised: since when, how urgent, why."""
        found = []
        for condition, reasons in sorted(self.reasons.items()):
            reason = strongest(reasons)
            assert reason is not None, "a condition stands for a reason"
            since = min(each.since_ns for each in reasons.values())
            found.append(Finding(unit, condition, Kind.RAISED, since, since, reason.said, reason.evidence))
        return found

    def _trust_again(self, signal: int, at_ns: int) -> None:
        for place, (own, from_ns, to_ns) in enumerate(self.suspect):
            if own == signal and to_ns is None:
                self.suspect[place] = (own, from_ns, at_ns + HOUR_NS)
                return


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
    None: under way.
    """

    heard_ns: int | None
    silent: tuple[str, ...]
    never_heard: tuple[str, ...]
    normal: Normal
    runs: tuple[tuple[int, int | None], ...]
