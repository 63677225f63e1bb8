"""Which open condition explains which other one: suppression by design (ISA-18.2), as data in one place.

In: conditions that stand at one unit. Out: who explains whom, and which alarms are one story for whoever is called.
Pure. May import: monitor.alarms.lifecycle.

A limit is the last line: it says that a value went too far, not why. Once a cause is open that explains it, its alarm
is suppressed and lends the cause its urgency, so that one fault makes one call-out.
"""

from collections.abc import Collection, Iterable, Mapping
from types import MappingProxyType

from monitor.alarms.lifecycle import Alarm

EXPLAINED_BY: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {  # the causes in the order in which they are taken where several are open
        "low_water_temperature": ("heater_failed", "heater_weak", "coolant_circulation_restricted"),
        "high_water_temperature": ("heater_stuck_on", "coolant_circulation_restricted"),
        "low_battery_voltage": ("charger_failed", "charger_weak", "battery_weak"),
        "high_battery_voltage": ("battery_overcharged",),
        "low_cranking_voltage": ("battery_weak", "charger_failed"),
    }
)
CAUSES = frozenset(cause for causes in EXPLAINED_BY.values() for cause in causes)
NO_AC_SUPPLY = "no_ac_supply"
"""The finer name under heater_failed and charger_failed: one breaker feeds both (contract)."""
SUPPLIED = frozenset(("heater_failed", "charger_failed"))
TELLING = CAUSES | SUPPLIED
"""Conditions that may tell the story of another one."""
TOLD_BY_ANOTHER = frozenset(EXPLAINED_BY) | SUPPLIED
"""Conditions whose story another one may tell."""


def explaining(condition: str, standing: Collection[str]) -> str:
    """The open cause that a condition is explained by; "" where none is."""
    return next((cause for cause in EXPLAINED_BY.get(condition, ()) if cause in standing), "")


def explained(cause: str, standing: Collection[str]) -> list[str]:
    """Open conditions that a cause explains, and no other cause before it."""
    return [
        condition for condition in EXPLAINED_BY if condition in standing and explaining(condition, standing) == cause
    ]


def without_supply(alarm: Alarm) -> bool:
    """Whether the unit's missing AC supply is the first cause of an alarm."""
    causes = alarm.said.causes
    return alarm.condition in SUPPLIED and bool(causes) and causes[0].cause.endswith(f"/{NO_AC_SUPPLY}")


def kin(alarm: Alarm, others: Iterable[Alarm]) -> list[Alarm]:
    """Alarms of the same unit that tell the same story as an alarm of a cause, and stood at a time with it.

    Those it explains; and of the two without AC supply the other one. Whoever was called for one of them is not called
    for the others at the same urgency.

    Args:
        others: of any units; the alarm itself may be among them.
    """
    return [
        other
        for other in others
        if other.unit == alarm.unit
        and other.id != alarm.id
        and (alarm.condition in EXPLAINED_BY.get(other.condition, ()) or _both_without_supply(alarm, other))
        and (other.cleared_at_ns is None or other.cleared_at_ns >= alarm.raised_at_ns)
        and (alarm.cleared_at_ns is None or alarm.cleared_at_ns >= other.raised_at_ns)
    ]


def _both_without_supply(alarm: Alarm, other: Alarm) -> bool:
    return alarm.condition != other.condition and without_supply(alarm) and without_supply(other)
