"""A scenario played piece by piece: what happens until a moment, what arrives by then, and where to go on from.

In: a scenario, moments one after the other. Out: days, or parts of days, with their readings; what to go on from. May
import: numpy, simulator. Touches nothing.
"""

from dataclasses import dataclass, replace

from simulator.reporting import Reporting, reporting_of
from simulator.scenario import Scenario
from simulator.telemetry import Readings, State, report
from simulator.world import Day, Memory, World


@dataclass(frozen=True, slots=True)
class Played:
    """A day, and the readings that arrive on it."""

    day: Day
    readings: Readings


@dataclass(frozen=True, slots=True)
class Kept:
    """All that a scenario goes on from: what the world remembers, and what sensors, gateways and links do."""

    world: Memory
    telemetry: State

    @property
    def at_ns(self) -> int:
        """The minute from which it goes on, ns UTC."""
        return self.world.at_ns


class Ongoing:
    """A scenario being played. The same pieces or others: the same readings."""

    def __init__(self, scenario: Scenario, kept: Kept | None = None) -> None:
        """
        Args:
            kept: of the same scenario, whose faults may be others from then on; None: at its beginning.
        """
        self.scenario = scenario
        self.how: Reporting = reporting_of(scenario)
        self._world = World(scenario, None if kept is None else kept.world)
        self._telemetry = None if kept is None else kept.telemetry

    @property
    def at_ns(self) -> int:
        """Until when it has been played, ns UTC."""
        return self._world.at_ns

    @property
    def kept(self) -> Kept:
        """What to go on from. Only once something has been played."""
        assert self._telemetry is not None, "there is nothing to keep before the first piece"
        return Kept(self._world.memory, self._telemetry)

    def until(self, to_ns: int, *, every_s: int | None = None) -> Played:
        """Play on.

        Args:
            to_ns: a whole minute. every_s: the rhythm in which all gateways read meanwhile; None: each in its own.
        Returns: what happens and arrives until then; what has not arrived comes with a later piece.
        """
        how = self.how if every_s is None else in_rhythm(self.how, every_s)
        day = self._world.day(self.at_ns, to_ns)
        reported = {signal: day.truth.values[signal] for signal in self.scenario.signals}
        truth = replace(day.truth, values=reported)
        readings, self._telemetry = report(how, self.scenario.faults, truth, self._telemetry)
        return Played(day, readings)


def in_rhythm(how: Reporting, every_s: int) -> Reporting:
    """The same gateways, all reading each so many seconds."""
    return replace(how, profiles=tuple(replace(profile, every_s=every_s) for profile in how.profiles))
