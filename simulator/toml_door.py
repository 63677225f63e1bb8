"""A scenario file at the door: what stands there against what was expected, every fault in one go.

In: tables of a TOML file a person wrote. Out: checked values, and sentences that each name the place, what is there,
what was expected and what to do. May import: the standard library. Touches nothing.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, date, datetime
from difflib import get_close_matches
from math import isfinite

SECOND_NS = 1_000_000_000
SECONDS_OF = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
DURATION = re.compile(r"(\d+(?:\.\d+)?) ?(s|min|h|d)")
NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")
TEXT_CHARACTERS_MAX = 2_000


class ScenarioFaults(ValueError):
    """A scenario that cannot be played; faults: every sentence, in the order of the file."""

    def __init__(self, faults: Collection[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


def did_you_mean(name: str, known: Collection[str]) -> str:
    """' Did you mean "x"?' where something known looks like it, else what is known where that is short."""
    plain = {one.replace("_", "-").lower(): one for one in known}
    close = get_close_matches(name.replace("_", "-").replace(" ", "-").lower(), plain, 1, 0.6)
    if close:
        return f' Did you mean "{plain[close[0]]}"?'
    return f" Known: {', '.join(known)}." if 0 < len(known) <= 30 else ""


def shown(value: object) -> str:
    """A value as the file would have it, cut where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 80 else f"{text[:77]}…"


class Table:
    """One table of the file. Each reading method gives the value or the default, and notes a fault where it must."""

    def __init__(self, place: str, content: Mapping[str, object], faults: list[str]) -> None:
        self.place = place
        self.content = content
        self.faults = faults

    def __contains__(self, key: str) -> bool:
        return key in self.content

    def fault(self, sentence: str) -> None:
        """Note what is wrong in this table."""
        self.faults.append(f"{self.place}: {sentence}")

    def only(self, known: Collection[str]) -> None:
        """Note each key that is not among the known ones."""
        for key in self.content:
            if key not in known:
                self.fault(f"{key} is not known here.{did_you_mean(key, known)}")

    def text(self, key: str, default: str = "") -> str:
        """A text, without the blanks around it."""
        value = self.content.get(key, default)
        if not isinstance(value, str):
            self.fault(f'{key} is {shown(value)}, where a text was expected. Put it into quotes: {key} = "…".')
            return default
        if len(value) > TEXT_CHARACTERS_MAX:
            self.fault(f"{key} has {len(value)} characters, at most {TEXT_CHARACTERS_MAX} are kept. Shorten it.")
            return default
        return value.strip()

    def choice(self, key: str, choices: Collection[str], default: str) -> str:
        """One of a few words."""
        value = self.text(key, default)
        if value not in choices:
            self.fault(
                f'{key} is "{value}", where one of {", ".join(choices)} was expected.'
                f"{did_you_mean(value, choices) if len(value) > 1 else ''}"
                if len(choices) <= 12
                else f'{key} is "{value}", which is none of those that there are.{did_you_mean(value, choices)}'
            )
            return default
        return value

    def number(self, key: str, default: float, least: float, greatest: float) -> float:
        """A finite number within bounds."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            self.fault(f"{key} is {shown(value)}, where a number was expected. Write it without quotes: {key} = 1.5.")
            return default
        if not least <= value <= greatest:
            self.fault(f"{key} is {value:g}, which lies outside {least:g} to {greatest:g}. Correct it.")
            return default
        return float(value)

    def whole(self, key: str, default: int, least: int, greatest: int) -> int:
        """A whole number within bounds."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int):
            self.fault(f"{key} is {shown(value)}, where a whole number was expected. Write it as {key} = {default}.")
            return default
        return int(self.number(key, default, least, greatest))

    def yes(self, key: str, default: bool) -> bool:
        """true or false."""
        value = self.content.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{key} is {shown(value)}, where true or false was expected, without quotes.")
            return default
        return value

    def duration_s(self, key: str, default: float) -> float:
        """A length of time, s, written like "15 min", "6 h" or "5 d"."""
        value = self.content.get(key)
        if value is None:
            return default
        found = _duration_s(value)
        if found is None:
            self.fault(f'{key} is {shown(value)}, where a length of time was expected: "30 s", "15 min", "6 h", "5 d".')
            return default
        return found

    def durations_s(self, key: str, default: tuple[float, float]) -> tuple[float, float]:
        """Two lengths of time, the least and the most, s."""
        value = self.content.get(key)
        if value is None:
            return default
        both = [_duration_s(one) for one in value] if isinstance(value, list) else []
        if len(both) != 2 or both[0] is None or both[1] is None or both[0] > both[1]:
            self.fault(f'{key} is {shown(value)}, where the least and the most were expected: {key} = ["2 d", "9 d"].')
            return default
        return both[0], both[1]

    def time_ns(self, key: str, *, begin_ns: int | None = None) -> int | None:
        """A moment, ns UTC: a TOML time with an offset, a date (its first moment, UTC), or a duration after begin_ns.

        Returns: None where it is absent or wrong.
        """
        value = self.content.get(key)
        after = '"12 d" after the beginning, ' if begin_ns is not None else ""
        if value is None:
            return None
        if isinstance(value, datetime):
            if value.tzinfo is None:
                self.fault(f"{key} is {value.isoformat()}, which does not say its offset. Add Z for UTC, or -07:00.")
                return None
            since = value - datetime(1970, 1, 1, tzinfo=UTC)
            return (since.days * 86_400 + since.seconds) * SECOND_NS
        if isinstance(value, date):
            return (value - date(1970, 1, 1)).days * 86_400 * SECOND_NS
        found = _duration_s(value) if begin_ns is not None else None
        if found is None:
            self.fault(
                f"{key} is {shown(value)}, where a time was expected: {after}2026-01-31 or 2026-01-31T08:00:00Z."
            )
            return None
        return (begin_ns or 0) + int(found) * SECOND_NS

    def texts(self, key: str) -> dict[str, str]:
        """An inline table of texts."""
        inner = self.content.get(key, {})
        if not isinstance(inner, Mapping) or not all(isinstance(value, str) for value in inner.values()):
            self.fault(
                f'{key} is {shown(inner)}, where a table of texts was expected: {key} = {{ heater = "1.5 kW" }}.'
            )
            return {}
        return dict(inner)

    def table(self, key: str) -> "Table":
        """A table inside; empty where it is absent or something else."""
        value = self.content.get(key, {})
        place = f"{self.place}, [{key}]"
        if not isinstance(value, Mapping):
            self.fault(f"{key} is {shown(value)}, where a table was expected. Write it as [{key}].")
            value = {}
        return Table(place, value, self.faults)

    def tables(self, key: str) -> Iterator[tuple[str, "Table"]]:
        """The named tables under a key: [key.NAME]. A name that is none, or is no table, is noted."""
        for name, value in self.table(key).content.items():
            place = f"{self.place}, [{key}.{name}]"
            if not NAME.fullmatch(name):
                self.faults.append(f'{place}: "{name}" cannot be a name. Use a-z, 0-9, ".", "_" and "-", at most 64.')
            if not isinstance(value, Mapping):
                self.fault(f"{key}.{name} is {shown(value)}, where a table was expected. Write it as [{key}.{name}].")
                continue
            yield name, Table(place, value, self.faults)

    def rows(self, key: str) -> list["Table"]:
        """A list of tables, as [[key]]."""
        value = self.content.get(key, [])
        if not isinstance(value, list) or not all(isinstance(row, Mapping) for row in value):
            self.fault(f"{key} is {shown(value)}, where a list of tables was expected. Write each as [[{key}]].")
            return []
        return [Table(f"{self.place}, {key} {number}", row, self.faults) for number, row in enumerate(value, start=1)]


def _duration_s(value: object) -> float | None:
    found = DURATION.fullmatch(value.strip()) if isinstance(value, str) else None
    return float(found[1]) * SECONDS_OF[found[2]] if found else None
