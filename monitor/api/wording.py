"""What an alarm is, in the sentences of the pages: urgency, certainty, evidence, forecast, who has it.

In: an alarm and the present. Out: text. Pure. May import: monitor.alarms.lifecycle, monitor.measures,
monitor.api.moments.
"""

from collections.abc import Mapping, Sequence

from monitor.alarms.lifecycle import AFTER_ANSWER, Alarm, Answer, State, Urgency
from monitor.api.moments import clock_text, span_text
from monitor.measures import System, shown, signal_title
from monitor.stores.protocols import CallOut

URGENCY_WORDS: Mapping[Urgency, str] = {
    Urgency.NOW: "Needed now",
    Urgency.BEFORE_VISIT: "Needed before the visit",
    Urgency.AT_VISIT: "Keeps until the visit",
}
STATE_WORDS: Mapping[State, str] = {
    State.NORMAL: "over and answered",
    State.UNACKNOWLEDGED: "nobody has answered",
    State.ACKNOWLEDGED: "somebody has it",
    State.RETURNED: "over, nobody has answered",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "explained by another alarm",
    State.OUT_OF_SERVICE: "unit out of service",
}
OUTCOME_WORDS: Mapping[str, str] = {
    "waiting": "waiting to be sent",
    "delivered": "delivered",
    "failed": "failed, will be tried again",
    "given_up": "given up",
}
EVENT_WORDS: Mapping[str, str] = {
    "raised": "Alarm raised",
    "urgency_changed": "Urgency changed",
    "acknowledged": "Acknowledged",
    "returned": "Back to normal",
    "suppressed": "Explained by another alarm, which calls for both",
    "superseded": "Raised anew before anybody answered",
    "shelved": "Shelved",
    "unshelved": "Taken off the shelf",
    "shelf_ended": "The shelf has ended",
    "found": "Found",
    "call_outs_dropped": "Call-outs",
}


def starts_text(now: float | None, until_visit: float | None) -> str:
    """How likely a unit starts and carries load, for its page; "" where that is not known.

    Never more sure than models can be: nothing is said to start, or to fail, for certain.
    """
    if now is None or until_visit is None:
        return ""
    then = chance_words(until_visit)
    return f"Chance that it starts and carries load: {chance_words(now)} now, {then} at the next visit."


_COLD = ("The water falls below", "jacket_water_temperature", "Cel", 21.0)
_FLAT = ("On cranking, a 12 V block would fall below", "battery_voltage", "V", 8.0)
PASSES: Mapping[str, tuple[str, str, str, float]] = {
    "heater_failed": _COLD,
    "heater_weak": _COLD,
    "charger_failed": _FLAT,
    "charger_weak": _FLAT,
    "battery_weak": _FLAT,
}
"""The point at which the unit stops being ready, where a model forecasts it (contract)."""


def mark_of(alarm: Alarm) -> str:
    """Which shape stands for it: its urgency, or "gone" once the condition is absent."""
    return alarm.urgency.value if alarm.present else "gone"


def answer_words(alarm: Alarm, timezone: str, now_ns: int) -> str:
    """Who has it, short enough for a list."""
    if alarm.state is State.SHELVED and alarm.shelved_until_ns is not None:
        return f"shelved until {clock_text(alarm.shelved_until_ns, timezone, now_ns)}"
    if alarm.state is State.ACKNOWLEDGED and alarm.acknowledged_by:
        return f"{alarm.acknowledged_by} has it"
    return STATE_WORDS[alarm.state]


def since_words(alarm: Alarm, timezone: str, now_ns: int) -> str:
    """Since when, and how long."""
    begun = clock_text(alarm.raised_at_ns, timezone, now_ns)
    if alarm.cleared_at_ns is None:
        return f"since {begun}, {span_text(now_ns - alarm.raised_at_ns)} so far"
    over = clock_text(alarm.cleared_at_ns, timezone, now_ns)
    return f"from {begun} to {over}, {span_text(alarm.cleared_at_ns - alarm.raised_at_ns)}"


def certainty(alarm: Alarm, titles: Mapping[str, str]) -> tuple[str, tuple[tuple[str, str], ...]]:
    """How sure it is: a sentence, and causes with their chance in per cent."""
    if not alarm.said.causes:
        if alarm.evidence.level:
            return "A limit was passed; no cause was worked out.", ()
        return "This was seen; no cause was worked out.", ()
    ranked = tuple(
        (titles.get(cause.cause, cause.cause), chance_words(cause.probability)) for cause in alarm.said.causes
    )
    return "Possible causes and the chance that each is present. Several can be; they need not add up to 100 %.", ranked


def chance_words(probability: float) -> str:
    """A chance: never 0 % or 100 % of what is only likely."""
    if probability >= 0.995:
        return "over 99 %"
    return "under 1 %" if probability < 0.005 else f"{100 * probability:.0f} %"


def measured(alarm: Alarm, system: System) -> str:
    """What was measured against its limit and against what is normal here; "" where nothing was measured."""
    evidence = alarm.evidence
    if evidence.measured is None:
        return ""
    value = shown(evidence.signal, evidence.symbol, evidence.measured, system)
    sentence = f"{signal_title(evidence.signal)} was {value}"
    if evidence.limit is not None:
        side = "under" if evidence.measured < evidence.limit else "over"
        name = {"warning": "warning limit", "not_ready": "not-ready limit"}.get(evidence.level, "limit")
        sentence += f", {side} the {name} of {shown(evidence.signal, evidence.symbol, evidence.limit, system)}"
    if evidence.expected is not None:
        sentence += f"; normal for this unit is {shown(evidence.signal, evidence.symbol, evidence.expected, system)}"
    return f"{sentence}."


def forecast(alarm: Alarm, timezone: str, now_ns: int, system: System = "si") -> str:
    """When the unit stops being ready, in words; says it where there is no forecast."""
    quantiles = alarm.said.not_ready_at
    if quantiles is None:
        if alarm.evidence.level:
            return "There is no forecast: the limit alone decides how soon somebody is needed."
        return "There is no forecast of when the unit stops being ready."
    if quantiles.p10 is None:
        return "It is not expected to stop being ready within 30 days."
    if quantiles.p10 <= now_ns and quantiles.p90 is not None and quantiles.p90 <= now_ns:
        return f"Not ready since {clock_text(quantiles.p10, timezone, now_ns)}."
    what = _passes(alarm.condition, system)
    earliest = clock_text(quantiles.p10, timezone, now_ns)
    if quantiles.p50 is None or quantiles.p90 is None:
        sentence = f"{what} from {earliest} on (one chance in ten by then)"
        if quantiles.p50 is not None:
            sentence += f", most likely about {clock_text(quantiles.p50, timezone, now_ns)}"
        return f"{sentence}; it may also hold for more than 30 days."
    likeliest, latest = (clock_text(at, timezone, now_ns) for at in (quantiles.p50, quantiles.p90))
    return f"{what} between {earliest} and {latest} (eight chances in ten), most likely about {likeliest}."


def _passes(condition: str, system: System) -> str:
    """What will happen when the unit stops being ready, by the contract's definition."""
    if condition not in PASSES:
        return "Stops being ready"
    words, signal, symbol, value = PASSES[condition]
    return f"{words} {shown(signal, symbol, value, system)}"


def who_has_it(alarm: Alarm, timezone: str, now_ns: int) -> str:
    """The state as a sentence."""
    answered = alarm.acknowledged_at_ns
    if alarm.state is State.UNACKNOWLEDGED:
        if answered is not None:
            return f"It became more urgent after {alarm.acknowledged_by} answered: it asks again."
        return "Nobody has answered yet."
    if alarm.state is State.RETURNED:
        return "It is back to normal by itself, and nobody has answered."
    if alarm.state is State.SHELVED and alarm.shelved_until_ns is not None:
        until = clock_text(alarm.shelved_until_ns, timezone, now_ns)
        return (
            f"{alarm.acknowledged_by} has shelved it until {until}. Nobody is called before, unless it is needed now."
        )
    if answered is not None:
        return f"{alarm.acknowledged_by} has it since {clock_text(answered, timezone, now_ns)}."
    return f"{STATE_WORDS[alarm.state].capitalize()}."


def answers_taken(alarm: Alarm) -> tuple[Answer, ...]:
    """What a person can say to it now, in the order of the form."""
    return tuple(answer for answer in Answer if (alarm.state, answer) in AFTER_ANSWER)


def push_words(call_out: CallOut, recipient: str, timezone: str, now_ns: int) -> str:
    """One push in one line."""
    whom = f" to {recipient}" if recipient else ""
    line = f"{call_out.channel.replace('_', ' ')}{whom}: {OUTCOME_WORDS.get(call_out.outcome, call_out.outcome)}"
    if call_out.delivered_ns is not None:
        line += f" {clock_text(call_out.delivered_ns, timezone, now_ns)}"
    elif call_out.outcome == "waiting" and call_out.not_before_ns > now_ns:
        line += f", not before {clock_text(call_out.not_before_ns, timezone, now_ns)}"
    if call_out.tries > 1:
        line += f" ({call_out.tries} tries)"
    if len(call_out.alarm_ids) > 1:
        line += f", one call for {len(call_out.alarm_ids)} alarms"
    return line


def note_words(note: str) -> str:
    """A line's note; where the store wrote urgencies by their identifiers, their words."""
    names = {urgency.value: words for urgency, words in URGENCY_WORDS.items()}
    parts = note.split(" to ")
    if all(part in names for part in parts):
        return " → ".join(names[part].lower() for part in parts)
    return note


def counted(count: int, one: str, many: str) -> str:
    """ "1 unit", "3 units"."""
    return f"{count} {one if count == 1 else many}"


def listed(names: Sequence[str], most: int = 4) -> str:
    """Names as a list for people."""
    some = list(names[:most])
    if len(names) > most:
        some.append(f"{len(names) - most} more")
    return some[0] if len(some) == 1 else f"{', '.join(some[:-1])} and {some[-1]}" if some else ""
