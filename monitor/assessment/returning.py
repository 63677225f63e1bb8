"""Alarms that come and go: when a condition that has begun too often stands on after its end, and for how long.

In: moments at which a condition began, the reasons for which it stands or stood. Out: the reason that speaks, moments.
Pure. May import: monitor.alarms, monitor.times.

ISA-18.2 calls them chattering or fleeting alarms and names a longer off-delay as their remedy. A condition that has
begun BEGINS_MANY times within WITHIN_NS does not end where it would, but once it has been quiet for QUIET_NS: one
alarm, one note and one call-out stand instead of dozens. As with every off-delay it has cleared when the delay was
over, not when it began. A rise in urgency passes at once; a fall waits like an end.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from monitor.alarms.lifecycle import Cause, Evidence, NotReady, Said, Urgency
from monitor.times import DAY_NS

BEGINS_MANY = 3  # ISA-18.2 speaks of three in a minute for a desk that is manned; standby units are slower (our choice)
WITHIN_NS = 7 * DAY_NS  # a week has every habit of a site in it (our choice)
QUIET_NS = DAY_NS  # a day with its sun, its night and its every cycle (our choice)


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
class Lasting:
    """A reason that has ended, or has become less urgent, and stands on until it was quiet for long enough.

    ended_ns: on the readings' clock. noticed_ns: on that of arrival.
    """

    reason: Reason
    ended_ns: int
    noticed_ns: int


Begins = tuple[tuple[int, ...], ...]
"""When a condition began, by arrival, ns: the newest moments at which it reached each urgency, by rank."""
NEVER_BEGAN: Begins = ((),) * len(Urgency)


def begun(before: Begins, noticed_ns: int, *, from_rank: int, to_rank: int) -> Begins:
    """The moments with one more: a condition became as urgent as to_rank; from_rank: as it stood, -1: it did not."""
    return tuple(
        (*moments, noticed_ns)[-BEGINS_MANY:] if from_rank < rank <= to_rank else moments
        for rank, moments in enumerate(before)
    )


def returns(begins: Begins, urgency: Urgency, noticed_ns: int) -> bool:
    """Whether a condition has become so urgent so often lately that this does not end at once."""
    moments = begins[urgency.rank]
    return len(moments) == BEGINS_MANY and moments[0] > noticed_ns - WITHIN_NS


def strongest(reasons: Mapping[str, Reason], lasting: Mapping[str, Lasting] | None = None) -> Reason | None:
    """The most urgent reason; of equals the one that has stood longest. None: there is none.

    Args:
        reasons: that stand, by source. lasting: that stand on; beside the same source it lends its urgency alone.
    """
    every = dict(reasons)
    for source, last in (lasting or {}).items():
        own = every.get(source)
        every[source] = last.reason if own is None else replace(own, urgency=max_of(own.urgency, last.reason.urgency))
    if not every:
        return None
    return max(sorted(every.items()), key=lambda item: (item[1].urgency.rank, -item[1].since_ns))[1]


def max_of(one: Urgency, other: Urgency) -> Urgency:
    """The more urgent of two."""
    return one if one.rank >= other.rank else other
