"""Values as people see them: SI or US customary, with the right number of decimals and their symbol.

In: a signal and a value in its own symbol. Out: text. May import: monitor.signals. Touches nothing; inside the program
and at the API values stay in their symbols, only pages and messages are written through here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Literal

from monitor.signals import BY_NAME

System = Literal["si", "us"]
NO_BREAK = "\u00a0"  # between number and symbol: a line must not end there
MINUS = "\u2212"


@dataclass(frozen=True, slots=True)
class Scale:
    """How a value is shown: factor * value + offset, so many decimals, this symbol."""

    symbol: str
    factor: float = 1.0
    offset: float = 0.0
    decimals: int = 1


# Per symbol and system; then the signals that differ from their symbol's habit.
_INCH_WATER_PA = 249.08891  # the contract's inH2O
_INCH_MERCURY_PA = 3_386.389  # at 0 Cel, NIST SP 811
_PSI_PA = 6_894.757  # NIST SP 811
_PSI_FROM_PA = 13_000.0  # line pressures are spoken of in psi, appliance pressures in inches of water
PSI = Scale("psi", 1.0 / _PSI_PA, decimals=2)
BY_SYMBOL: Mapping[tuple[str, System], Scale] = {
    ("Cel", "si"): Scale("°C"),
    ("Cel", "us"): Scale("°F", 1.8, 32.0, 0),
    ("Pa", "si"): Scale("kPa", 0.001, decimals=2),
    ("Pa", "us"): Scale("in. water", 1.0 / _INCH_WATER_PA),
    ("V", "si"): Scale("V", decimals=2),
    ("A", "si"): Scale("A"),
    ("W", "si"): Scale("kW", 0.001),
    ("1/min", "si"): Scale("rpm", decimals=0),
    ("s", "si"): Scale("min", 1 / 60, decimals=0),
}
BY_SIGNAL: Mapping[tuple[str, System], Scale] = {
    ("atmospheric_pressure", "si"): Scale("kPa", 0.001, decimals=1),
    ("atmospheric_pressure", "us"): Scale("in. mercury", 1.0 / _INCH_MERCURY_PA, decimals=2),
    ("gas_supply_pressure", "us"): PSI,
}
# What a switch says in words, per signal: (0, 1).
SWITCH_WORDS: Mapping[str, tuple[str, str]] = {
    "engine_running": ("stopped", "running"),
    "control_in_auto": ("not in automatic", "in automatic"),
    "coolant_level_low": ("level in order", "level low"),
}


def scale(signal: str, symbol: str, system: System) -> Scale:
    """How values of a signal are shown; a symbol that the tables do not know is shown as it is."""
    for table_key in ((signal, system), (signal, "si")):
        if table_key in BY_SIGNAL and (table_key[1] == system or (symbol, system) not in BY_SYMBOL):
            return BY_SIGNAL[table_key]
    return BY_SYMBOL.get((symbol, system)) or BY_SYMBOL.get((symbol, "si")) or Scale(symbol, decimals=2)


def symbol_of(signal: str) -> str:
    """The contract's symbol of a signal; "" for one beyond its table."""
    known = BY_NAME.get(signal)
    return known.symbol if known else ""


def number(value: float, decimals: int) -> str:
    """A number with a true minus sign, never "-0.0"."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def shown(signal: str, symbol: str, value: float | None, system: System) -> str:
    """A value with its symbol, or the word of a switch; "unknown" where there is none."""
    if value is None or not isfinite(value):
        return "unknown"
    if symbol == "/":
        off, on = SWITCH_WORDS.get(signal, ("0", "1"))
        return on if value >= 0.5 else off
    how = scale(signal, symbol, system)
    if how is BY_SYMBOL["Pa", "us"] and abs(value) >= _PSI_FROM_PA:
        how = PSI
    return f"{number(how.factor * value + how.offset, how.decimals)}{NO_BREAK}{how.symbol}".rstrip(NO_BREAK)


def plain(text: str) -> str:
    """A shown value in the characters of plain text: ordinary space and minus."""
    return text.replace(NO_BREAK, " ").replace(MINUS, "-")


def signal_title(signal: str) -> str:
    """A signal's name as words: "Jacket water temperature"."""
    return signal.replace("_", " ").replace(".", " ").strip().capitalize()
