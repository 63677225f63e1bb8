"""The event that leaves the house: CloudEvents 1.0, structured JSON, one form for every channel.

In: a Push. Out: JSON text. Times RFC 3339 in UTC, values in their symbols; data.summary and data.text are the same said
for people, so that a text or voice service needs no more. Pure.
May import: monitor.callouts.push, monitor.callouts.wording, monitor.times.
"""

import json
from math import isfinite

from monitor.callouts import wording
from monitor.callouts.push import NAME_MAX, SENTENCE_MAX, UNITS_NAMED_MAX, Push, line
from monitor.times import to_rfc3339

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX = "stillready.alarm."
BODY_BYTES_MAX = 163_840  # worst case by the bounds of push.py and advice.py, four bytes a character; usual: 6 kB


def cloud_event(push: Push, public_url: str) -> str:
    """The event as JSON text.

    Args:
        public_url: what the event's source is: where this Stillready is reached.
    Source: CloudEvents 1.0.2, JSON format, structured mode.
    """
    event = {
        "specversion": "1.0",
        "id": push.id,
        "source": public_url.rstrip("/"),
        "type": f"{TYPE_PREFIX}{push.event.value}",
        "subject": push.alarm.unit,
        "time": to_rfc3339(push.at_ns),
        "datacontenttype": "application/json",
        "data": _data(push),
    }
    return json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _data(push: Push) -> dict[str, object]:
    """What the event is about."""
    alarm, evidence, not_ready_at, visit = (
        push.alarm,
        push.alarm.evidence,
        push.alarm.said.not_ready_at,
        push.next_visit,
    )
    return {
        "event": push.event.value,
        "summary": wording.summary(push),
        "alarm": alarm.id,
        "unit": alarm.unit,
        "unit_name": push.units[0].name,
        "site": push.site,
        "site_name": push.site_name,
        "timezone": push.timezone,
        "condition": alarm.condition,
        "title": push.advised.title,
        "urgency": alarm.urgency.value,
        "state": alarm.state.value,
        "raised_at": to_rfc3339(alarm.raised_at_ns),
        "acknowledged_at": _time(alarm.acknowledged_at_ns),
        "acknowledged_by": line(alarm.acknowledged_by, NAME_MAX),
        "returned_at": _time(alarm.cleared_at_ns),
        "evidence": {
            "signal": line(evidence.signal, NAME_MAX),
            "symbol": line(evidence.symbol, NAME_MAX),
            "measured": _number(evidence.measured),
            "expected": _number(evidence.expected),
            "limit": _number(evidence.limit),
            "level": evidence.level,
            "limits_version": evidence.limits_version,
            "text": line(evidence.text, SENTENCE_MAX),
        },
        "causes": [
            {"cause": cause.cause, "title": cause.title, "probability": _number(cause.probability)}
            for cause in push.causes
        ],
        "not_ready_at": None
        if not_ready_at is None
        else {"p10": _time(not_ready_at.p10), "p50": _time(not_ready_at.p50), "p90": _time(not_ready_at.p90)},
        "next_visit": None if visit is None else {"start": _time(visit.start_ns), "end": _time(visit.end_ns)},
        "units": [
            {"unit": named.unit, "unit_name": named.name, "alarm": named.alarm_id}
            for named in push.units[:UNITS_NAMED_MAX]
        ],
        "units_count": len(push.units),
        "gateways_count": push.gateways,
        "means": push.advised.means,
        "check": list(push.advised.check),
        "bring": list(push.advised.bring),
        "cautions": list(push.advised.cautions),
        "link": push.link,
        "text": wording.text(push),
    }


def _time(time_ns: int | None) -> str | None:
    """RFC 3339, or None where there is no such time."""
    return None if time_ns is None else to_rfc3339(time_ns)


def _number(value: float | None) -> float | None:
    """JSON has no NaN and no infinity: what is not a number is not known."""
    return value if value is not None and isfinite(value) else None
