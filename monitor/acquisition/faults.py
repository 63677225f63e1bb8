"""Faults: what is wrong with a message or one part of it, in words, before it is known where that will be kept.

In: things that could not be read. Out: an exception that carries kind and sentence, a frozen fault with its place, and
short words for any outside value. May import: monitor.acquisition.quarantine. Touches nothing.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches

from monitor.acquisition.quarantine import Reason

TEXT_SHOWN_MAX = 48  # characters of an outside text that an error quotes: enough to find it, too few to flood a page
INTEGER_BITS_SHOWN_MAX = 64  # longer ones are told by their size: writing out a hostile one costs seconds


class Unreadable(Exception):
    """Something cannot be read; the text says what is there, what was expected and what to do."""

    def __init__(self, text: str, reason: Reason = Reason.UNREADABLE) -> None:
        super().__init__(text)
        self.reason = reason


class FromTheFuture(Unreadable):
    """A stamp later than its arrival, beyond the tolerance. ahead_ns: by how much."""

    def __init__(self, text: str, *, ahead_ns: int) -> None:
        super().__init__(text, Reason.FUTURE)
        self.ahead_ns = ahead_ns


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that could not be read. place: where in the message ("record 2", "message")."""

    place: str
    reason: Reason
    text: str


LENGTH_APART_MAX = (
    4  # letters by which a typing mistake changes a name; comparing all names costs a hostile 0.1 ms each
)
FAULTS_PER_MESSAGE_MAX = 16  # told one by one; who mends the first few has mended the rest
MESSAGE = "message"  # the place of a fault that spoils the whole message


class FaultsTold:
    """Faults of one message: the first are told one by one, the rest as one, so that no flood fills the quarantine."""

    def __init__(self) -> None:
        self._told: list[Fault] = []
        self._more = 0
        self._last: Fault | None = None

    @property
    def is_full(self) -> bool:
        """Whether further ones are only counted: no need to word them well."""
        return len(self._told) >= FAULTS_PER_MESSAGE_MAX

    def add(self, fault: Fault) -> None:
        """Tell or count one more."""
        if self.is_full:
            self._more += 1
            self._last = fault
        else:
            self._told.append(fault)

    def faults(self) -> list[Fault]:
        """What is told: at most FAULTS_PER_MESSAGE_MAX and one more."""
        if self._last is None:
            return self._told
        text = f"{self._more} more could not be read; the last, {self._last.place}: {self._last.text}"
        return [*self._told, Fault("further records", self._last.reason, text)]


def quoted(text: str) -> str:
    """A text from outside in quotes, ASCII only (a lone surrogate would break a database later), cut."""
    shown = json.dumps(text[:TEXT_SHOWN_MAX])
    return shown if len(text) <= TEXT_SHOWN_MAX else f"{shown} (cut)"


def described(thing: object) -> str:
    """Any value from outside in a few words; safe for hostile ones (endless, cyclic, astronomically large)."""
    if thing is None:
        return "null"
    if isinstance(thing, bool):
        return "true" if thing else "false"
    if isinstance(thing, int):
        bits = thing.bit_length()
        return str(thing) if bits <= INTEGER_BITS_SHOWN_MAX else f"an integer of {bits} bits"
    if isinstance(thing, float):
        return repr(thing)
    if isinstance(thing, str):
        return quoted(thing)
    if isinstance(thing, Decimal):
        return "a decimal fraction"
    kinds = ((list, "an array"), (dict, "an object"), (bytes, "a byte string"))
    return next((words for kind, words in kinds if isinstance(thing, kind)), "a value of another type")


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """' Did you mean "…"?' where something near is known, else nothing."""
    near_in_length = [one for one in known if abs(len(one) - len(name)) <= LENGTH_APART_MAX]
    near = get_close_matches(name[:TEXT_SHOWN_MAX], near_in_length, n=1)
    return f' Did you mean "{near[0]}"?' if near else ""
