"""Progress of a long command on standard error: a bar at a terminal, a line now and then in a log.

In: how much of how much is done. Out: nothing on standard output, which belongs to results. May import: rich. Touches
standard error and, to space the lines of a log, the machine's clock.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic
from typing import TextIO

Told = Callable[[int, int], None]
"""Told how much of how much is done; nothing is known of how much there is where the second is 0."""

LINE_EACH_S = 30.0  # in a log: seldom enough to stay readable, often enough to show life


@contextmanager
def progress(
    what: str, unit: str, *, stream: TextIO | None = None, now_s: Callable[[], float] = monotonic
) -> Iterator[Told]:
    """Show how far something is.

    Args:
        what: is under way ("Replaying"). unit: what is counted ("units").
        stream: None: standard error. now_s: the clock that spaces the lines of a log.
    """
    stream = sys.stderr if stream is None else stream
    if not stream.isatty():
        yield _lines(what, unit, stream, now_s)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TextColumn(unit))
    with Progress(*columns, TimeRemainingColumn(), console=Console(file=stream), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of or None)


def _lines(what: str, unit: str, stream: TextIO, now_s: Callable[[], float]) -> Told:
    last_s = now_s()

    def told(done: int, of: int) -> None:
        nonlocal last_s
        if now_s() - last_s >= LINE_EACH_S:
            last_s = now_s()
            print(f"{what}: {done:,} of {of:,} {unit}" if of else f"{what}: {done:,} {unit}", file=stream, flush=True)

    return told
