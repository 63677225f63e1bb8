"""What could not be read: set aside with its place, time and reason, never dropped in silence.

In: faults of the decoder, the collector, an import. Out: one frozen type that a store keeps. Touches nothing.
"""

from dataclasses import dataclass
from enum import StrEnum
from hashlib import blake2b


class Reason(StrEnum):
    """Kinds of things set aside, for counting and filtering; the sentence stands beside it."""

    UNREADABLE = "unreadable"  # no pack, no record, no number, wrong symbol
    IMPLAUSIBLE = "implausible"  # outside the signal's plausible range
    FUTURE = "future"  # stamped later than it arrived, beyond the tolerance
    UNKNOWN_UNIT = "unknown_unit"
    UNKNOWN_SIGNAL = "unknown_signal"
    WRONG_SITE = "wrong_site"
    RETAINED = "retained"  # retained by the broker, without absolute times
    CONFLICT = "conflict"  # another value for a reading that is kept already
    TOO_LARGE = "too_large"
    NAIVE_TIME = "naive_time"  # an imported time without an offset


@dataclass(frozen=True, slots=True)
class SetAside:
    """One thing set aside.

    source: topic, or file and row. place: where in it ("record 2"). text: what is wrong, what was expected, what to do.
    payload: the bytes as they came, cut to PAYLOAD_KEPT_MAX; content_type decides how they are read again.
    times: how often the very same came.
    """

    received_ns: int
    source: str
    place: str
    reason: Reason
    text: str
    payload: bytes = b""
    content_type: str = ""
    unit: str = ""
    times: int = 1

    @property
    def key(self) -> str:
        """The same source, place, reason and payload have the same key."""
        digest = blake2b(digest_size=16)
        for part in (self.source, self.place, self.reason.value, self.unit):
            digest.update(part.encode("utf-8", "surrogateescape") + b"\0")
        digest.update(self.payload)
        return digest.hexdigest()


PAYLOAD_KEPT_MAX = 65_536  # bytes; a whole pack of hundreds of records fits, a flood of large ones cannot fill a disk
