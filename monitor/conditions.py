"""The conditions a unit can be in, as the contract names them, each in its group.

Data only: imports nothing of ours, touches nothing. Whoever adds a condition adds its row here, and monitor/advice.toml
then refuses to load until it says what to do about it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType


class Group(StrEnum):
    """Which part of a unit a condition belongs to; the value is how people read it."""

    JACKET_WATER = "jacket water"
    BATTERY = "battery and charger"
    GAS = "gas"
    ENCLOSURE = "enclosure"
    STARTING = "starting"
    TELEMETRY = "telemetry"
    LEARNED = "learned"


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that can be wrong with a unit: the contract's identifier and its group."""

    name: str
    group: Group


_NAMES_BY_GROUP: Mapping[Group, tuple[str, ...]] = MappingProxyType(
    {
        Group.JACKET_WATER: (
            "heater_failed",
            "heater_weak",
            "heater_stuck_on",
            "coolant_circulation_restricted",
            "low_water_temperature",
            "high_water_temperature",
            "low_coolant_level",
        ),
        Group.BATTERY: (
            "charger_failed",
            "charger_weak",
            "battery_weak",
            "battery_overcharged",
            "low_battery_voltage",
            "high_battery_voltage",
            "low_cranking_voltage",
        ),
        Group.GAS: ("vent_blocked", "regulator_creep", "gas_supply_low", "low_gas_pressure", "high_gas_pressure"),
        Group.ENCLOSURE: ("ventilation_restricted", "high_enclosure_temperature", "low_enclosure_temperature"),
        Group.STARTING: ("failed_to_start", "control_not_in_auto", "exercise_overdue"),
        Group.TELEMETRY: ("readings_missing", "sensor_suspect", "clock_wrong"),
        Group.LEARNED: ("unusual_behaviour",),
    }
)

CONDITIONS: tuple[Condition, ...] = tuple(
    Condition(name, group) for group, names in _NAMES_BY_GROUP.items() for name in names
)
NAMES: tuple[str, ...] = tuple(condition.name for condition in CONDITIONS)
BY_NAME: Mapping[str, Condition] = MappingProxyType({condition.name: condition for condition in CONDITIONS})
