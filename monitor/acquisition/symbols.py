"""Symbols of measure: what a gateway writes, turned into what the signal has.

In: a symbol as written, the signal's own symbol, a door. Out: how to convert a number. Imports nothing of ours,
touches nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum


@dataclass(frozen=True, slots=True)
class Conversion:
    """value = (number + before) * times / by.

    Three plain steps, not one factor: 27100 mV / 1000 is the very double 27.1, 27100 * 0.001 is not always.
    """

    before: float = 0.0
    times: float = 1.0
    by: float = 1.0

    def __call__(self, number: float) -> float:
        return (number + self.before) * self.times / self.by


class Door(Enum):
    """Where a symbol was written: SenML allows only what its registries hold, a mapping names more."""

    SENML = "SenML"
    MAPPING = "mapping"


SAME = Conversion()

# RFC 8798 section 3, table 2 (from memory): secondary symbol: (primary symbol, conversion).
SECONDARY: Mapping[str, tuple[str, Conversion]] = {
    "ms": ("s", Conversion(by=1000.0)),
    "min": ("s", Conversion(times=60.0)),
    "h": ("s", Conversion(times=3600.0)),
    "MHz": ("Hz", Conversion(times=1e6)),
    "kW": ("W", Conversion(times=1000.0)),
    "kVA": ("VA", Conversion(times=1000.0)),
    "kvar": ("var", Conversion(times=1000.0)),
    "Ah": ("C", Conversion(times=3600.0)),
    "Wh": ("J", Conversion(times=3600.0)),
    "kWh": ("J", Conversion(times=3_600_000.0)),
    "varh": ("vars", Conversion(times=3600.0)),
    "kvarh": ("vars", Conversion(times=3_600_000.0)),
    "kVAh": ("VAs", Conversion(times=3_600_000.0)),
    "Wh/km": ("J/m", Conversion(times=3.6)),
    "KiB": ("B", Conversion(times=1024.0)),
    "GB": ("B", Conversion(times=1e9)),
    "Mbit/s": ("bit/s", Conversion(times=1e6)),
    "B/s": ("bit/s", Conversion(times=8.0)),
    "MB/s": ("bit/s", Conversion(times=8e6)),
    "mV": ("V", Conversion(by=1000.0)),
    "mA": ("A", Conversion(by=1000.0)),
    "dBm": ("dBW", Conversion(before=-30.0)),
    "ug/m3": ("kg/m3", Conversion(by=1e9)),
    "mm/h": ("m/s", Conversion(by=3_600_000.0)),
    "m/h": ("m/s", Conversion(by=3600.0)),
    "ppm": ("/", Conversion(by=1e6)),
    "/100": ("/", Conversion(by=100.0)),
    "/1000": ("/", Conversion(by=1000.0)),
    "hPa": ("Pa", Conversion(times=100.0)),
    "mm": ("m", Conversion(by=1000.0)),
    "cm": ("m", Conversion(by=100.0)),
    "km": ("m", Conversion(times=1000.0)),
    "km/h": ("m/s", Conversion(by=3.6)),
    # RFC 8428 section 12.1, note 1: "%" is an older name of "/", an absolute ratio and no percentage.
    "%": ("/", SAME),
}

# What gateways count in that SenML has no name for; columns of water and mercury are conventional (1000 and
# 13595.1 kg/m3, standard gravity). Source: NIST SP 811 appendix B (from memory); the pound a square inch is exact.
BEYOND_SENML: Mapping[str, tuple[str, Conversion]] = {
    "degF": ("Cel", Conversion(before=-32.0, times=5.0, by=9.0)),
    "K": ("Cel", Conversion(before=-273.15)),
    "kPa": ("Pa", Conversion(times=1000.0)),
    "psi": ("Pa", Conversion(times=0.45359237 * 9.80665 / 0.0254**2)),
    "inH2O": ("Pa", Conversion(times=249.08891)),
    "inHg": ("Pa", Conversion(times=3386.388640341)),
}


def conversions(symbol: str, door: Door) -> dict[str, Conversion]:
    """Every symbol that may stand at a door for a signal in this one, with its conversion; the signal's own first."""
    known = {symbol: SAME}
    tables = (SECONDARY,) if door is Door.SENML else (SECONDARY, BEYOND_SENML)
    for table in tables:
        known |= {written: conversion for written, (primary, conversion) in table.items() if primary == symbol}
    return known
