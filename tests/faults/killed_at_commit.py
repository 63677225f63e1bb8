"""Runs `stillready` and kills it at its n-th commit: right before it, or right after. Not a test: a child of one.

    python -m tests.faults.killed_at_commit before 7 serve --fleet …

Counts commits that changed something, of all its databases together, from the begin of the process. What is ours runs
unchanged; only the connections of the standard library's sqlite3 are of a class that counts.
"""

import os
import signal
import sqlite3
import sys
from functools import partial
from threading import Lock
from typing import Any

_lock = Lock()
_left = 0
_when = ""


class Counting(sqlite3.Connection):
    """A connection whose commits are counted, and one of which is its last."""

    _changes_before = 0

    def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
        if sql != "COMMIT":
            return super().execute(sql, *parameters)
        last = self._is_last()
        done = super().execute(sql, *parameters)
        _end_if(last)
        return done

    def commit(self) -> None:
        last = self.in_transaction and self._is_last()
        super().commit()
        _end_if(last)

    def _is_last(self) -> bool:
        global _left
        changed, self._changes_before = self.total_changes != self._changes_before, self.total_changes
        if not changed:
            return False
        with _lock:
            _left -= 1
            last = _left == 0
        _end_if(last and _when == "before")
        return last


def _end_if(last: bool) -> None:
    if last:
        os.kill(os.getpid(), signal.SIGKILL)


def main() -> None:
    """Count, and run the command."""
    global _left, _when
    _when, _left = sys.argv[1], int(sys.argv[2])
    del sys.argv[1:3]
    connect = partial(sqlite3.connect, factory=Counting)
    sqlite3.connect = connect  # type: ignore[assignment]
    sqlite3.dbapi2.connect = connect  # type: ignore[assignment]
    from monitor.commands.cli import main as stillready

    stillready()


if __name__ == "__main__":
    main()
