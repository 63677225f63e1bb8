"""Waiting for what other threads and processes do: for a condition, with a deadline, never for a time."""

from collections.abc import Callable
from threading import Event
from time import monotonic

DEADLINE_S = 20.0  # a test that gets here fails; a healthy machine needs a hundredth
LOOK_S = 0.005


def wait_until(
    condition: Callable[[], object], what: str | Callable[[], str], *, deadline_s: float = DEADLINE_S
) -> None:
    """Return once the condition holds; fail with what was waited for when the deadline has passed.

    what: in words, or a function that words it then, to say how far it got.
    """
    end = monotonic() + deadline_s
    never = Event()
    while not condition():
        if monotonic() >= end:
            raise AssertionError(f"waited {deadline_s} s for: {what if isinstance(what, str) else what()}")
        never.wait(LOOK_S)
