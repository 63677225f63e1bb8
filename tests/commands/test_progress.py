"""Progress: a line now and then in a log, a bar at a terminal, never on standard output."""

from io import StringIO

import pytest

from monitor.commands.progress import LINE_EACH_S, progress


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_a_log_gets_a_line_now_and_then():
    stream, now = StringIO(), [0.0]
    with progress("Replaying", "units", stream=stream, now_s=lambda: now[0]) as told:
        for done in range(1, 101):
            now[0] += LINE_EACH_S / 40
            told(done, 100)
    assert stream.getvalue().splitlines() == ["Replaying: 40 of 100 units", "Replaying: 80 of 100 units"]


def test_a_quick_command_writes_nothing_into_a_log():
    stream = StringIO()
    with progress("Replaying", "units", stream=stream, now_s=lambda: 0.0) as told:
        told(1, 1)
    assert stream.getvalue() == ""


def test_a_terminal_gets_a_bar_and_standard_output_nothing(capsys: pytest.CaptureFixture[str]):
    stream = Terminal()
    with progress("Replaying", "units", stream=stream) as told:
        told(3, 4)
        told(4, 4)
    assert "Replaying" in stream.getvalue()
    assert capsys.readouterr() == ("", "")
