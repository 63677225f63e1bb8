"""A TOML file at a door: what stands there against what was expected, every fault in one go.

In: the text of a TOML file a person wrote. Out: checked values, and a list of sentences that each name the place, what
is there, what was expected and what to do. May import: tomllib. Touches nothing but the file it is given.
"""

import tomllib
from collections.abc import Collection, Iterator, Mapping
from difflib import get_close_matches
from math import isfinite

TEXT_CHARACTERS_MAX = 2_000  # no name or note is longer; a whole file pasted into one by mistake is


class FileFaults(ValueError):
    """A file that cannot be used; faults: every sentence, in the order of the file."""

    def __init__(self, faults: Collection[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


def did_you_mean(name: str, known: Collection[str]) -> str:
    """' Did you mean "x"?' where something known looks like it, else a list of what is known where that is short."""
    close = get_close_matches(name, known, 1, 0.6) or get_close_matches(name.lower(), known, 1, 0.6)
    if close:
        return f' Did you mean "{close[0]}"?'
    if 0 < len(known) <= 12:
        return f" Known: {', '.join(known)}."
    return ""


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


def content_of(text: str, file: str) -> dict[str, object]:
    """The tables of a TOML text.

    Args:
        text: as the file has it.
        file: its name, for the sentence.
    Raises:
        FileFaults: the text is no TOML; the sentence names line and column.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileFaults([f"{file} is not valid TOML: {error}. Mend that line first, nothing else was read."]) from None


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
            self.fault(f'{key} is "{value}", where one of {", ".join(choices)} was expected.{_meant(value, choices)}')
            return default
        return value

    def number(self, key: str, least: float, greatest: float) -> float | None:
        """A finite number within bounds; None where it is absent or wrong."""
        value = self.content.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            self.fault(f"{key} is {shown(value)}, where a number was expected. Write it without quotes: {key} = 1.5.")
            return None
        if not least <= value <= greatest:
            self.fault(f"{key} is {value:g}, which lies outside {least:g} to {greatest:g}. Correct it.")
            return None
        return float(value)

    def table(self, key: str, place: str) -> "Table":
        """A table inside; empty where it is absent or something else."""
        value = self.content.get(key, {})
        if not isinstance(value, Mapping):
            self.fault(f"{key} is {shown(value)}, where a table was expected. Write it as {place}.")
            value = {}
        return Table(f"{self.place.partition(',')[0]}, {place}", value, self.faults)

    def tables(self, key: str) -> Iterator[tuple[str, "Table"]]:
        """The named tables under a key: [key.NAME]."""
        for name in self.table(key, f"[{key}.NAME]").content:
            yield name, Table(self.place, self.table(key, "").content, self.faults).table(name, f"[{key}.{name}]")

    def texts(self, key: str) -> dict[str, str]:
        """An inline table of texts; numbers are taken as they are written."""
        inner = self.content.get(key, {})
        if not isinstance(inner, Mapping):
            self.fault(f'{key} is {shown(inner)}, where a table was expected: {key} = {{ heater = "1.5 kW" }}.')
            return {}
        found: dict[str, str] = {}
        for name, value in inner.items():
            if isinstance(value, str | int | float) and not isinstance(value, bool):
                found[name] = str(value)[:TEXT_CHARACTERS_MAX]
            else:
                self.fault(f"{key}.{name} is {shown(value)}, where a text was expected. Put it into quotes.")
        return found

    def rows(self, key: str, example: str) -> list["Table"]:
        """A list of tables, as [[key]] or inline."""
        value = self.content.get(key, [])
        if not isinstance(value, list) or not all(isinstance(row, Mapping) for row in value):
            self.fault(f"{key} is no list of tables. Write it as {example}.")
            return []
        return [Table(f"{self.place}, {key} {number}", row, self.faults) for number, row in enumerate(value, start=1)]


def _meant(value: str, choices: Collection[str]) -> str:
    close = get_close_matches(value.lower().replace("-", "_").replace(" ", "_"), choices, 1, 0.6)
    return f' Did you mean "{close[0]}"?' if close else ""
