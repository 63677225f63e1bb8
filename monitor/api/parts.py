"""What the API and the pages are given by the wiring, and the small views they are told through.

In: the fleet, the stores, the clock, ways to ask the running parts how they are. Out: frozen dataclasses. May import:
what stands before the API in the way of a reading. Touches nothing.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from monitor.advice import Advice
from monitor.alarms.changes import Change
from monitor.api.live import LiveEvents
from monitor.fleet import Fleet
from monitor.settings import Settings
from monitor.stores.protocols import Operations, Plan, ReadingStore
from monitor.times import Clock
from monitor.visits import VisitCalendar


@dataclass(frozen=True, slots=True)
class UnitView:
    """What the assessment knows of one unit beside its alarms.

    not_watched: one sentence for each thing that cannot be seen here, and why ("No crank is watched: …").
    silent: needed signals that are expected and do not come, with the time of their last reading; None: never came.
    normals: learned normal values, by signal, in its symbol; a signal that is not in it has not been learned.
    runs: runs seen since the last visit, start and end, ns, oldest first; None: it is still running.
    changes: what changed of late and asks nothing of anybody: since when, ns, and one sentence; the newest first.
    """

    unit: str
    not_watched: tuple[str, ...] = ()
    silent: Mapping[str, int | None] = field(default_factory=dict)
    normals: Mapping[str, float] = field(default_factory=dict)
    runs: tuple[tuple[int, int | None], ...] = ()
    changes: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ProgramStatus:
    """How the program itself is.

    listening: connected to the broker. listening_changed_ns: since when that is so; None: not known.
    messages_received, readings_stored, readings_quarantined: since the start.
    assessed_until_ns: how far the last assessment went; None before the first. assessment_lag_s: how far behind it is.
    call_outs: how many by (channel, outcome). call_outs_waiting: not sent yet, or failed and to be tried again.
    errors: one plain sentence for each thing that does not work, stores first.
    """

    listening: bool
    listening_changed_ns: int | None = None
    messages_received: int = 0
    readings_stored: int = 0
    readings_quarantined: int = 0
    assessed_until_ns: int | None = None
    assessment_lag_s: float = 0.0
    call_outs: Mapping[tuple[str, str], int] = field(default_factory=dict)
    call_outs_waiting: int = 0
    errors: tuple[str, ...] = ()


def _nobody(change: Change) -> None:
    """After an answer nobody need be told more: no outbox runs beside this API."""


@dataclass(frozen=True, slots=True)
class Parts:
    """All that create_app needs.

    status, watched: asked from worker threads, must not block for long; watched raises KeyError for an unknown unit.
    plan: decides call-outs inside the transaction of an answer. answered: told of every answer's change after it is
    kept (wakes the outbox); the API itself publishes the change to the live events.
    """

    fleet: Fleet
    visits: VisitCalendar
    advice: Advice
    readings: ReadingStore
    operations: Operations
    clock: Clock
    live: LiveEvents
    status: Callable[[], ProgramStatus]
    watched: Callable[[str], UnitView]
    plan: Plan
    settings: Settings
    answered: Callable[[Change], None] = _nobody
