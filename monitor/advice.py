"""What to do about each condition: title, meaning, checks in order, what to bring, cautions.

In: advice.toml beside this file, or a site's own copy. Out: one frozen Advice, complete for every condition, or all
that is wrong with the file. May import: monitor.conditions, tomllib. Reads the one file it is given and nothing else.
"""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType

from monitor.conditions import CONDITIONS

OURS = Path(__file__).with_name("advice.toml")

# Bounds of what a message carries: a person reads it on a phone, and a push has to stay small.
LINES_MAX = 12  # of each list of one alarm, also after those of its causes were put before its own
TEXT_MAX = 400  # characters of one line
LIKELY = 0.3  # from this chance on a cause's own checks go first (our choice: a third is worth the first look)
LIKELY_MAX = 2  # causes whose checks go first: more would bury the condition's own
NONE_OF_THESE = "none_of_these"


class AdviceFaulty(ValueError):
    """The file cannot be used; faults: each its place and what to do."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True)
class Entry:
    """Advice on one condition. cautions: keys of the cautions table."""

    title: str
    means: str
    check: tuple[str, ...]
    bring: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CauseEntry:
    """Advice on a cause finer than a condition: its name for people, and what to check before all else."""

    title: str
    check: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advised:
    """What one alarm is advised: texts, in order, cautions spelt out."""

    title: str
    means: str
    check: tuple[str, ...]
    bring: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """The whole file. always: keys of the cautions that stand on every call-out."""

    conditions: Mapping[str, Entry]
    causes: Mapping[str, CauseEntry]
    cautions: Mapping[str, str]
    always: tuple[str, ...]

    def cause_title(self, cause: str) -> str:
        """A cause in words: as the file has it, else from its identifier."""
        if cause in self.causes:
            return self.causes[cause].title
        if cause in self.conditions:
            return self.conditions[cause].title
        return ": ".join(part.replace("_", " ") for part in cause.split("/"))

    def advised(self, condition: str, causes: Iterable[tuple[str, float]] = ()) -> Advised:
        """What to do about an alarm.

        Args:
            condition: one of the contract's.
            causes: ranked, with their chances, 0..1; the checks of the likely ones go before the condition's own.
        """
        entry = self.conditions[condition]
        likely = [cause for cause, chance in causes if chance >= LIKELY and cause not in (condition, NONE_OF_THESE)]
        check: list[str] = []
        bring: list[str] = []
        cautions: list[str] = []
        for cause in likely[:LIKELY_MAX]:
            if cause in self.causes:
                check += self.causes[cause].check
            parent = self.conditions.get(cause.partition("/")[0])
            if parent is not None and parent is not entry:
                check += parent.check
                bring += parent.bring
                cautions += parent.cautions
        keys = _once([*self.always, *entry.cautions, *cautions])[:LINES_MAX]
        return Advised(
            title=entry.title,
            means=entry.means,
            check=_once([*check, *entry.check])[:LINES_MAX],
            bring=_once([*entry.bring, *bring])[:LINES_MAX],
            cautions=tuple(self.cautions[key] for key in keys),
        )


def load_advice(path: Path | None = None) -> Advice:
    """The advice of a file, checked to be complete.

    Args:
        path: a site's own copy; None: the one that comes with the program.
    Raises:
        AdviceFaulty: all that is wrong with it.
    """
    path = path or OURS
    try:
        return parse_advice(path.read_text("utf-8"), path.name)
    except OSError as reason:
        raise AdviceFaulty(
            [f"{path.name}: cannot be read ({reason.strerror}). Check the path and its rights."]
        ) from None
    except UnicodeDecodeError:
        raise AdviceFaulty([f"{path.name}: is not UTF-8 text. Save it as UTF-8."]) from None


def parse_advice(text: str, name: str = "advice.toml") -> Advice:
    """As load_advice, from the text itself; name stands in the errors."""
    try:
        file = tomllib.loads(text)
    except tomllib.TOMLDecodeError as reason:
        raise AdviceFaulty([f"{name}: {reason}. Mend the line named."]) from None
    reader = _Reader(name)
    reader.known(file, "", ("always", "cautions", "causes", "conditions"))
    cautions = {key: reader.text(value, f"[cautions] {key}") for key, value in reader.table(file, "cautions").items()}
    always = reader.caution_keys(file, "always", "", cautions)
    causes = {
        cause: reader.cause(value, f'[causes."{cause}"]') for cause, value in reader.table(file, "causes").items()
    }
    tables = reader.table(file, "conditions")
    for unknown in tables.keys() - set(CONDITIONS):
        near = get_close_matches(unknown, CONDITIONS, 1)
        hint = f'Did you mean "{near[0]}"?' if near else "Remove it."
        reader.fault(f"[conditions.{unknown}]", f"there is no such condition. {hint}")
    conditions: dict[str, Entry] = {}
    for condition in CONDITIONS:
        if condition in tables:
            conditions[condition] = reader.entry(tables[condition], f"[conditions.{condition}]", cautions)
        else:
            reader.fault(f"[conditions.{condition}]", "this table is missing. Copy it from the file that we deliver.")
    if reader.faults:
        raise AdviceFaulty(reader.faults)
    return Advice(MappingProxyType(conditions), MappingProxyType(causes), MappingProxyType(cautions), always)


class _Reader:
    """Takes values of the file out and collects what is wrong with them."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.faults: list[str] = []

    def fault(self, place: str, what: str) -> None:
        self.faults.append(f"{self.name}, {place}: {what}" if place else f"{self.name}: {what}")

    def known(self, table: Mapping[str, object], place: str, keys: Sequence[str]) -> None:
        for key in table:
            if key not in keys:
                self.fault(place, f'"{key}" means nothing here. Known are {", ".join(keys)}.')

    def table(self, parent: Mapping[str, object], key: str) -> Mapping[str, object]:
        value = parent.get(key, {})
        if isinstance(value, dict):
            return value
        self.fault(f"[{key}]", "must be a table.")
        return {}

    def text(self, value: object, place: str) -> str:
        if not isinstance(value, str) or not value.strip():
            self.fault(place, f"is {value!r}, expected a text that says something.")
            return ""
        if len(value) > TEXT_MAX or not value.isprintable():
            self.fault(place, f"must be one line of at most {TEXT_MAX} characters.")
        return value

    def texts(self, table: Mapping[str, object], key: str, place: str) -> tuple[str, ...]:
        value = table.get(key)
        if not isinstance(value, list) or not 0 < len(value) <= LINES_MAX:
            self.fault(place, f"{key} must be a list of 1 to {LINES_MAX} texts.")
            return ()
        return tuple(self.text(line, f"{place} {key}, line {number}") for number, line in enumerate(value, start=1))

    def caution_keys(
        self, table: Mapping[str, object], key: str, place: str, cautions: Mapping[str, str]
    ) -> tuple[str, ...]:
        keys = self.texts(table, key, place)
        for caution in keys:
            if caution and caution not in cautions:
                self.fault(place, f'{key} names "{caution}", which [cautions] does not have.')
        return keys

    def entry(self, value: object, place: str, cautions: Mapping[str, str]) -> Entry:
        table = value if isinstance(value, dict) else {}
        self.known(table, place, ("title", "means", "check", "bring", "cautions"))
        return Entry(
            title=self.text(table.get("title"), f"{place} title"),
            means=self.text(table.get("means"), f"{place} means"),
            check=self.texts(table, "check", place),
            bring=self.texts(table, "bring", place),
            cautions=self.caution_keys(table, "cautions", place, cautions),
        )

    def cause(self, value: object, place: str) -> CauseEntry:
        table = value if isinstance(value, dict) else {}
        self.known(table, place, ("title", "check"))
        return CauseEntry(self.text(table.get("title"), f"{place} title"), self.texts(table, "check", place))


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    """Each text once, where it first stands."""
    return tuple(dict.fromkeys(texts))
