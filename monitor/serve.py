"""Serve: one process that holds collector, assessment, call-outs, API and pages.

In: settings. Out: the running program, until it is told to stop. The wiring: it alone knows every room, makes the clock
and hands each room what it needs. May import: all of monitor but its commands.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import uvicorn

from monitor.acquisition.collector import Collector
from monitor.acquisition.decoder import Decoder
from monitor.advice import load_advice
from monitor.alarms.changes import Change
from monitor.api.app import create_app
from monitor.api.live import LiveEvents
from monitor.api.parts import Parts, ProgramStatus, UnitView
from monitor.assessing import LiveAssessment
from monitor.assessment.assessor import Assessor
from monitor.assessment.cranks import SEEN_S
from monitor.batch import Batch
from monitor.callouts.channels import Channel
from monitor.callouts.email import Email
from monitor.callouts.outbox import OutboxWorker
from monitor.callouts.plan import EMAIL, WEBHOOK, planner
from monitor.callouts.webhook import Webhooks
from monitor.fleet import load_fleet
from monitor.limits_file import load_limits
from monitor.settings import Settings
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.stores.protocols import CallOut
from monitor.times import SECOND_NS
from monitor.visits import fetch_calendar, load_visits

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger(__name__)

CHECKPOINT_NAME = "assessment.npz"
CALENDARS_NAME = "calendars"
STREAMS_END_S = 1  # open pages hold a stream each; a stop does not wait longer for them to notice

NO_GAS_DIP = "The gas at a start is not judged yet: its dip and recovery are kept, but no limit watches them."
NO_CRANK = "No crank was seen whole yet: that takes battery readings each second or two while the engine is cranked."


class Service:
    """The running program. `start` returns once it listens; `stop` ends it, in any state, once or several times."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Callable[[], int] = time.time_ns,
        on_page: Callable[[], None] | None = None,
        progress: Callable[[int, int], None] = lambda done, of: None,
    ) -> None:
        """
        Args:
            on_page: told of each page that a browser asks for (the demo begins with the first one).
            progress: told how far a start has caught up on the history, units done of units.
        Raises:
            FileFaults, ValueError: a file or setting cannot be used; the text says which and what to do.
            StoreUnavailable: the data folder cannot be used.
        """
        self._ends = ExitStack()
        self._clock = clock
        settings.data.mkdir(parents=True, exist_ok=True)
        self.fleet = load_fleet(settings.fleet)
        self.settings = settings
        limits = load_limits(settings.limits, self.fleet)
        self.visits = load_visits(self.fleet, copies=settings.data / CALENDARS_NAME, fetch=fetch_calendar)
        for site, note in self.visits.notes.items():
            log.warning("Site %s: %s", site, note)
        advice = load_advice()
        self.readings = EmbeddedReadings(settings.data)
        self._ends.callback(self.readings.close)
        self.operations = SqlOperations(settings.data / FILE_NAME)
        self._ends.callback(self.operations.close)
        version = self.operations.publish_limits(
            text=limits.text, author=_author(settings.limits), reason="read at a start", at_ns=clock()
        )
        self.plan = planner(
            self.fleet,
            settings.call_outs,
            settings.public_url,
            self.visits.next_visit,
            advice,
            measures=settings.measures,
        )
        self.live = LiveEvents()
        self.outbox = OutboxWorker(
            self.operations, _channels(settings), clock, settings.call_outs, on_recorded=self._call_out_recorded
        )
        self.assessment = LiveAssessment(
            assessor=Assessor(self.fleet, limits, self.visits.deadline, version.version),
            readings=self.readings,
            operations=self.operations,
            plan=self.plan,
            clock=clock,
            checkpoint_path=settings.data / CHECKPOINT_NAME,
            changed=self._changed,
            progress=progress,
        )
        self.collector = Collector(
            settings=settings,
            decoder=Decoder(self.fleet, settings),
            clock=clock,
            append=self.readings.append,
            set_aside=self.operations.set_aside,
            committed=self._committed,
        )
        self.app: ASGIApp = create_app(
            Parts(
                fleet=self.fleet,
                visits=self.visits,
                advice=advice,
                readings=self.readings,
                operations=self.operations,
                clock=clock,
                live=self.live,
                status=self.status,
                watched=self.watched,
                plan=self.plan,
                settings=settings,
                answered=self._answered,
            )
        )
        if on_page is not None:
            self.app = _telling(self.app, on_page)
        self._server: uvicorn.Server | None = None
        self._server_thread: threading.Thread | None = None

    def start(self) -> None:
        """Catch up, then listen, judge, call and serve.

        Raises:
            OSError: the listening address is taken; the text says so.
        """
        self.assessment.catch_up()
        self.outbox.start()
        self._ends.callback(self.outbox.stop)
        self.assessment.start(self.collector.received_floor_ns)
        self._ends.callback(self.assessment.stop)
        self.collector.start()
        self._ends.callback(self.collector.stop)
        self._serve_pages()

    def _serve_pages(self) -> None:
        host, _, port = self.settings.listen.rpartition(":")
        config = uvicorn.Config(
            self.app,
            host=host.strip("[]"),
            port=int(port),
            log_level="warning",
            timeout_graceful_shutdown=STREAMS_END_S,
            server_header=False,
        )
        server = uvicorn.Server(config)
        failed = threading.Event()

        def run() -> None:
            try:
                server.run()
            except SystemExit:  # uvicorn's way to say that it could not bind
                failed.set()

        self._server, self._server_thread = server, threading.Thread(target=run, name="pages", daemon=True)
        self._server_thread.start()
        while not server.started and self._server_thread.is_alive():
            self._server_thread.join(0.01)
        if failed.is_set() or not server.started:
            raise OSError(f"{self.settings.listen} is in use or not an address of this machine. Set another --listen.")

    def stop(self) -> None:
        """End cleanly: pages first, then the collector, the assessment, the call-outs, the stores."""
        if self._server is not None and self._server_thread is not None:
            self.live.close()  # ends the streams of open pages, which would hold the server up
            self._server.should_exit = True
            self._server_thread.join(10.0)
        self._ends.close()

    # --- what the rooms tell each other ---

    def _committed(self, batch: Batch) -> None:
        self.assessment.committed(batch)
        self.live.publish_batch(batch)

    def _changed(self, changes: Sequence[Change]) -> None:
        self.outbox.notify()
        for change in changes:
            self.live.publish_alarm(change.after)
        for unit in dict.fromkeys(change.after.unit for change in changes):
            self.live.publish_unit(unit)

    def _answered(self, change: Change) -> None:
        self.outbox.notify()

    def _call_out_recorded(self, call_out: CallOut) -> None:
        alarm = self.operations.alarm(call_out.alarm_id) if len(call_out.alarm_ids) == 1 else None
        self.live.publish_call_out(call_out, alarm.unit if alarm is not None else "")

    # --- for people ---

    def status(self) -> ProgramStatus:
        """How the program is, in one view."""
        collector, assessing, outbox = self.collector.status(), self.assessment.status(), self.outbox.status()
        until = assessing.assessed_until_ns
        ends: dict[tuple[str, str], int] = {(channel, outcome): count for channel, outcome, count in outbox.ends}
        errors = [text for text in (assessing.error, outbox.last_error if not outbox.store_available else "") if text]
        if collector.store_waiting_since_ns is not None or (not collector.is_connected and collector.last_error):
            errors.append(collector.last_error)
        return ProgramStatus(
            listening=collector.is_connected,
            listening_changed_ns=collector.since_ns,
            messages_received=collector.messages_received,
            readings_stored=collector.readings_stored,
            readings_quarantined=collector.set_aside,
            assessed_until_ns=until,
            assessment_lag_s=0.0 if until is None else max(0.0, (self._clock() - until) / SECOND_NS),
            call_outs=ends,
            call_outs_waiting=outbox.due + outbox.under_way,
            errors=tuple(errors),
        )

    def watched(self, unit: str) -> UnitView:
        """What the assessment knows of a unit; KeyError for an unknown one."""
        view = self.assessment.view(unit)
        newest = self.readings.newest([unit], view.silent) if view.silent else None
        last: Mapping[str, int] = (
            {}
            if newest is None
            else {
                newest.signals[signal]: at
                for signal, at in zip(newest.signal.tolist(), newest.time_ns.tolist(), strict=True)
            }
        )
        normals = {
            "jacket_water_temperature": view.normal.cut_in,
            "gas_pressure": view.normal.gas_set_point,
            "battery_voltage": view.normal.float_voltage * self.fleet.units[unit].blocks,
        }
        seen_whole = any(crank.seen_s <= SEEN_S for crank in view.cranks)
        return UnitView(
            unit=unit,
            not_watched=(NO_GAS_DIP,) if seen_whole else (NO_CRANK, NO_GAS_DIP),
            silent={signal: last.get(signal) for signal in view.silent},
            normals={signal: value for signal, value in normals.items() if not np.isnan(value)},
            runs=view.runs,
            changes=tuple((note.at_ns, note.text) for note in reversed(view.notes)),
        )


def serve(
    settings: Settings,
    *,
    ready: Callable[[str], None] | None = None,
    stop: threading.Event | None = None,
    on_page: Callable[[], None] | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> None:
    """Run until `stop` is set (None: until Ctrl-C), then end cleanly.

    Args:
        ready: told the pages' address once they are served. on_page, progress: as Service has them.
    """
    stop = stop if stop is not None else threading.Event()
    service = Service(settings, on_page=on_page, progress=progress)
    try:
        service.start()
        if ready is not None:
            ready(settings.public_url)
        while not stop.wait(0.5):
            pass
    except KeyboardInterrupt:
        log.info("Stopping")
    finally:
        service.stop()


def _author(limits: Path | None) -> str:
    return limits.name if limits is not None else "defaults"


def _channels(settings: Settings) -> dict[str, Channel]:
    channels: dict[str, Channel] = {}
    if settings.call_outs.smtp is not None:
        channels[EMAIL] = Email(settings.call_outs.smtp)
    if settings.call_outs.webhooks:
        channels[WEBHOOK] = Webhooks(settings.call_outs.webhooks)
    return channels


def _telling(app: "ASGIApp", on_page: Callable[[], None]) -> "ASGIApp":
    """The app, telling of each page that it gives out."""

    async def told(scope: "Scope", receive: "Receive", send: "Send") -> None:
        async def tell(message: "Message") -> None:
            if message["type"] == "http.response.start" and message["status"] == 200:
                kinds = [value for name, value in message["headers"] if name == b"content-type"]
                if kinds and kinds[0].startswith(b"text/html"):
                    on_page()
            await send(message)

        await app(scope, receive, tell)

    return told
