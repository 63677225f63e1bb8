"""Delays and deadband: from verdicts on readings to a condition that stands or does not.

In: the verdicts on one track's readings for one limit, in order, and where the limit stood before. Out: the moments at
which it began or ceased to stand. Pure. May import: numpy, models.limits (the verdicts).

A reading holds until the next one of its track, at most for the track's hold: then nothing is known, nothing is raised
and nothing is cleared. The on-delay counts the time beyond the limit on the readings' own clock; it is over as soon as
a reading says so, or the present does. Whatever the grouping in which readings are handed in, the result is the same.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.limits import ABSENT, BETWEEN, PRESENT, UNKNOWN, Verdict

Int64 = NDArray[np.int64]
NEVER_NS = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one limit of one unit stands.

    beyond: the deadband's memory: on the limit's far side, not yet back. active: it stands (on-delay over).
    since_ns: begin of the delay that runs (on-delay while not active, off-delay while active); None: none runs.
    held: verdict of the newest reading.
    """

    beyond: bool = False
    active: bool = False
    since_ns: int | None = None
    held: int = ABSENT

    @property
    def quiet(self) -> bool:
        """Nothing stands and nothing runs."""
        return not self.active and self.since_ns is None and not self.beyond


QUIET = Standing()


@dataclass(frozen=True, slots=True)
class Turn:
    """The limit began (active) or ceased to stand. at_ns: on the readings' clock; noticed_ns: on that of arrival.

    index: the reading that last spoke before it, into the handed columns; -1: one handed in earlier.
    """

    active: bool
    at_ns: int
    noticed_ns: int
    index: int


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How long a reading holds, and how long after an arrival the present may speak for it; ns.

    wait_ns > 0 where a gateway sends in batches: until the next batch is due, silence says nothing.
    """

    hold_ns: int
    wait_ns: int = 0


def walk(
    before: Standing,
    verdict: Verdict,
    time_ns: Int64,
    received_ns: Int64,
    *,
    previous: tuple[int, int] | None,
    rhythm: Rhythm,
    on_delay_ns: int,
    off_delay_ns: int,
    until_ns: int,
    postponed: Callable[[int], int],
) -> tuple[Standing, list[Turn]]:
    """One limit over new readings of its track.

    Args:
        before: where it stood. verdict: models.limits verdicts, int8 [n].
        time_ns, received_ns: the readings', both rising, int64 [n].
        previous: time and arrival of the reading before these; None: there was none.
        until_ns: everything received up to here is known; delays that are over by then are over.
        postponed: moves a moment of the present out of a time in which the program did not listen.
    Returns: where it stands then, and its turns in order.
    """
    standing = before
    turns: list[Turn] = []
    last_time, last_received, last_index = (*previous, -1) if previous is not None else (None, None, -1)
    for begin, end, code in _segments(verdict, time_ns, previous, rhythm.hold_ns):
        first_ns = int(time_ns[begin])
        if last_time is not None and last_received is not None:
            gap = first_ns - last_time > rhythm.hold_ns
            standing = _between_readings(
                standing, turns, last_time, last_received, last_index, first_ns, int(received_ns[begin]),
                rhythm, on_delay_ns, off_delay_ns, postponed,
            )  # fmt: skip
            if gap:
                standing = replace(standing, since_ns=None)
        standing = _enter(standing, code, first_ns)
        standing = _within(
            standing, turns, time_ns, received_ns, begin, end, rhythm, on_delay_ns, off_delay_ns, postponed
        )
        standing = replace(standing, held=code)
        last_time, last_received, last_index = int(time_ns[end]), int(received_ns[end]), end
    if last_time is not None and last_received is not None and standing.since_ns is not None:
        expiry = _expiry(standing, on_delay_ns, off_delay_ns)
        moment = postponed(_present_ns(expiry, last_time, last_received, rhythm))
        if expiry <= last_time + rhythm.hold_ns and moment <= until_ns:
            standing = _turn(standing, turns, expiry, moment, last_index)
    return standing, turns


def _segments(
    verdict: Verdict, time_ns: Int64, previous: tuple[int, int] | None, hold_ns: int
) -> list[tuple[int, int, int]]:
    """Runs of equal verdicts without a gap longer than the hold: first and last index, verdict."""
    if not len(verdict):
        return []
    cut = np.flatnonzero((verdict[1:] != verdict[:-1]) | (np.diff(time_ns) > hold_ns)) + 1
    edges = [0, *cut.tolist(), len(verdict)]
    return [(edges[i], edges[i + 1] - 1, int(verdict[edges[i]])) for i in range(len(edges) - 1)]


def _expiry(standing: Standing, on_delay_ns: int, off_delay_ns: int) -> int:
    assert standing.since_ns is not None, "only a delay that runs ends"
    return standing.since_ns + (off_delay_ns if standing.active else on_delay_ns)


def _present_ns(expiry_ns: int, last_time: int, last_received: int, rhythm: Rhythm) -> int:
    """When the present may say that a delay is over, nothing having come since the last reading.

    As long after its arrival as the delay still had to run at its own time: a unit whose clock lags, or that hands in
    an hour at once, would else have its delay over on arrival, and one reading would raise what takes minutes to raise.
    """
    return last_received + max(expiry_ns - last_time, rhythm.wait_ns)


def _turn(standing: Standing, turns: list[Turn], at_ns: int, noticed_ns: int, index: int) -> Standing:
    active = not standing.active
    turns.append(Turn(active, at_ns, noticed_ns, index))
    return replace(standing, active=active, since_ns=None)


def _enter(standing: Standing, code: int, at_ns: int) -> Standing:
    """The first reading of a verdict: what it does to the deadband's memory and to the delay that runs."""
    if code == UNKNOWN:  # masked or without a bound: raises nothing, clears nothing
        return replace(standing, since_ns=None, beyond=standing.active)
    beyond = standing.beyond if code == BETWEEN else code == PRESENT
    if beyond == standing.active:  # it is as it stands: no delay runs
        return replace(standing, beyond=beyond, since_ns=None)
    running = standing.since_ns is not None and standing.beyond == beyond
    return replace(standing, beyond=beyond, since_ns=standing.since_ns if running else at_ns)


def _within(
    standing: Standing,
    turns: list[Turn],
    time_ns: Int64,
    received_ns: Int64,
    begin: int,
    end: int,
    rhythm: Rhythm,
    on_delay_ns: int,
    off_delay_ns: int,
    postponed: Callable[[int], int],
) -> Standing:
    """Ends the delay that runs, if it is over by the last reading of the segment."""
    if standing.since_ns is None:
        return standing
    expiry = _expiry(standing, on_delay_ns, off_delay_ns)
    at = int(np.searchsorted(time_ns[begin : end + 1], expiry)) + begin  # the first reading that says it is over
    spoken = slice(begin, min(at, end))  # before the next of them arrived, the present may have said so
    moments = received_ns[spoken] + np.maximum(expiry - time_ns[spoken], rhythm.wait_ns)
    early = (moments < received_ns[begin + 1 : spoken.stop + 1]) & (expiry <= time_ns[spoken] + rhythm.hold_ns)
    for index in (np.flatnonzero(early) + begin).tolist():
        moment = postponed(_present_ns(expiry, int(time_ns[index]), int(received_ns[index]), rhythm))
        if moment < received_ns[index + 1]:
            return _turn(standing, turns, expiry, moment, index)
    if at > end:
        return standing
    return _turn(standing, turns, expiry, int(received_ns[at]), max(at - 1, begin))


def _between_readings(
    standing: Standing,
    turns: list[Turn],
    last_time: int,
    last_received: int,
    last_index: int,
    next_time: int,
    next_received: int,
    rhythm: Rhythm,
    on_delay_ns: int,
    off_delay_ns: int,
    postponed: Callable[[int], int],
) -> Standing:
    """Ends the delay that runs, if it is over while the last reading holds, before the next one says otherwise."""
    if standing.since_ns is None:
        return standing
    expiry = _expiry(standing, on_delay_ns, off_delay_ns)
    if expiry > last_time + rhythm.hold_ns:
        return standing
    moment = postponed(_present_ns(expiry, last_time, last_received, rhythm))
    if moment < next_received:
        return _turn(standing, turns, expiry, moment, last_index)
    if expiry <= next_time:
        return _turn(standing, turns, expiry, next_received, last_index)
    return standing
