"""What a channel has to do: carry one call-out to one receiver, once, and say how it went.

In: a call-out. Out: how the try ended. A new channel is a module of its own with these two names, and its row where
the wiring builds the channels. May import: monitor.stores.protocols. Touches nothing itself.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from monitor.stores.protocols import CallOut

ERROR_MAX = 300  # characters of what a receiver answered that are kept: enough to act on, bounded whatever it sends


class Ending(Enum):
    """How a try ended."""

    DELIVERED = "delivered"  # the receiver took it over
    LATER = "later"  # not now; the same may work later
    NEVER = "never"  # refused for good: trying again would only annoy


@dataclass(frozen=True, slots=True)
class Tried:
    """The end of one try; error: why not, in words for whoever runs the program, "" where it was delivered."""

    ending: Ending
    error: str = ""


class Channel(Protocol):
    """Carries call-outs. Blocks, bounded by its own time-out; called from several threads at once."""

    def send(self, call_out: CallOut, at_ns: int) -> Tried:
        """Try once. at_ns: the present, for what a channel has to stamp. What can go wrong comes back, not up."""
