"""What the tests of call-outs share: a small fleet, alarms made by the life-cycle itself, real servers on loopback."""

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import SimpleNamespace

import pytest

from monitor.advice import Advice, load_advice
from monitor.alarms.changes import Change, EventType, changes_of
from monitor.alarms.lifecycle import Alarm, Cause, Evidence, Finding, Kind, NotReady, Said, Urgency
from monitor.fleet import Contact, Fleet, Site, Unit, Visit
from monitor.settings import CallOuts, Recipient, Smtp, Webhook
from monitor.stores.protocols import CallOut, Operations
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, from_rfc3339

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
T0 = from_rfc3339("2026-11-25T10:12:00Z")  # a Wednesday, 03:12 in Denver


def make_fleet() -> Fleet:
    """Two units behind one box at the pump house, one at the school; the pump house has all that must stay inside."""
    pump_house = Site(
        id="pump-house",
        name="Pump house",
        timezone="America/Denver",
        address="17 Hidden Lane",
        access="gate code 4711",
        contacts=(Contact("monitoring station", "Quiet Nights", "+1 555 0100"),),
    )
    school = Site(id="school", name="School", timezone="Europe/Berlin")
    equipment = {"heater": "1.5 kW 240 V", "battery": "2 x group 31"}
    return Fleet(
        sites={"pump-house": pump_house, "school": school},
        units={
            "pump-house-1": Unit(
                "pump-house-1", "pump-house", "Pump house 1", gateway="pump-house-box", equipment=equipment
            ),
            "pump-house-2": Unit("pump-house-2", "pump-house", "Pump house 2", gateway="pump-house-box"),
            "school-1": Unit("school-1", "school", "School 1"),
        },
    )


def finding(
    kind: Kind,
    at_ns: int,
    urgency: Urgency = Urgency.NOW,
    *,
    unit: str = "pump-house-1",
    condition: str = "heater_failed",
    causes: Sequence[tuple[str, float]] = (),
    not_ready_at: NotReady | None = None,
    evidence: Evidence = Evidence(),  # noqa: B008  frozen
) -> Finding:
    """A finding that was noticed a second after it became so."""
    said = Said(urgency, tuple(Cause(cause, chance) for cause, chance in causes), not_ready_at)
    return Finding(unit, condition, kind, at_ns, at_ns + 1_000_000_000, said, evidence)


class Story:
    """Findings one after the other, applied by the very code that runs live; batches as changes."""

    def __init__(self) -> None:
        self.standing: dict[tuple[str, str], Alarm] = {}

    def batch(self, *findings: Finding) -> list[Change]:
        self.standing, changes = changes_of(self.standing, findings)
        return changes

    def alarm(self, unit: str = "pump-house-1", condition: str = "heater_failed") -> Alarm:
        return self.standing[unit, condition]


def answered(before: Alarm, after: Alarm, event: EventType | None, at_ns: int) -> Change:
    """A change that a person's answer or the end of a shelf made."""
    return Change(before, after, event, at_ns, at_ns)


def call_out(
    key: str,
    event: EventType = EventType.RAISED,
    *,
    at_ns: int = T0,
    alarm_id: str = "alarm-1",
    alarm_ids: tuple[str, ...] = (),
    channel: str = "webhook",
    recipient: str = "http://127.0.0.1:9/",
    urgency: Urgency = Urgency.NOW,
) -> CallOut:
    """A call-out with a body that holds just what is read of it. alarm_ids: where it speaks for several."""
    body = (
        f'{{"specversion":"1.0","id":"{key}","source":"http://here","type":"stillready.alarm.{event.value}",'
        f'"data":{{"summary":"summary of {key}","text":"text of {key}\\n","urgency":"{urgency.value}"}}}}'
    )
    spoken_for = alarm_ids or (alarm_id,)
    return CallOut(key, spoken_for, event.value, channel, recipient, body, created_ns=at_ns, not_before_ns=at_ns)


def put(operations: Operations, *call_outs: CallOut, at_ns: int) -> None:
    """Put call-outs into the outbox as live running does: with a finding, in one transaction. at_ns: ever later."""
    condition = "unusual_behaviour"
    kind = Kind.CLEARED if any(one.condition == condition for one in operations.standing()) else Kind.RAISED
    changes = operations.record_assessment(
        [finding(kind, at_ns - 1_000_000_000, condition=condition)], at_ns, lambda _, __: call_outs
    )
    assert changes, "the finding was applied, so the plan was asked"


def settings(*, emails: Sequence[str] = ("mia@example.org",), webhooks: Sequence[str] = ()) -> CallOuts:
    """Receivers by address; the servers' places are given where something is really sent."""
    return CallOuts(
        smtp=Smtp(host="127.0.0.1"),
        emails=tuple(Recipient(name="someone", email=email) for email in emails),
        webhooks=tuple(Webhook(url=url, secret=SECRET) for url in webhooks),  # type: ignore[arg-type]
    )


@dataclass
class Receiver:
    """An HTTP server that keeps what it gets; it answers with the statuses given, then 204."""

    url: str = ""
    statuses: list[int] = field(default_factory=list)
    requests: list[SimpleNamespace] = field(default_factory=list)
    arrived: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))
    hold: threading.Event | None = None  # while it is there and not set, nothing is answered
    cut_off: threading.Event = field(default_factory=threading.Event)  # the sender hung up before the answer was out
    answer: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)


def serve_http() -> tuple[Receiver, ThreadingHTTPServer]:
    receiver = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            receiver.requests.append(SimpleNamespace(path=self.path, headers=dict(self.headers), body=body))
            receiver.arrived.release()
            if receiver.hold is not None:
                receiver.hold.wait(30)
            try:
                self.send_response(receiver.statuses.pop(0) if receiver.statuses else 204)
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
                self.send_header("content-length", str(len(receiver.answer)))
                self.end_headers()
                self.wfile.write(receiver.answer)
            except OSError:  # the sender has hung up, which is what such a test wants
                self.close_connection = True
                receiver.cut_off.set()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/hook"
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    return receiver, server


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made, server = serve_http()
    yield made
    if made.hold is not None:
        made.hold.set()
    server.shutdown()
    server.server_close()


@pytest.fixture
def second_receiver() -> Iterator[Receiver]:
    made, server = serve_http()
    yield made
    server.shutdown()
    server.server_close()


@pytest.fixture(scope="session")
def advice() -> Advice:
    return load_advice()


@pytest.fixture
def fleet() -> Fleet:
    return make_fleet()


@pytest.fixture(scope="session")
def visit() -> Visit:
    """Thursday 26 November 2026, 09:00 to 11:00 in Denver."""
    start_ns = from_rfc3339("2026-11-26T16:00:00Z")
    return Visit(start_ns, start_ns + 2 * HOUR_NS)


@pytest.fixture(scope="session")
def build() -> SimpleNamespace:
    """The builders, for tests that are no package and cannot import them."""
    return SimpleNamespace(
        T0=T0,
        MINUTE=MINUTE_NS,
        HOUR=HOUR_NS,
        DAY=DAY_NS,
        SECRET=SECRET,
        finding=finding,
        Story=Story,
        answered=answered,
        call_out=call_out,
        put=put,
        settings=settings,
    )
