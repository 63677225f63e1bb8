"""The ground that every room of the assessment stands on: the fleet and its limits as arrays and rules.

In: fleet, limits, when visits are due. Out: one frozen object, made once. Pure.
May import: monitor.assessment.rules, monitor.fleet, monitor.limits_file, monitor.signals, monitor.times.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.assessment.rules import Rule, rules_of
from monitor.assessment.tracks import NEEDED_INDEX
from monitor.batch import Bool, Float64, Int64
from monitor.fleet import Fleet, Unit
from monitor.limits_file import Limits
from monitor.signals import INTERNAL, NAMES, NEEDED

WATER, BATTERY, GAS, ENCLOSURE = (NAMES.index(name) for name in NEEDED)
SPEED, RUNNING = NAMES.index("engine_speed"), NAMES.index("engine_running")
LINK, LISTENING, CLOCK = (NAMES.index(name) for name in ("link_online", "listening_again", "clock_ahead"))

Deadline = Callable[[str, int], tuple[int, bool]]
"""Deadline of a site's next visit after a moment, ns, and whether it is only assumed."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What does not change while an assessor lives.

    rules, rules_by_signal: per unit. switches, internal: bool [signal]; needed_of_signal: place among the four needed
    ones or -1, int [signal]. blocks: 12 V blocks, [unit]. silence_least_ns, gaps_usual, link_offline_ns, clock_off_ns:
    thresholds of readings_missing and clock_wrong, [unit].
    """

    fleet: Fleet
    units: tuple[Unit, ...]
    signals: int
    deadline: Deadline
    limits_version: int
    rules: tuple[tuple[Rule, ...], ...]
    rules_by_signal: tuple[dict[int, tuple[Rule, ...]], ...]
    switches: Bool
    internal: Bool
    needed_of_signal: Int64
    blocks: Float64
    silence_least_ns: Int64
    gaps_usual: Float64
    link_offline_ns: Int64
    clock_off_ns: Int64

    @classmethod
    def of(cls, fleet: Fleet, limits: Limits, deadline: Deadline, limits_version: int) -> "Ground":
        """The ground for a fleet under some limits."""
        units = tuple(fleet.units.values())
        needed_of_signal = np.full(len(fleet.signals), -1)
        needed_of_signal[list(NEEDED_INDEX)] = np.arange(len(NEEDED))
        rules = tuple(rules_of(limits, unit) for unit in units)
        missing = [limits.condition(unit.id, "readings_missing") for unit in units]
        clock = [limits.condition(unit.id, "clock_wrong") for unit in units]
        return cls(
            fleet=fleet,
            units=units,
            signals=len(fleet.signals),
            deadline=deadline,
            limits_version=limits_version,
            rules=rules,
            rules_by_signal=tuple(_by_signal(own) for own in rules),
            switches=np.array([signal.is_switch for signal in fleet.signals]),
            internal=np.array([signal.name in INTERNAL for signal in fleet.signals]),
            needed_of_signal=needed_of_signal,
            blocks=np.array([unit.blocks for unit in units], np.float64),
            silence_least_ns=np.array([table["least"] for table in missing], np.int64),
            gaps_usual=np.array([table["usual_gaps"] for table in missing], np.float64),
            link_offline_ns=np.array([table["link_offline"] for table in missing], np.int64),
            clock_off_ns=np.array([table["off_delay"] for table in clock], np.int64),
        )

    def judged_by(self, unit: int) -> list[str]:
        """All that the findings of one unit depend on beside its readings and visits, as texts to compare."""
        columns = (self.blocks, self.silence_least_ns, self.gaps_usual, self.link_offline_ns, self.clock_off_ns)
        return [*(repr(rule) for rule in self.rules[unit]), *(repr(column[unit].item()) for column in columns)]


def _by_signal(rules: tuple[Rule, ...]) -> dict[int, tuple[Rule, ...]]:
    signals = dict.fromkeys(rule.signal for rule in rules)
    return {signal: tuple(rule for rule in rules if rule.signal == signal) for signal in signals}
