"""What a push says to a person: one line for the lock screen, and a text for whoever gets up and drives there.

In: a Push. Out: text, measures SI or US, times on the site's own clock with the zone named. Pure.
May import: monitor.callouts.push, monitor.alarms, monitor.conditions, monitor.measures,
monitor.times.
"""

from collections.abc import Iterable, Mapping
from math import isfinite
from zoneinfo import ZoneInfo

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import NotReady, Urgency
from monitor.callouts.push import NAME_MAX, SENTENCE_MAX, UNITS_NAMED_MAX, Push, line
from monitor.conditions import GROUP_OF
from monitor.measures import plain, shown
from monitor.times import to_datetime

SUMMARY_MAX = 78  # characters: RFC 5322 asks for lines of at most 78, and a lock screen shows less

URGENCY_WORDS: Mapping[Urgency, str] = {
    Urgency.NOW: "NOW",
    Urgency.BEFORE_VISIT: "Before the next visit",
    Urgency.AT_VISIT: "Keeps until the visit",
}
URGENCY_SENTENCES: Mapping[Urgency, str] = {
    Urgency.NOW: "Somebody is needed now: the unit is not ready to start, or something is unsafe.",
    Urgency.BEFORE_VISIT: "Somebody is needed before the next visit: it may not keep until then.",
    Urgency.AT_VISIT: "It will keep until the next visit and stands on the visit sheet. Nobody needs to go out for it.",
}
GATEWAYS_SENTENCES: Mapping[EventType, str] = {
    EventType.RAISED: (
        "{} gateways fell silent at once. Hardly ever are so many boxes broken together: "
        "look at the broker and the network first."
    ),
    EventType.RETURNED: "{} gateways are heard again at once.",
}
# English names written out: strftime's depend on the machine's locale, and a message should not.
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def summary(push: Push) -> str:
    """One line of at most SUMMARY_MAX characters: how urgent, where, what. Long names are cut, the urgency never."""
    urgent = {
        EventType.RETURNED: "Back to normal",
        EventType.ACKNOWLEDGED: "Acknowledged",
    }.get(push.event, URGENCY_WORDS[push.alarm.urgency])
    where = push.units[0].name
    if push.gateways > 1:
        where = f"{len(push.units)} units at {push.gateways} gateways"
    elif len(push.units) > 1:
        where = f"{where} and {len(push.units) - 1} more"
    room = SUMMARY_MAX - len(f"{urgent}: , ")
    what = line(push.advised.title, max(room - len(where), room // 2))
    return f"{urgent}: {line(where, room - len(what))}, {what}"


def text(push: Push) -> str:
    """The whole message as plain text, what matters first."""
    parts = [_head(push), _facts(push)]
    if push.event is not EventType.RETURNED:
        parts += [
            _listed("Check, in this order", push.advised.check, numbered=True),
            _listed("Bring", push.advised.bring),
            _listed("Cautions", push.advised.cautions),
        ]
    else:  # whoever is on the way still goes to a machine that may start
        parts.append(_listed("Cautions", push.advised.cautions[:1]))
    parts.append(
        f"Answer or look closer: {push.link}\n\n"
        "Stillready only watches. It starts, stops and resets nothing, and never proves a unit safe.\n"
        "Local codes, the maker's manual and licensed trades come first."
    )
    return "\n\n".join(part for part in parts if part) + "\n"


def moment(time_ns: int, timezone: str) -> str:
    """A time on the site's clock, zone named: "Wed 25 Nov 2026 03:12 MST (America/Denver)"."""
    there = to_datetime(time_ns).astimezone(ZoneInfo(timezone))
    day = f"{WEEKDAYS[there.weekday()]} {there.day} {MONTHS[there.month - 1]} {there.year} {there:%H:%M}"
    letters = there.tzname() or ""
    return f"{day} {letters} ({timezone})" if letters.isalpha() and letters != timezone else f"{day} ({timezone})"


def _head(push: Push) -> str:
    """Where and what in the first line, what it asks of the reader in the second."""
    site = "" if push.sites > 1 or push.site_name in ("", push.units[0].name) else f" at {push.site_name}"
    head = f"{push.units[0].name}{site}: {push.advised.title}."
    if len(push.units) > 1:
        named = ", ".join(unit.name for unit in push.units[:UNITS_NAMED_MAX])
        more = len(push.units) - UNITS_NAMED_MAX
        units = "Units back" if push.event is EventType.RETURNED else "Units"
        head = f"{len(push.units)} units{site}: {push.advised.title}.\n{units}: {named}"
        head += f" and {more} more" if more > 0 else ""
    if push.gateways > 1 and push.event in GATEWAYS_SENTENCES:
        head += "\n" + GATEWAYS_SENTENCES[push.event].format(push.gateways)
    alarm = push.alarm
    asks = URGENCY_SENTENCES[alarm.urgency]
    if push.event is EventType.RETURNED:
        asks = "Back to normal by itself or by somebody's hand: nobody needs to go out for it any more."
        if alarm.condition == "readings_missing":  # it often was one call for several, and some may still be away
            which = "this unit is" if len(push.units) == 1 else f"these {len(push.units)} units are"
            asks += f"\nOnly {which} back: others that fell silent too are told of when they are."
    elif push.event is EventType.ACKNOWLEDGED:
        asks = f"{line(alarm.acknowledged_by, NAME_MAX) or 'Somebody'} has seen it and answered."
        asks += f'\nTheir note: "{line(alarm.note, SENTENCE_MAX)}"' if alarm.note.strip() else ""
    elif push.event is EventType.URGENCY_CHANGED:
        asks = f"This has changed. {asks}"
    return f"{head}\n{asks}"


def _facts(push: Push) -> str:
    """What is known, a line each."""
    alarm, zone = push.alarm, push.timezone
    facts = [("What it means", push.advised.means), ("Since", moment(alarm.raised_at_ns, zone))]
    if alarm.cleared_at_ns is not None:
        facts.append(("Normal since", moment(alarm.cleared_at_ns, zone)))
    if alarm.acknowledged_at_ns is not None and push.event is not EventType.ACKNOWLEDGED:
        by = line(alarm.acknowledged_by, NAME_MAX)
        facts.append(("Acknowledged", f"{moment(alarm.acknowledged_at_ns, zone)} by {by}"))
    if measured := _measured(push):
        facts.append(("Measured", measured))
    if push.event is not EventType.RETURNED:
        facts.append(("How sure", _how_sure(push)))
        facts.append(("Until when", _until_when(alarm.said.not_ready_at, alarm.urgency, zone)))
        if push.sites == 1:  # of several, each has its own
            visit = push.next_visit
            shown_visit = moment(visit.start_ns, zone) if visit else "none known; seven days are assumed"
            facts.append(("Next visit", shown_visit))
    return "\n".join(f"{name}: {fact}" for name, fact in facts)


def _measured(push: Push) -> str:
    """What was measured against what was expected; "" where silence is the evidence and nothing was said of it."""
    evidence = push.alarm.evidence
    values = [
        f"{word}{plain(shown(evidence.signal, evidence.symbol, value, push.measures))}"
        for word, value in (("", evidence.measured), ("expected ", evidence.expected), ("limit ", evidence.limit))
        if value is not None and isfinite(value)
    ]
    said = [line(evidence.text, SENTENCE_MAX)] if evidence.text.strip() else []
    if values and evidence.signal:
        said.insert(0, f"{line(evidence.signal, NAME_MAX).replace('_', ' ')} {', '.join(values)}.")
    return " ".join(said)


def _how_sure(push: Push) -> str:
    """The ranked causes with their chances, or that nothing was diagnosed."""
    if push.causes:
        return "; ".join(f"{cause.title} {_per_cent(cause.probability)}" for cause in push.causes)
    if push.alarm.evidence.level:
        return "not diagnosed: a limit was passed."
    if GROUP_OF[push.alarm.condition] in ("starting", "telemetry"):
        return "seen directly; what is behind it is not known."
    return "not diagnosed."


def _per_cent(probability: float) -> str:
    """A chance as people say it: never "100 %" or "0 %" of what is only likely."""
    if probability >= 0.995:
        return "over 99 %"
    if probability < 0.005:
        return "under 1 %"
    return f"{100 * probability:.0f} %"


def _until_when(not_ready_at: NotReady | None, urgency: Urgency, timezone: str) -> str:
    """When the unit stops being ready, as far as it is known."""
    if urgency is Urgency.NOW:
        return "not ready now, or unsafe."
    if not_ready_at is None:
        return "no forecast."
    p10, p50, p90 = not_ready_at.p10, not_ready_at.p50, not_ready_at.p90
    if p10 is None:
        return "stays ready for the next 30 days, as far as can be forecast."
    earliest = f"one chance in ten that it stops being ready before {moment(p10, timezone)}"
    likeliest = (
        f"as likely before as after {moment(p50, timezone)}" if p50 is not None else "more likely to last 30 days"
    )
    latest = f"one chance in ten that it lasts beyond {moment(p90, timezone)}" if p90 is not None else ""
    return "; ".join(part for part in (earliest, likeliest, latest) if part) + "."


def _listed(heading: str, items: Iterable[str], *, numbered: bool = False) -> str:
    """A heading and its items, a line each; "" where there are none."""
    lines = [f"{position}. {item}" if numbered else f"- {item}" for position, item in enumerate(items, start=1)]
    return "\n".join([f"{heading}:", *lines]) if lines else ""
