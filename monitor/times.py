"""Time: the one form it has inside, and its ways in and out.

In: RFC 3339 texts and aware datetimes at the doors. Out: int nanoseconds since 1970-01-01T00:00:00Z, UTC, everywhere
inside. Touches nothing: nobody here asks what time it is; a clock is handed in by the wiring.
"""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], int]
"""Gives the present, ns since 1970 UTC. Only the wiring (serve, commands) makes one from the machine's clock."""

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS


def to_rfc3339(time_ns: int) -> str:
    """RFC 3339 text in UTC with Z; as many decimals (0, 3, 6 or 9) as the time needs."""
    seconds, rest_ns = divmod(time_ns, SECOND_NS)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    if rest_ns:
        digits = f"{rest_ns:09d}"
        for keep in (3, 6, 9):
            if not digits[keep:].strip("0"):
                return f"{text}.{digits[:keep]}Z"
    return f"{text}Z"


def from_rfc3339(text: str) -> int:
    """Nanoseconds of an RFC 3339 text with an offset.

    Raises:
        ValueError: the text is no time, or has no offset (a naive time is refused, never guessed).
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f'"{text}" is no time. Write it as 2026-01-31T08:00:00Z.') from None
    if moment.tzinfo is None:
        raise ValueError(f'"{text}" does not say its offset. Add Z for UTC, or one like -07:00.')
    fraction = text.partition(".")[2]
    digits = ""
    for character in fraction:  # datetime keeps microseconds only; ours are nanoseconds
        if not character.isdigit():
            break
        digits += character
    whole_ns = from_datetime(moment.replace(microsecond=0))
    return whole_ns + int(digits[:9].ljust(9, "0") or 0)


def from_datetime(moment: datetime) -> int:
    """Nanoseconds of an aware datetime. Raises ValueError for a naive one."""
    if moment.tzinfo is None:
        raise ValueError("A time without a zone cannot be placed. Give it one.")
    since = moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * SECOND_NS + since.microseconds * 1_000


def to_datetime(time_ns: int) -> datetime:
    """Aware datetime in UTC, cut to microseconds."""
    seconds, rest_ns = divmod(time_ns, SECOND_NS)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=rest_ns // 1_000)
