"""The whole program as its users run it: `stillready serve`, a child process with files of its own.

In: a folder, a broker, what fleet, limits and settings say. Out: a process that can be killed and started again on the
same data, and its API by HTTP. Touches its folder and loopback.
"""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx

from monitor.assessment.ground import Deadline
from monitor.fleet import Fleet, load_fleet
from monitor.limits_file import Limits, load_limits
from monitor.visits import load_visits
from tests import asking
from tests.brokers import free_port
from tests.waiting import wait_until

ROOT = Path(__file__).parents[2]
START_S = 60.0  # the machine may be busy with all else at once
SERVE = ("-c", "from monitor.commands.cli import main; main()", "serve")


class Program:
    """One `stillready serve`. `kill` is SIGKILL; `start` after it goes on with the same data."""

    def __init__(
        self,
        folder: Path,
        broker_url: str,
        *,
        fleet: str,
        limits: str,
        settings: str = "",
        secrets: dict[str, str] | None = None,
    ) -> None:
        """
        Args:
            fleet, limits, settings: texts of the files. secrets: environment variables.
        """
        folder.mkdir(parents=True, exist_ok=True)
        self.data = folder / "data"
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = folder / "serve.log"
        self.fleet_file, self.limits_file = folder / "fleet.toml", folder / "limits.toml"
        settings_file = folder / "settings.toml"
        self.fleet_file.write_text(fleet)
        self.limits_file.write_text(limits)
        settings_file.write_text(settings)
        self.words = (
            *("--fleet", self.fleet_file, "--data", self.data, "--broker", broker_url),
            *("--listen", f"127.0.0.1:{self.port}", "--limits", self.limits_file, "--settings", settings_file),
        )
        self._environment = {**os.environ, **(secrets or {}), "PYTHONPATH": str(ROOT)}
        self.process: subprocess.Popen[bytes] | None = None

    # --- what its files say, as the program itself reads them ---

    @property
    def fleet(self) -> Fleet:
        return load_fleet(self.fleet_file)

    @property
    def limits(self) -> Limits:
        return load_limits(self.limits_file, self.fleet)

    @property
    def deadline(self) -> Deadline:
        return load_visits(self.fleet).deadline

    # --- its life ---

    def exec(self, before: Sequence[str] = SERVE) -> None:
        """Begin, and do not wait. before: the words in front of the options."""
        assert self.process is None, "it runs"
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, *before, *map(str, self.words)],
                stdout=log,
                stderr=log,
                env=self._environment,
                cwd=ROOT,
            )

    def start(self) -> None:
        """Begin, and return once it says that it is ready: caught up, connected, subscribed."""
        self.exec()
        wait_until(self.is_ready, f"a program that is ready; {self.last_words()}", deadline_s=START_S)

    def is_ready(self) -> bool:
        """Whether /health/ready says so."""
        self.assert_alive()
        try:
            return asking.get(f"{self.url}/health/ready", timeout=5.0).status_code == 200
        except httpx.TransportError:
            return False

    def assert_alive(self) -> None:
        """Fail with its last words where it ended by itself."""
        assert self.process is not None, "it was not started"
        assert self.process.poll() is None, f"it ended with {self.process.returncode}: {self.last_words()}"

    def kill(self) -> None:
        """As a power cut would end it."""
        assert self.process is not None, "it was not started"
        self.process.kill()
        self.ended()

    def ended(self) -> int:
        """Wait for its end; the exit code."""
        assert self.process is not None, "it was not started"
        code = self.process.wait(START_S)
        self.process = None
        return code

    def stop(self) -> None:
        """As an operator would end it."""
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            code = self.ended()
            assert code == 0, f"it ended with {code}: {self.last_words()}"

    # --- what it says ---

    def last_words(self) -> str:
        """The end of its log."""
        return self.log.read_text(errors="replace")[-3000:] if self.log.exists() else ""

    def get(self, path: str) -> dict[str, object]:
        """A JSON answer of its API."""
        answer: dict[str, object] = asking.get(f"{self.url}{path}", timeout=20.0).raise_for_status().json()
        return answer

    def metric(self, name: str) -> float:
        """The value of one of its metrics."""
        text = asking.get(f"{self.url}/metrics", timeout=20.0).raise_for_status().text
        return float(re.search(rf"^{name} (\S+)$", text, re.MULTILINE)[1])  # type: ignore[index]


@contextmanager
def program(folder: Path, broker_url: str, **texts: object) -> Iterator[Program]:
    """A program that is ended with its test, however that ends."""
    one = Program(folder, broker_url, **texts)  # type: ignore[arg-type]
    try:
        yield one
    finally:
        if one.process is not None:
            one.process.kill()
            one.process.wait(START_S)
