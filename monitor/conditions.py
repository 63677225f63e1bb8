"""The conditions: what can be wrong with a unit. The contract's table as data; the names are part of the API.

Imports nothing of ours, touches nothing. Whoever adds a condition adds its name here; monitor/advice.toml then refuses
to load until it says what to do about it.
"""

from collections.abc import Mapping
from types import MappingProxyType

GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "jacket water": (
            "heater_failed",
            "heater_weak",
            "heater_stuck_on",
            "coolant_circulation_restricted",
            "low_water_temperature",
            "high_water_temperature",
            "low_coolant_level",
        ),
        "battery and charger": (
            "charger_failed",
            "charger_weak",
            "battery_weak",
            "battery_overcharged",
            "low_battery_voltage",
            "high_battery_voltage",
            "low_cranking_voltage",
        ),
        "gas": ("vent_blocked", "regulator_creep", "gas_supply_low", "low_gas_pressure", "high_gas_pressure"),
        "enclosure": ("ventilation_restricted", "high_enclosure_temperature", "low_enclosure_temperature"),
        "starting": ("failed_to_start", "control_not_in_auto", "exercise_overdue"),
        "telemetry": ("readings_missing", "sensor_suspect", "clock_wrong"),
        "learned": ("unusual_behaviour",),
    }
)

CONDITIONS: tuple[str, ...] = tuple(condition for group in GROUPS.values() for condition in group)
GROUP_OF: Mapping[str, str] = MappingProxyType(
    {condition: group for group, conditions in GROUPS.items() for condition in conditions}
)
