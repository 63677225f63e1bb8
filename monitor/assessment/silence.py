"""Silence: a unit, a signal or a gateway from which nothing comes, judged by the times of arrival.

In: arrivals of one unit, link states, times in which the program itself did not listen. Out: turns. Pure.
May import: monitor.times.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.times import MINUTE_NS, SECOND_NS

SETTLE_NS = 5 * SECOND_NS  # after a restart, until the broker is reached; what it hands over holds the present back
SIGNAL_LATER_NS = MINUTE_NS  # one signal's silence is told a little later than the whole unit's, which explains it


@dataclass(frozen=True, slots=True)
class Deaf:
    """A time in which the program did not listen: its present speaks for nobody's silence. from_ns, to_ns."""

    from_ns: int
    to_ns: int


def postponed(deaf: Sequence[Deaf], moment_ns: int) -> int:
    """A moment of the present, moved out of the times in which the program did not listen."""
    for span in deaf:
        if span.from_ns < moment_ns < span.to_ns + SETTLE_NS:
            moment_ns = span.to_ns + SETTLE_NS
    return moment_ns


def deadline_ns(heard_ns: int, silence_ns: int, deaf: Sequence[Deaf]) -> int:
    """When silence since heard_ns has lasted too long; time in which the program did not listen is not counted.

    On the next full minute: units of one gateway fall silent within seconds of each other, and one call-out names all.
    """
    deadline = heard_ns + silence_ns
    for span in deaf:
        if span.to_ns > heard_ns and span.from_ns < deadline:
            begin = max(span.from_ns, heard_ns)
            deadline = max(deadline + span.to_ns - begin, span.to_ns + SETTLE_NS)
    return -(-deadline // MINUTE_NS) * MINUTE_NS


def silences(
    heard_ns: int,
    arrivals_ns: Sequence[int],
    silence_ns: int,
    deaf: Sequence[Deaf],
    until_ns: int,
    silent: bool,
    *,
    earliest_ns: int,
    anew_ns: int | None = None,
) -> list[tuple[bool, int]]:
    """When silence began to count and when it ended.

    Args:
        heard_ns: newest arrival before these. arrivals_ns: new ones, rising. silent: whether it counts already.
        until_ns: everything received up to here is known.
        earliest_ns: silence_ns is known since then; nothing is noticed earlier.
        anew_ns: the count begins anew there though nothing arrived: the unit spoke its first word.
    Returns: (begins, moment) in order.
    """
    turns: list[tuple[bool, int]] = []
    beginnings = [(arrival, True) for arrival in arrivals_ns]
    if anew_ns is not None and (not arrivals_ns or anew_ns < arrivals_ns[0]):
        beginnings.insert(0, (anew_ns, False))
    for moment, arrives in beginnings:
        if not silent and moment - heard_ns > silence_ns:
            deadline = max(deadline_ns(heard_ns, silence_ns, deaf), earliest_ns)
            if deadline < moment:
                turns.append((True, deadline))
                silent = True
        if silent and arrives:
            turns.append((False, moment))
            silent = False
        heard_ns = moment
    if not silent:
        deadline = max(deadline_ns(heard_ns, silence_ns, deaf), earliest_ns)
        if deadline <= until_ns:
            turns.append((True, deadline))
    return turns
