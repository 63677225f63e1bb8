"""What one push says, as data, before it becomes an event or a text.

In: an alarm, what happened to it, what is known around it. Out: one frozen Push. Pure. Where a unit stands, who is to
be rung, how to get in and what it is built of are no fields here, so no channel can give them away.
May import: monitor.advice, monitor.alarms, monitor.fleet, monitor.measures.
"""

from dataclasses import dataclass

from monitor.advice import Advised
from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Alarm
from monitor.fleet import Visit
from monitor.measures import System

NAME_MAX = 80  # characters of a name from the fleet file: more does not fit a phone's line
SENTENCE_MAX = 400  # characters of a sentence that the assessment or a person wrote
CAUSES_MAX = 5  # ranked causes that are said; the page has them all
UNITS_NAMED_MAX = 30  # units named one by one; how many more there are is said


@dataclass(frozen=True, slots=True)
class Named:
    """A unit that the push is about, and its alarm."""

    unit: str
    name: str
    alarm_id: str


@dataclass(frozen=True, slots=True)
class CauseSaid:
    """A possible cause, in words, with the chance that it is present, 0..1."""

    cause: str
    title: str
    probability: float


@dataclass(frozen=True, slots=True)
class Push:
    """What one push says.

    id: of the event, the same for every receiver. alarm: the one it is about; of several units, the first. units: all
    of them, the alarm's first. gateways: how many the units stand behind; more than one: the gateways went together.
    site: the alarm's, as site_name, timezone and next_visit are. sites: how many the units stand at.
    next_visit: None where none is known. link: the alarm's page.
    """

    id: str
    event: EventType
    at_ns: int
    alarm: Alarm
    units: tuple[Named, ...]
    site: str
    site_name: str
    timezone: str
    next_visit: Visit | None
    advised: Advised
    causes: tuple[CauseSaid, ...]
    link: str
    measures: System = "si"
    gateways: int = 1
    sites: int = 1


def line(text: str, length_max: int) -> str:
    """Text as one line of bounded length: no control characters, no line ends, no runs of blanks.

    A name from a file may hold anything; nothing in it may begin a new mail header or a new line of the message.
    """
    printable = "".join(character if character.isprintable() else " " for character in text)
    whole = " ".join(printable.split())
    return whole if len(whole) <= length_max else whole[: length_max - 1].rstrip() + "…"
