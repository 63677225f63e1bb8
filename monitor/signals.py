"""The signals a unit can report: name, symbol of measure, plausible range.

The contract's table as data, and three of our own that the program itself writes beside the readings, so that a replay
of the history knows what live running knew. Imports nothing of ours, touches nothing.
"""

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal.

    name: the contract's identifier. symbol: unit of measure, RFC 8428, "/" for a switch (0 or 1).
    plausible_least, plausible_greatest: outside it a reading is set aside, in the symbol; battery per 12 V block.
    needed: one of the four without which a unit is not watched. per_block: the range counts per 12 V block.
    internal: written by the program, refused at the doors.
    """

    name: str
    symbol: str
    plausible_least: float = -inf
    plausible_greatest: float = inf
    needed: bool = False
    per_block: bool = False
    internal: bool = False

    @property
    def is_switch(self) -> bool:
        """Whether only 0 and 1 are values."""
        return self.symbol == "/"


# Ranges: shared trade table, row "plausible only" (common practice): ambient -50..55, jacket -50..130 Cel, barometer
# 60..108 kPa abs, block 0..18 V. The others are our own, wide on purpose: they catch a wrong symbol, not a fault.
SIGNALS: tuple[Signal, ...] = (
    Signal("jacket_water_temperature", "Cel", -50.0, 130.0, needed=True),
    Signal("battery_voltage", "V", 0.0, 18.0, needed=True, per_block=True),
    Signal("gas_pressure", "Pa", -50_000.0, 700_000.0, needed=True),
    Signal("enclosure_temperature", "Cel", -50.0, 100.0, needed=True),
    Signal("ambient_temperature", "Cel", -50.0, 55.0),
    Signal("atmospheric_pressure", "Pa", 60_000.0, 108_000.0),
    Signal("gas_supply_pressure", "Pa", -50_000.0, 1_000_000.0),
    Signal("charger_current", "A", -50.0, 500.0),
    Signal("engine_speed", "1/min", 0.0, 6_000.0),
    Signal("engine_running", "/", 0.0, 1.0),
    Signal("generator_power", "W", -1e6, 1e7),
    Signal("control_in_auto", "/", 0.0, 1.0),
    Signal("coolant_level_low", "/", 0.0, 1.0),
    # Internal, one row a unit each; they travel with the history so that a replay sees what live running saw:
    Signal("link_online", "/", 0.0, 1.0, internal=True),  # the gateway's link state, at its time of arrival
    Signal("listening_again", "s", 0.0, inf, internal=True),  # at a start: how long the program could not listen before
    Signal("clock_ahead", "s", internal=True),  # a message carried stamps this far in the future, which were set aside
)

NAMES: tuple[str, ...] = tuple(signal.name for signal in SIGNALS)
BY_NAME: dict[str, Signal] = {signal.name: signal for signal in SIGNALS}
NEEDED: tuple[str, ...] = tuple(signal.name for signal in SIGNALS if signal.needed)
INTERNAL: frozenset[str] = frozenset(signal.name for signal in SIGNALS if signal.internal)
