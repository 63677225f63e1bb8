"""What the API gives and takes, as OpenAPI describes it. Times are RFC 3339 in UTC, values in their signal's symbol.

In: alarms, call-outs, views. Out: pydantic models. May import: pydantic, monitor.alarms.lifecycle, monitor.times.
"""

from datetime import UTC, datetime
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema

from monitor.alarms.lifecycle import NotReady, State, Urgency
from monitor.api.readiness import Readiness
from monitor.times import SECOND_NS, from_rfc3339, to_rfc3339

NAME_PATTERN = r"^[^\x00-\x20\x7f][^\x00-\x1f\x7f]*$"  # one line that begins with a letter or sign
TEXT_PATTERN = r"^[^\x00]*$"  # PostgreSQL keeps no NUL
TIME_NS_MIN = 0  # before 1970 nothing was measured by this program
TIME_NS_MAX = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp()) * SECOND_NS  # inside int64, whatever is added


def moment_ns(text: object) -> int:
    """An RFC 3339 text of a request, held inside what the stores can count."""
    if not isinstance(text, str):
        raise ValueError("A time is a text such as 2026-01-31T08:00:00Z.")
    try:
        time_ns = from_rfc3339(text.strip().replace(" ", "+"))  # an unescaped + in a query arrives as a blank
    except OverflowError:  # the first and last days of the calendar, moved by their offset
        raise ValueError(f'"{text}" lies outside the calendar.') from None
    return min(max(time_ns, TIME_NS_MIN), TIME_NS_MAX)


Moment = Annotated[
    int,
    BeforeValidator(moment_ns),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-01-14T08:00:00Z"]}),
]
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80, pattern=NAME_PATTERN)]
Note = Annotated[str, StringConstraints(strip_whitespace=True, max_length=2_000, pattern=TEXT_PATTERN)]
Words = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2_000, pattern=r"^[^\x00\s][^\x00]*$")
]


def text_of(time_ns: int | None) -> str | None:
    """RFC 3339 of a time that may not be there."""
    return None if time_ns is None else to_rfc3339(time_ns)


class _Out(BaseModel):
    model_config = ConfigDict(extra="forbid")


class VisitOut(_Out):
    """The next visit. assumed: no visit is known, seven days are taken."""

    start: str
    end: str
    assumed: bool


class ReadingOut(_Out):
    """The newest reading of a signal. normal: what was learned for this unit; null until then."""

    signal: str
    symbol: str
    time: str
    value: float
    normal: float | None = None


class SilentOut(_Out):
    """A needed signal that does not come, and its last reading; null: it never came."""

    signal: str
    since: str | None


class ChangeOut(_Out):
    """Something that changed at a unit and asks nothing of anybody. time: since when."""

    time: str
    text: str


class UnitOut(_Out):
    """A unit as it stands."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "unit": "mill-2",
                    "name": "Mill 2",
                    "site": "mill",
                    "site_name": "Old mill",
                    "timezone": "America/Denver",
                    "protects": "fire pump",
                    "readiness": "not_until_visit",
                    "sentence": "May stop being ready before the visit Thu 15 Jan 09:00 MST: "
                    "jacket-water heater gives no heat.",
                    "starts_now": 0.995,
                    "starts_until_visit": 0.083,
                    "last_visit": "2026-01-08T16:00:00Z",
                    "next_visit": {"start": "2026-01-15T16:00:00Z", "end": "2026-01-15T18:00:00Z", "assumed": False},
                    "newest": [
                        {
                            "signal": "battery_voltage",
                            "symbol": "V",
                            "time": "2026-01-13T10:02:30Z",
                            "value": 27.1,
                            "normal": 27.2,
                        }
                    ],
                    "silent": [],
                    "not_watched": ["Coolant level: no level switch reports."],
                    "notes": [],
                    "changes": [
                        {"time": "2026-01-11T08:00:00Z", "text": "Float moved from 13.50 to 13.62 V at 25 Cel."}
                    ],
                    "alarms": ["5c0f0f0e-8a4b-5d52-9d54-0d7f6a1b2c3d"],
                }
            ]
        }
    )

    unit: str
    name: str
    site: str
    site_name: str
    timezone: str
    protects: str
    readiness: Readiness
    sentence: str = Field(description="Readiness in one sentence, for people.")
    starts_now: float | None = Field(description="Chance that it starts and carries load now, 0..1; null: not known.")
    starts_until_visit: float | None = Field(
        description="The same at the end of the next visit, if nobody comes before; null: not known."
    )
    last_visit: str | None
    next_visit: VisitOut
    newest: list[ReadingOut]
    silent: list[SilentOut]
    not_watched: list[str]
    notes: list[str] = Field(description="What is to be known beside alarms: a visit not recorded, a calendar unread.")
    changes: list[ChangeOut] = Field(description="What changed in the last 30 days, newest first; asks nothing.")
    alarms: list[str] = Field(description="Ids of the alarms that stand, the most urgent first.")


class UnitsOut(_Out):
    """All units, those that ask for someone first."""

    units: list[UnitOut]


class CauseOut(_Out):
    """A possible cause and the chance that it is present."""

    cause: str
    title: str
    probability: float


class NotReadyOut(_Out):
    """When the unit stops being ready; a quantile alone is null: not within 30 days."""

    p10: str | None
    p50: str | None
    p90: str | None

    @classmethod
    def of(cls, quantiles: NotReady | None) -> "NotReadyOut | None":
        """From the life-cycle's; None where there is no forecast."""
        if quantiles is None:
            return None
        return cls(p10=text_of(quantiles.p10), p50=text_of(quantiles.p50), p90=text_of(quantiles.p90))


class SaidOut(_Out):
    """What was said of the condition at one moment."""

    urgency: Urgency
    causes: list[CauseOut]
    not_ready_at: NotReadyOut | None


class EvidenceOut(_Out):
    """What was measured against what was expected."""

    signal: str
    symbol: str
    measured: float | None
    expected: float | None
    limit: float | None
    level: str
    limits_version: int
    text: str


class UrgencyStep(_Out):
    """Since when the urgency was what."""

    time: str
    urgency: Urgency


class EventOut(_Out):
    """One line of an alarm's history."""

    time: str
    what: str
    by: str
    note: str


class AlarmOut(_Out):
    """One alarm: one occurrence of one condition at one unit."""

    id: str
    unit: str
    site: str
    condition: str
    title: str
    urgency: Urgency
    state: State
    present: bool = Field(description="Whether the condition stands, whatever anybody answered.")
    raised_at: str
    noticed_at: str
    acknowledged_at: str | None
    acknowledged_by: str
    note: str
    cleared_at: str | None
    shelved_until: str | None
    urgency_history: list[UrgencyStep]
    evidence: EvidenceOut
    causes: list[CauseOut] = Field(description="Ranked; empty where no cause was worked out.")
    not_ready_at: NotReadyOut | None
    first_said: SaidOut
    next_visit: VisitOut


class AlarmDetailOut(AlarmOut):
    """One alarm with all that a call-out says of it."""

    means: str
    check: list[str] = Field(description="What to check, in this order.")
    bring: list[str]
    cautions: list[str]
    history: list[EventOut]


class AlarmsOut(_Out):
    """A page of alarms, newest raised first. next_cursor: of the next page; null at the end."""

    alarms: list[AlarmOut]
    next_cursor: str | None


class CallOutOut(_Out):
    """One push to one person over one channel. recipient: whom, without their address.

    alarms: all that it speaks for; alarm: the first of them, which its link leads to.
    """

    alarm: str
    alarms: list[str]
    event: str
    channel: str
    recipient: str
    outcome: str
    tries: int
    created: str
    not_before: str
    last_try: str | None
    delivered: str | None
    last_error: str


class CallOutsOut(_Out):
    """Pushes, newest first."""

    call_outs: list[CallOutOut]


class ReadingsOut(_Out):
    """One signal of one unit as columns; time is where a cell begins, or that of a reading."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "unit": "mill-2",
                    "signal": "battery_voltage",
                    "symbol": "V",
                    "from": "2026-01-06T10:00:00Z",
                    "to": "2026-01-13T10:00:00Z",
                    "time": ["2026-01-06T10:00:00Z", "2026-01-06T10:16:48Z"],
                    "least": [27.02, 27.03],
                    "mean": [27.1, 27.11],
                    "greatest": [27.18, 27.16],
                }
            ]
        }
    )

    unit: str
    signal: str
    symbol: str
    from_: str = Field(alias="from")
    to: str
    time: list[str]
    least: list[float]
    mean: list[float]
    greatest: list[float]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid")


class AcknowledgeIn(_In):
    """Somebody has seen the alarm and takes it."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"by": "Ines", "note": "On my way, there at 11."}]})
    by: Name = Field(description="Name of whoever answers.")
    note: Note = ""


class ShelveIn(_In):
    """Nobody is to be called for it until then; at most seven days."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"by": "Ines", "until": "2026-01-14T15:00:00Z", "note": "Part is ordered."}]}
    )
    by: Name
    until: Moment
    note: Note = ""


class UnshelveIn(_In):
    """It asks again."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"by": "Ines", "note": "Part has come."}]})
    by: Name
    note: Note = ""


class FoundIn(_In):
    """What was found on the spot."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"by": "Ines", "found": "Heater element open, replaced; water at 41 again."}]}
    )
    by: Name
    found: Words


class VisitIn(_In):
    """A visit that was made. at: when; now where it is not given."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"by": "Ines", "found": "All in order, grille cleaned.", "at": "2026-01-15T17:10:00Z"}]
        }
    )
    by: Name
    found: Note = ""
    at: Moment | None = None


class VisitMadeOut(_Out):
    """The visit as it is kept."""

    site: str
    at: str
    by: str
    found: str
