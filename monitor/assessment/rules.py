"""From the limits file to rules: which bound on which signal makes which condition how urgent.

In: rows of the limits file for one unit. Out: frozen rules in the form in which the assessor applies them. Pure.
May import: models.limits, monitor.alarms, monitor.fleet, monitor.limits_file, monitor.signals.
"""

from dataclasses import dataclass

from models.limits import Bound
from monitor.alarms.lifecycle import Urgency
from monitor.fleet import Unit
from monitor.limits_file import LimitRow, Limits
from monitor.signals import BY_NAME, NAMES

URGENCY_OF_LEVEL = {
    "warning": Urgency.AT_VISIT,
    "limit": Urgency.BEFORE_VISIT,  # by forecast, before_visit while there is none
    "not_ready": Urgency.NOW,
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One limit as the assessor applies it.

    name: as the limits file says it, "gas_pressure.stopped.low_limit". signal: index into signals.NAMES.
    mode: "stopped", "running" or "any". bound: in the symbol, battery a 12 V block.
    """

    name: str
    signal: int
    mode: str
    bound: Bound
    level: str
    urgency: Urgency
    condition: str
    on_delay_ns: int
    off_delay_ns: int


def rules_of(limits: Limits, unit: Unit) -> tuple[Rule, ...]:
    """The rules of one unit: its limit rows, and the two switches that say 'not ready' by themselves."""
    rows = [_of_row(row) for row in limits.rows(unit.id) if _counts(row, unit)]
    return (*rows, *_switches(limits, unit.id))


def _counts(row: LimitRow, unit: Unit) -> bool:
    """Whether a row can be judged at a unit: without a heater that is always on, cool water is no fault of one.

    A seasonal heater leaves only the point at which the unit counts as not ready; without a heater whoever built
    the site has decided that the unit starts cold.
    """
    if (row.signal, row.side) != ("jacket_water_temperature", "low") or unit.jacket_heater == "always":
        return True
    return unit.jacket_heater == "seasonal" and row.level == "not_ready"


def _of_row(row: LimitRow) -> Rule:
    return Rule(
        name=f"{row.signal}.{row.mode}.{row.side}_{row.level}",
        signal=NAMES.index(row.signal),
        mode=row.mode,
        bound=Bound(row.side == "low", row.from_normal, row.times_normal, row.at, row.deadband),
        level=row.level,
        urgency=URGENCY_OF_LEVEL[row.level],
        condition=row.condition,
        on_delay_ns=row.on_delay_ns,
        off_delay_ns=row.off_delay_ns,
    )


def _switches(limits: Limits, unit: str) -> list[Rule]:
    """Control not in automatic, coolant low: switches whose one position is 'not ready' (contract)."""
    rules = []
    for condition, signal, low in (
        ("control_not_in_auto", "control_in_auto", True),
        ("low_coolant_level", "coolant_level_low", False),
    ):
        assert BY_NAME[signal].is_switch, "these two are switches"
        thresholds = limits.condition(unit, condition)
        rules.append(
            Rule(
                name=condition,
                signal=NAMES.index(signal),
                mode="any",
                bound=Bound(low, at=0.5),
                level="not_ready",
                urgency=Urgency.NOW,
                condition=condition,
                on_delay_ns=_ns(thresholds["on_delay"]),
                off_delay_ns=_ns(thresholds["off_delay"]),
            )
        )
    return rules


def _ns(value: object) -> int:
    assert isinstance(value, int), "the limits file's loader turns durations into ns"
    return value
