"""The demo from the first start to Ctrl-C, as a visitor meets it: a child process, its pages, its mailbox.

The demo prints a line with two addresses. Within a minute of the first page the visitor has seen conditions on three
signals, and one call-out that came by mail and by signed webhook while looking on. It ends at once, wholly, with 0.
"""

import os
import queue
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.commands.demo_ports import free_port
from tests import asking

RUN = (
    "import sys; from pathlib import Path; from monitor.commands.demo import run; run(Path(sys.argv[1]), *sys.argv[2:])"
)
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
START_S_MAX = 90.0  # of the first start, on a busy machine; the goal is 30 s. The second has its own
SECOND_START_S_MAX = 5.0  # on a machine with nothing else to do: there, reading the code alone takes half of it
SECOND_START_PER_READING_MAX = 2.5
VISITOR_S_MAX = 60.0
END_S_MAX = 5.0  # the goal is 3 s; a busy machine gets 5
LIVE = "low_gas_pressure"
SEEN = {"low_water_temperature", "low_battery_voltage", LIVE}  # on three signals


@dataclass
class Demo:
    """A running demo: its process, the addresses it printed, how long that took."""

    process: subprocess.Popen[str]
    pages: str
    sent: str
    started_s: float

    def alarms(self) -> list[dict[str, object]]:
        alarms: list[dict[str, object]] = asking.get(f"{self.pages}/api/v1/alarms").raise_for_status().json()["alarms"]
        return alarms

    def arrived(self) -> dict[str, list[dict[str, object]]]:
        arrived: dict[str, list[dict[str, object]]] = asking.get(f"{self.sent}/sent.json").raise_for_status().json()
        return arrived

    def end(self, number: int) -> tuple[int, float, str]:
        """Exit code after a signal, how long that took, what stood on stderr."""
        begun = time.monotonic()
        self.process.send_signal(number)
        _, errors = self.process.communicate(timeout=30)
        return self.process.returncode, time.monotonic() - begun, errors


def spawned(*arguments: str) -> "subprocess.Popen[str]":
    """Python in a process group of its own, as a terminal has it."""
    return subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
        start_new_session=True,
    )


def start(directory: Path, *listen: str) -> Demo:
    begun = time.monotonic()
    process = spawned("-W", "error::ResourceWarning", "-c", RUN, str(directory), *listen)
    assert process.stdout is not None
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=lambda: lines.put(process.stdout.readline()), daemon=True).start()
    try:
        line = lines.get(timeout=START_S_MAX)
    except queue.Empty:
        line = ""
    started_s = time.monotonic() - begun
    found = re.findall(r"http://[0-9.:]+", line)
    if len(found) != 2:
        process.kill()
        raise AssertionError(f"the demo printed {line!r} and {process.communicate(timeout=10)[1]}")
    return Demo(process, found[0], found[1], started_s)


@pytest.fixture
def demos() -> Iterator[Callable[..., Demo]]:
    """Starts demos, and ends those that a failed test left running."""
    running: list[Demo] = []

    def started(directory: Path, *listen: str) -> Demo:
        running.append(start(directory, *listen))
        return running[-1]

    yield started
    for demo in running:
        if demo.process.poll() is None:
            demo.process.kill()
            demo.process.communicate(timeout=10)


def until(check: Callable[[], bool], *, seconds: float) -> float:
    """How long it took until something was so. The one place that waits: other processes have to get there."""
    begun = time.monotonic()
    pause = threading.Event()
    while not check():
        assert time.monotonic() - begun < seconds, f"not within {seconds} s"
        pause.wait(0.2)
    return time.monotonic() - begun


def visit(demo: Demo) -> tuple[str, float]:
    """Load the first page and look on until all was seen: the unit that lost its gas, and how long that took, s."""
    before = {str(alarm["id"]) for alarm in demo.alarms()}
    page = asking.get(demo.pages, headers={"accept": "text/html"}, follow_redirects=True)
    assert page.status_code == 200

    def live() -> list[dict[str, object]]:
        return [alarm for alarm in demo.alarms() if alarm["condition"] == LIVE and alarm["id"] not in before]

    def all_seen() -> bool:
        standing = {alarm["condition"] for alarm in demo.alarms() if alarm["present"]}
        if not standing >= SEEN or not live():
            return False
        arrived, alarm = demo.arrived(), str(live()[0]["id"])
        mailed = any(alarm in str(mail["text"]) for mail in arrived["mails"])
        return mailed and any(alarm in str(hook["text"]) and hook["verified"] for hook in arrived["webhooks"])

    took_s = until(all_seen, seconds=VISITOR_S_MAX)
    return str(live()[0]["unit"]), took_s


def reading_code_s() -> float:
    """How long the program takes to be read, here and now: what a start can never be quicker than."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", "import monitor.serve"], check=True, env=ENVIRONMENT)
    return time.monotonic() - begun


def broker_port(directory: Path) -> int:
    found = re.search(r'listen = "127\.0\.0\.1:(\d+)"', (directory / "broker.toml").read_text())
    assert found is not None
    return int(found[1])


def listens(port: int) -> bool:
    with socket.socket() as caller:
        caller.settimeout(1)
        return caller.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class BrokenOff:
    """A first start that was told to end while it filled in its past."""

    directory: Path
    said: tuple[int, str, str]  # exit code, stdout, stderr after its first line
    took_s: float


@pytest.fixture(scope="module")
def broken_off(tmp_path_factory) -> BrokenOff:
    directory = tmp_path_factory.mktemp("demo")
    process = spawned("-c", RUN, str(directory), f"127.0.0.1:{free_port()}")
    assert process.stderr is not None
    assert process.stderr.readline().startswith("Filling in three weeks")
    begun = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of the process's group
    printed, errors = process.communicate(timeout=30)
    return BrokenOff(directory, (process.returncode, printed, errors), time.monotonic() - begun)


def test_ctrl_c_breaks_off_a_first_start_at_once(broken_off):
    assert broken_off.said == (0, "", "")
    assert broken_off.took_s < END_S_MAX
    assert not listens(broker_port(broken_off.directory))


@pytest.mark.timeout(300)
def test_a_visitor_sees_three_conditions_and_a_live_call_out_at_each_start(broken_off, demos, capsys):
    """The first start goes on where one that was broken off has left its folder: what that had not done, this does."""
    address, folder = f"127.0.0.1:{free_port()}", broken_off.directory
    first = demos(folder, address)
    assert first.pages == f"http://{address}"
    first_unit, first_seen_s = visit(first)
    code, ended_s, errors = first.end(signal.SIGINT)
    assert (code, "Traceback" in errors, "Warning" in errors) == (0, False, False), errors
    assert ended_s < END_S_MAX
    assert not listens(broker_port(folder)), "the broker outlived the demo"

    second = demos(folder, address)
    second_unit, second_seen_s = visit(second)
    assert second_unit != first_unit
    code, second_ended_s, errors = second.end(signal.SIGTERM)
    assert (code, errors) == (0, "")
    assert second_ended_s < END_S_MAX
    assert second.started_s < max(SECOND_START_S_MAX, SECOND_START_PER_READING_MAX * reading_code_s())
    with capsys.disabled():
        print(
            f"\ndemo: first start {first.started_s:.1f} s, all seen {first_seen_s:.1f} s, end {ended_s:.1f} s; "
            f"second start {second.started_s:.1f} s, all seen {second_seen_s:.1f} s, end {second_ended_s:.1f} s"
        )


def refused(directory: Path, *listen: str) -> str:
    """What a demo that cannot start says."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(directory), *listen],
        capture_output=True,
        text=True,
        timeout=60,
        env=ENVIRONMENT,
    )
    assert done.returncode == 1
    assert done.stdout == ""
    return done.stderr.strip()


def test_a_port_that_the_user_named_and_somebody_has_is_refused_in_one_sentence(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        said = refused(tmp_path / "demo", address)
    assert said == (
        f"The demo cannot listen on {address}: Address already in use. Name another port, or stop what has it."
    )


def test_a_second_demo_in_the_same_folder_is_refused(tmp_path):
    import fcntl

    with (tmp_path / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert refused(tmp_path) == f"A demo already runs in {tmp_path}. Stop it, or name another folder."


def test_a_folder_with_somebody_elses_data_is_left_alone(tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "precious").write_text("mine")
    assert "was not made by the demo" in refused(tmp_path)
    assert (tmp_path / "data" / "precious").read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    assert refused(tmp_path / "file" / "demo").startswith(f"The demo cannot use {tmp_path / 'file' / 'demo'}: ")
