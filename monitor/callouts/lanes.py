"""What to do with one call-out that is due, seen beside the others of its lane; and when to try again.

A lane is what one receiver hears of one alarm over one channel; a call-out that speaks for several alarms stands in the
lane of each. Order is kept in every lane: nobody hears of a return before the alarm, or where its call never went out.
Nobody is woken for what was overtaken meanwhile.
In: call-outs as the outbox has them, how a try ended. Out: a decision, a call-out with its try written in. Pure.
May import: monitor.alarms, monitor.callouts.channels, monitor.stores.protocols, monitor.settings, monitor.times.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Urgency
from monitor.callouts.channels import Ending, Tried
from monitor.settings import CallOuts
from monitor.stores.protocols import CallOut
from monitor.times import SECOND_NS

WAITING, DELIVERED, FAILED, GIVEN_UP = "waiting", "delivered", "failed", "given_up"
OPEN = frozenset({WAITING, FAILED})

PAUSE_NS_MIN = SECOND_NS  # between two tries whatever the settings say: a receiver in trouble is not hammered
TRIES_MAX = 10_000  # of one call-out whatever the settings say: a schedule without an end is a mistake

OVERTAKEN = "not sent: overtaken by later news of this alarm"
NOBODY_TOLD = "not sent: this receiver never heard of the alarm"
NO_CHANNEL = "not sent: this channel is no longer in the settings"


class Verdict(Enum):
    """What to do with a call-out that is due."""

    SEND = "send"
    WAIT = "wait"
    DROP = "drop"


@dataclass(frozen=True, slots=True)
class Decision:
    """until_ns: for WAIT, when to look again. reason: for DROP, what is kept as the error."""

    verdict: Verdict
    until_ns: int | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Schedule:
    """When a failed call-out is tried again: a pause that doubles up to a greatest one, until all pauses are used up.

    Tries are counted, not the time since the first: while the program itself stood still nothing was tried, so nothing
    is given up for it.
    """

    first_ns: int
    greatest_ns: int
    give_up_after_ns: int

    @classmethod
    def of(cls, settings: CallOuts) -> "Schedule":
        """As the settings have it."""
        first_ns = max(int(settings.retry_first * SECOND_NS), PAUSE_NS_MIN)
        greatest_ns = max(int(settings.retry_greatest * SECOND_NS), first_ns)
        return cls(first_ns, greatest_ns, int(settings.give_up_after * SECOND_NS))

    def pause_ns(self, tries: int) -> int:
        """Pause after so many tries, at least one: the same always, so that a log can be read."""
        assert tries >= 1, "nothing was tried yet"
        doublings = min(tries - 1, 63)  # beyond, every pause is the greatest anyway
        return min(self.first_ns << doublings, self.greatest_ns)

    @property
    def tries_max(self) -> int:
        """How many tries fit: the last one is the first that its pauses put at or past give_up_after."""
        tries, waited_ns = 1, 0
        while waited_ns < self.give_up_after_ns and tries < TRIES_MAX:
            waited_ns += self.pause_ns(tries)
            tries += 1
        return tries


def after_try(call_out: CallOut, tried: Tried, at_ns: int, schedule: Schedule) -> CallOut:
    """The call-out with a try written in: delivered, to be tried again at a known moment, or given up."""
    tries = call_out.tries + 1
    tried_once = replace(call_out, tries=tries, last_try_ns=at_ns, last_error=tried.error)
    if tried.ending is Ending.DELIVERED:
        return replace(tried_once, outcome=DELIVERED, delivered_ns=at_ns)
    if tried.ending is Ending.NEVER or tries >= schedule.tries_max:
        return replace(tried_once, outcome=GIVEN_UP)
    return replace(tried_once, outcome=FAILED, not_before_ns=at_ns + schedule.pause_ns(tries))


def dropped(call_out: CallOut, reason: str) -> CallOut:
    """The call-out given up without a try; why is kept where a try's error would be."""
    return replace(call_out, outcome=GIVEN_UP, last_error=reason)


def put_off(call_out: CallOut, until_ns: int) -> CallOut:
    """The call-out looked at again at a later moment; nothing was tried."""
    return replace(call_out, not_before_ns=until_ns)


def decide(call_out: CallOut, beside: Sequence[CallOut]) -> Decision:
    """What to do with a call-out that is due.

    - What later news overtook is dropped: a later call says all that an earlier one did, a return ends them. One that
      speaks for several alarms is overtaken once each of them has later news; until then it is the only word on some.
    - A call is sent at once, whatever else is still being tried.
    - An acknowledgement, a fall and a return wait while a call before them will still be sent.
    - They are dropped where the calls before them never went out, for any of their alarms: none was tried yet, or all
      were given up. A try that failed may have arrived all the same, so a return is said then.

    Args:
        beside: every call-out of the same channel and recipient that speaks for any of its alarms, in any order, this
            one among them or not.
    """
    others = [other for other in beside if other.key != call_out.key]
    if _is_overtaken(call_out, others):
        return Decision(Verdict.DROP, reason=OVERTAKEN)
    if _calls(call_out):
        return Decision(Verdict.SEND)
    calls = [other for other in others if _order(other) < _order(call_out) and _calls(other)]
    to_come = [
        one.not_before_ns for one in calls if one.outcome in OPEN and not _is_overtaken(one, [*others, call_out])
    ]
    if to_come:
        return Decision(Verdict.WAIT, until_ns=max(to_come))
    called = _spoken_for(calls)
    reached = _spoken_for(one for one in calls if _may_have_arrived(one))
    if all(alarm_id in called and alarm_id not in reached for alarm_id in call_out.alarm_ids):
        return Decision(Verdict.DROP, reason=NOBODY_TOLD)
    return Decision(Verdict.SEND)


def _is_overtaken(call_out: CallOut, others: Iterable[CallOut]) -> bool:
    """Whether there is later news of each alarm that it speaks for; an acknowledgement is none."""
    later = (other for other in others if other.event != EventType.ACKNOWLEDGED and _order(other) > _order(call_out))
    return _spoken_for(later).issuperset(call_out.alarm_ids)


def _spoken_for(call_outs: Iterable[CallOut]) -> set[str]:
    """The alarms that some call-outs speak for."""
    return {alarm_id for call_out in call_outs for alarm_id in call_out.alarm_ids}


# Only equal moments need it: what comes first in the life of an alarm is said first.
_RANK = {event.value: rank for rank, event in enumerate(EventType)}


def _order(call_out: CallOut) -> tuple[int, int, str]:
    """Which of two comes first."""
    return call_out.created_ns, _RANK.get(call_out.event, len(_RANK)), call_out.key


def _calls(call_out: CallOut) -> bool:
    """Whether somebody is called by it: a raised alarm or a changed urgency, but no fall to the visit."""
    if call_out.event == EventType.RAISED:
        return True
    if call_out.event != EventType.URGENCY_CHANGED:
        return False
    return Urgency(json.loads(call_out.body)["data"]["urgency"]).calls


def _may_have_arrived(call_out: CallOut) -> bool:
    """Whether its receiver may know of it: delivered, or tried and still worth a try when it was last looked at."""
    dropped_between_tries = call_out.last_error == OVERTAKEN and call_out.tries > 0
    return call_out.outcome in (DELIVERED, FAILED) or dropped_between_tries
