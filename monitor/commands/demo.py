"""The command `demo`: an invented valley of generators, watched by the real program, on this machine alone.

In: a folder to keep it in, perhaps an address to listen on. Out: a line with the address, then pages, mails and
webhooks until Ctrl-C. May import: all of monitor, and the simulator. Touches the folder, ports on loopback, signals.

All of it is real but the engines and the people: an MQTT broker, a mail server, a webhook receiver. The engines are a
scenario of the simulator with a story put on it. The first start fills in three weeks, a later one only the time since
the last, from where the simulated world stood then.
"""

import shutil
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from secrets import token_bytes
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.commands.demo_story import Story
    from simulator.ongoing import Kept

HOST = "127.0.0.1"
PORT = 8460
SENT_PORT = 8461
TOLD_FROM_NS = 24 * 3600 * 1_000_000_000  # a day takes half a second; of less nobody has to be told


def run(directory: Path, listen: str | None = None) -> None:
    """Run the demo until Ctrl-C or SIGTERM.

    Args:
        directory: keeps what was filled in, made where it is missing. listen: HOST:PORT of the pages; None: port 8460
            on loopback, or another one where that is taken.
    Raises:
        SystemExit: it cannot start; the sentence says why and what to do.
    """
    ending = Ending()
    # Set until the process ends: a second Ctrl-C must not cut off what the first began.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, ending.asked)
    try:
        # Heavy imports stand here: the command line reads this module to know what commands there are.
        from monitor.commands.demo_ports import free_port, named_port

        _check_extra()
        host, port = (HOST, free_port(HOST, PORT)) if listen is None else named_port(listen)
        with _locked(directory):
            _run(directory, host, port, ending)
    except KeyboardInterrupt:  # only while it starts, see Ending
        return


class Ending:
    """How the demo is told to end: at once while it starts, through an event once it serves.

    A start reads code and fills in a past for seconds and asks nobody meanwhile, so it is broken off; what it had not
    finished, the next start does.
    """

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.serving = False

    def asked(self, *_: object) -> None:
        """Handles a signal."""
        first = not self.stop.is_set()
        self.stop.set()
        if first and not self.serving:
            raise KeyboardInterrupt


def _run(directory: Path, host: str, port: int, ending: Ending) -> None:
    from base64 import b64encode

    from monitor.commands.demo_broker import demo_broker
    from monitor.commands.demo_ports import address, browser_url

    with ExitStack() as ends:
        broker_url = ends.enter_context(demo_broker(directory))
        # Most of a start is reading code. The broker starts meanwhile.
        from monitor.commands.demo_files import demo_settings, fleet_text
        from monitor.commands.demo_readings import Gateways
        from monitor.commands.demo_sent import SentServer
        from monitor.commands.demo_story import valley
        from monitor.serve import serve

        secret = "whsec_" + b64encode(token_bytes(24)).decode()
        pages_url = browser_url(host, port)
        fleet = directory / "fleet.toml"
        fleet.write_text(fleet_text(valley()), encoding="utf-8")
        sent = SentServer(host=host, wished_port=SENT_PORT, secret=secret)
        ends.callback(sent.stop)
        sent.start()
        sent.pages_url = pages_url
        story, kept = _past(directory, ending.stop)
        if kept is None:  # stopped before a single day was filled in
            return
        gateways = Gateways(story, kept, broker_url=broker_url(), directory=directory)
        ends.callback(gateways.stop)
        settings = demo_settings(
            data=directory / "data",
            fleet=fleet,
            listen=address(host, port),
            page_url=pages_url,
            broker_url=broker_url(),
            smtp_port=sent.smtp_port,
            webhook_url=sent.webhook_url,
            secret=secret,
        )

        def ready(_: str) -> None:
            ending.serving = True
            gateways.start()
            print(
                f"Stillready's demo: {pages_url} (what it sends to people: {sent.url}). Stop it with Ctrl-C.",
                flush=True,
            )

        if not ending.stop.is_set():
            serve(settings, ready=ready, stop=ending.stop, on_page=gateways.page_loaded)


def _past(directory: Path, stop: threading.Event) -> tuple["Story", "Kept | None"]:
    """Bring the store up to this minute; the story, and where its world stands."""
    from monitor.commands import demo_story, demo_world
    from monitor.commands.demo_readings import fill_past
    from monitor.stores.embedded import EmbeddedReadings
    from monitor.times import MINUTE_NS

    data = directory / "data"
    now_ns = time.time_ns()
    store = EmbeddedReadings(data)
    try:
        span = store.span_ns()
        story, kept = _gone_on(directory, span, now_ns)
        if story is None or span is None:
            store.close()
            shutil.rmtree(data)
            store = EmbeddedReadings(data)
            story, span, kept = demo_story.begun(now_ns), None, None
            print("Filling in three weeks of an invented valley …", file=sys.stderr, flush=True)
        elif now_ns - span[1] > TOLD_FROM_NS:
            print("Filling in the time since the last start …", file=sys.stderr, flush=True)
        demo_story.save(story, directory)
        scenario = story.scenario
        kept = fill_past(
            story,
            kept,
            store,
            to_ns=now_ns - now_ns % MINUTE_NS,
            after_ns=-1 if span is None else span[1],
            stopped=stop.is_set,
            saved=lambda kept: demo_world.save(kept, scenario, directory),
        )
    finally:
        store.close()
    _record_visits(story, data, now_ns)
    return story, kept


def _gone_on(directory: Path, span: tuple[int, int] | None, now_ns: int) -> tuple["Story | None", "Kept | None"]:
    """The story at this start and where its world stood; None, None where the valley has to begin anew.

    Args:
        span: times of the oldest and the newest reading in the store.
    """
    from monitor.commands import demo_story, demo_world
    from simulator.keeping import NotKept

    story = demo_story.load(directory)
    if story is None or span is None:
        return None, None
    try:
        kept = demo_world.load(directory, story.scenario)
    except NotKept as reason:
        print(
            f"{directory / demo_world.FILE_NAME} cannot be gone on from: {reason}. The valley begins anew.",
            file=sys.stderr,
            flush=True,
        )
        return None, None
    return demo_story.continued(story, kept_until_ns=max(span[1] + 1, kept.at_ns), now_ns=now_ns), kept


def _record_visits(story: "Story", data: Path, now_ns: int) -> None:
    """Put the visits that were made since the last one on record, as the technicians would have."""
    from monitor.commands.demo_story import valley, visits_made
    from monitor.stores.operations import FILE_NAME, SqlOperations

    operations = SqlOperations(data / FILE_NAME)
    try:
        for site in valley().sites:
            last_ns = operations.last_visit_ns(site.id) or story.began_ns
            for at_ns, found in visits_made(story, site.id, from_ns=last_ns, to_ns=now_ns):
                operations.record_visit(site.id, at_ns=at_ns, by="Technician on duty", found=found)
    finally:
        operations.close()


@contextmanager
def _locked(directory: Path) -> Iterator[None]:
    """One demo a folder: a second one would fill in the same past."""
    import fcntl

    path = directory / "demo.lock"  # made before all else: where it is missing, the folder is not the demo's
    if (directory / "data").exists() and not path.exists():
        raise SystemExit(
            f"{directory / 'data'} was not made by the demo, which would overwrite it. Name another folder."
        )
    try:
        directory.mkdir(parents=True, exist_ok=True)
        lock = path.open("w")
    except OSError as reason:
        raise SystemExit(f"The demo cannot use {directory}: {reason.strerror}. Name another folder.") from None
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise SystemExit(f"A demo already runs in {directory}. Stop it, or name another folder.") from None
        yield


def _check_extra() -> None:
    """Refuse in words where the demo's own packages are missing."""
    missing = [name for name in ("iotcore", "aiosmtpd") if find_spec(name) is None]
    if missing:
        raise SystemExit(
            f"The demo also needs {' and '.join(missing)}. Install them with: pip install 'stillready[demo]'"
        )
