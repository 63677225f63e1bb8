"""Who is to be told of what: from changed alarms to call-outs.

In: the changes of one transaction and how far each alarm was told already. Out: call-outs for the outbox. It looks at
where each alarm stood before the batch and where it stands after it, never at the steps between: catching up on a
history calls nobody for what is already over. Pure, so the same changes give the same call-outs with the same keys.
May import: monitor.advice, monitor.alarms, monitor.callouts.push and .message, monitor.fleet, monitor.measures,
monitor.settings, monitor.stores.protocols, monitor.times.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

from monitor.advice import Advice
from monitor.alarms.changes import Change, EventType
from monitor.alarms.explaining import without_supply
from monitor.alarms.lifecycle import Alarm, State, Urgency
from monitor.callouts.message import cloud_event
from monitor.callouts.push import CAUSES_MAX, NAME_MAX, CauseSaid, Named, Push, line
from monitor.fleet import Fleet, Visit
from monitor.measures import System
from monitor.settings import CallOuts
from monitor.stores.protocols import CallOut, Plan
from monitor.times import HOUR_NS, from_datetime, to_datetime

EMAIL = "email"
WEBHOOK = "webhook"

# Shelved, suppressed or out of service: somebody or something decided that this alarm does not speak.
SILENT = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
QUIET_MARGIN_NS = 12 * HOUR_NS  # the contract's: quiet hours hold what keeps 12 h longer than they last
# Gateways that may fall silent in one batch, each a call of its own. Beyond, the broker or the network is gone and one
# call says so. Our choice: two or three can share a mast or a fuse, and more messages than that hide each other.
GATEWAYS_APART_MAX = 3

NextVisit = Callable[[str, int], Visit | None]
"""The visit of a site that is next after a moment, ns; None where none is known."""


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From when to when, on the site's clock, nobody is called for what can wait; over midnight where end <= start."""

    start: time
    end: time


@dataclass(frozen=True, slots=True)
class Occasion:
    """Something that people are to be told, once: alarms of one event, mostly one; it is about the first of several."""

    event: EventType
    alarms: tuple[Alarm, ...]
    at_ns: int
    noticed_ns: int


@dataclass(frozen=True, slots=True)
class _Passage:
    """One alarm through the batch: where it stood before (None: it is new), where it stands now, what was last."""

    before: Alarm | None
    last: Change
    answered: bool

    @property
    def last_spoke_for_another(self) -> bool:
        """Whether it was suppressed until it ended: whoever was called hears of the end of what explained it."""
        return self.last.before is not None and self.last.before.state is State.SUPPRESSED


def planner(
    fleet: Fleet,
    call_outs: CallOuts,
    public_url: str,
    next_visit: NextVisit,
    advice: Advice,
    *,
    measures: System = "si",
    quiet_hours: QuietHours | None = None,
) -> Plan:
    """The plan by which this fleet's people are told.

    Args:
        call_outs: who is told, over which channels. public_url: what links begin with.
        next_visit: looked up for what the message says. measures: what people see.
        quiet_hours: None: there are none.
    """
    receivers = receivers_of(call_outs)

    def plan(changes: Sequence[Change], told: Mapping[str, str]) -> list[CallOut]:
        planned: list[CallOut] = []
        for occasion in occasions(changes, told, fleet):
            push = _push(occasion, fleet, next_visit, advice, public_url, measures)
            body = cloud_event(push, public_url)
            not_before_ns = earliest_ns(occasion, push.timezone, quiet_hours)
            planned += [
                CallOut(
                    key=str(uuid5(NAMESPACE_URL, f"{push.id}:{channel}:{recipient}")),
                    alarm_ids=tuple(alarm.id for alarm in occasion.alarms),
                    event=occasion.event.value,
                    channel=channel,
                    recipient=recipient,
                    body=body,
                    created_ns=occasion.noticed_ns,
                    not_before_ns=not_before_ns,
                )
                for channel, recipient in receivers
            ]
        return planned

    return plan


def receivers_of(call_outs: CallOuts) -> tuple[tuple[str, str], ...]:
    """Channel and recipient of everybody who is told, each once: two entries for one address make one message."""
    emails = [(EMAIL, recipient.email) for recipient in call_outs.emails] if call_outs.smtp is not None else []
    webhooks = [(WEBHOOK, webhook.url) for webhook in call_outs.webhooks]
    return tuple(dict.fromkeys([*emails, *webhooks]))


def occasions(changes: Sequence[Change], told: Mapping[str, str], fleet: Fleet) -> list[Occasion]:
    """What is to be said of a batch of changes, in the order noticed.

    `readings_missing` of several units of one gateway is one occasion: one box lost its line, and one call says so.
    Of more than GATEWAYS_APART_MAX gateways, anywhere in the fleet, it is one occasion too. Heater and charger of one
    unit that lost their AC supply are one occasion, about the more urgent of the two.
    """
    order = {unit: position for position, unit in enumerate(fleet.units)}
    found: list[Occasion] = []
    for event, members in _grouped(changes, told, fleet):
        last = sorted(
            (passage.last for passage in members),
            key=lambda change: (
                order.get(change.after.unit, len(order)),
                -change.after.urgency.rank,
                change.after.id,
            ),
        )
        found.append(
            Occasion(
                event=event,
                alarms=tuple(change.after for change in last),
                at_ns=max(change.at_ns for change in last),
                noticed_ns=max(change.noticed_ns for change in last),
            )
        )
    return sorted(found, key=lambda occasion: (occasion.noticed_ns, occasion.alarms[0].id))


def _grouped(
    changes: Sequence[Change], told: Mapping[str, str], fleet: Fleet
) -> list[tuple[EventType, list[_Passage]]]:
    """What is said together: one alarm, or the silent units of a gateway, or those of many gateways."""
    alone: list[tuple[EventType, list[_Passage]]] = []
    silent: dict[tuple[EventType, str], dict[str, list[_Passage]]] = {}  # by what is said of them, then by gateway
    unsupplied: dict[tuple[EventType, str], list[_Passage]] = {}  # by what is said of them, then by unit
    for alarm_id, passage in _passages(changes).items():
        alarm = passage.last.after
        event = event_of(passage.before, alarm, answered=passage.answered, told=told.get(alarm_id, ""))
        if event is None or (event is EventType.RETURNED and passage.last_spoke_for_another):
            continue
        if without_supply(alarm) and event is not EventType.ACKNOWLEDGED:
            unsupplied.setdefault((event, alarm.unit), []).append(passage)
            continue
        if alarm.condition != "readings_missing" or event is EventType.ACKNOWLEDGED:
            alone.append((event, [passage]))
            continue
        urgency = "" if event is EventType.RETURNED else alarm.urgency.value  # what is over is no longer urgent
        behind = silent.setdefault((event, urgency), {})
        behind.setdefault(_gateway(alarm.unit, fleet), []).append(passage)
    together: list[tuple[EventType, list[_Passage]]] = []
    for (event, _), behind in silent.items():
        if len(behind) > GATEWAYS_APART_MAX:
            together.append((event, [passage for members in behind.values() for passage in members]))
        else:
            together += [(event, members) for members in behind.values()]
    return [*alone, *together, *((event, members) for (event, _), members in unsupplied.items())]


def event_of(before: Alarm | None, after: Alarm, *, answered: bool, told: str) -> EventType | None:
    """What whoever is called hears of one alarm after a batch; None: nothing.

    Args:
        before: the alarm before the batch, None where it began in it. answered: somebody acknowledged it in the batch.
        told: greatest urgency that anybody was told of so far, of it or of what it explains, "" where nobody was.
    """
    if after.state in SILENT:
        return None
    answer = EventType.ACKNOWLEDGED if answered and told else None
    if not after.present:
        over = before is None or before.present
        return (EventType.RETURNED if told else None) if over else answer
    was_silent = before is not None and before.state in SILENT
    if not after.urgency.calls:
        fallen = before is None or before.urgency.calls or was_silent  # new and told: it explains what was told
        return EventType.URGENCY_CHANGED if told and fallen else answer
    if not told:
        # Acknowledged and never told: somebody found it on the page while there was nobody to tell.
        return None if after.state is State.ACKNOWLEDGED else EventType.RAISED
    if after.urgency.rank > Urgency(told).rank:
        return EventType.URGENCY_CHANGED
    if was_silent:
        return EventType.RAISED  # what comes off its shelf and still stands asks anew
    risen = before is not None and after.urgency.rank > before.urgency.rank
    return EventType.URGENCY_CHANGED if risen else answer


def earliest_ns(occasion: Occasion, timezone: str, quiet_hours: QuietHours | None) -> int:
    """When an occasion may be sent: at once, or at the end of quiet hours where the unit stays ready long enough.

    The contract: `before_visit` waits where its 10 % quantile lies more than 12 h after them. Without a forecast, or
    for anything else, nothing waits.
    """
    alarm = occasion.alarms[0]
    not_ready_at = alarm.said.not_ready_at
    if quiet_hours is None or alarm.urgency is not Urgency.BEFORE_VISIT or not_ready_at is None or not alarm.present:
        return occasion.noticed_ns
    end_ns = quiet_end_ns(occasion.noticed_ns, timezone, quiet_hours)
    if end_ns is None or (not_ready_at.p10 is not None and not_ready_at.p10 <= end_ns + QUIET_MARGIN_NS):
        return occasion.noticed_ns
    return end_ns


def quiet_end_ns(at_ns: int, timezone: str, quiet_hours: QuietHours) -> int | None:
    """End of the quiet hours that a moment lies in; None where it lies in none."""
    zone = ZoneInfo(timezone)
    there = to_datetime(at_ns).astimezone(zone)
    over_midnight = quiet_hours.end <= quiet_hours.start
    for begins in (there.date() - timedelta(days=1), there.date()):
        ends = begins + timedelta(days=1) if over_midnight else begins
        start_ns = from_datetime(datetime.combine(begins, quiet_hours.start, zone))
        end_ns = from_datetime(datetime.combine(ends, quiet_hours.end, zone))
        if start_ns <= at_ns < end_ns:
            return end_ns
    return None


def _passages(changes: Sequence[Change]) -> dict[str, _Passage]:
    """Per alarm id its way through the batch, in the order of first mention."""
    passages: dict[str, _Passage] = {}
    for change in changes:
        earlier = passages.get(change.after.id)
        passages[change.after.id] = _Passage(
            before=change.before if earlier is None else earlier.before,
            last=change,
            answered=change.event is EventType.ACKNOWLEDGED or (earlier is not None and earlier.answered),
        )
    return passages


def _gateway(unit: str, fleet: Fleet) -> str:
    """The gateway of a unit; its own name where the fleet does not say, or has lost the unit since."""
    known = fleet.units.get(unit)
    return (known.gateway if known is not None else "") or unit


def _push(
    occasion: Occasion, fleet: Fleet, next_visit: NextVisit, advice: Advice, public_url: str, measures: System
) -> Push:
    """What is said on an occasion."""
    alarm = occasion.alarms[0]
    unit = fleet.units.get(alarm.unit)
    site = fleet.sites.get(unit.site) if unit is not None else None
    causes = alarm.said.causes[:CAUSES_MAX]
    known = [fleet.units[one.unit] for one in occasion.alarms if one.unit in fleet.units]
    occasion_key = f"{alarm.id}:{occasion.event.value}:{alarm.urgency.value}:{occasion.noticed_ns}"
    return Push(
        id=str(uuid5(NAMESPACE_URL, f"stillready:{occasion_key}")),
        event=occasion.event,
        at_ns=occasion.at_ns,
        alarm=alarm,
        units=tuple(Named(one.unit, _unit_name(one.unit, fleet), one.id) for one in occasion.alarms),
        site=site.id if site is not None else "",
        site_name=line(site.name, NAME_MAX) if site is not None else "",
        timezone=site.timezone if site is not None else "UTC",
        next_visit=next_visit(site.id, occasion.noticed_ns) if site is not None else None,
        advised=advice.advised(alarm.condition, [(cause.cause, cause.probability) for cause in alarm.said.causes]),
        causes=tuple(
            CauseSaid(line(one.cause, NAME_MAX), line(advice.cause_title(one.cause), NAME_MAX), one.probability)
            for one in causes
        ),
        link=f"{public_url.rstrip('/')}/alarms/{alarm.id}",
        measures=measures,
        gateways=len({_gateway(one.unit, fleet) for one in occasion.alarms}),
        sites=max(len({one.site for one in known}), 1),
    )


def _unit_name(unit: str, fleet: Fleet) -> str:
    """A unit's name as the fleet file has it, else its identifier."""
    known = fleet.units.get(unit)
    return line(known.name if known is not None else unit, NAME_MAX) or unit
