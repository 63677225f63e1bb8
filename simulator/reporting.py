"""How each unit of a fleet reports: its gateway, its sensors, and by how much each of them is off.

In: ids, names of profiles. Out: numbers [unit]. May import: numpy, simulator. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64, Keys, even, keys
from simulator.gateways import GATEWAYS, SENSORS, SIGNALS, Gateway
from simulator.links import Links
from simulator.scenario import Scenario


@dataclass(frozen=True)
class Reporting:
    """How units report. gateway_ids: the box each hangs at; what falls out there falls out for all its units.

    replaced: sensors that were exchanged: unit, signal and when, ns; the new one is off by something else.
    """

    unit_ids: tuple[str, ...]
    gateway_ids: tuple[str, ...]
    profiles: tuple[Gateway, ...]
    seed: int
    replaced: tuple[tuple[str, str, int], ...] = ()

    def of_sensors(self, signal: str, what: str) -> Float64:
        """One number of each unit's sensor for a signal, [unit, 1]."""
        kinds = [SENSORS[profile.sensors].get(signal) for profile in self.profiles]
        return np.array([[0.0 if kind is None else getattr(kind, what)] for kind in kinds], np.float64)

    def of_gateways(self, what: str) -> Float64:
        """One number of each unit's gateway, [unit]."""
        return np.array([getattr(profile, what) for profile in self.profiles], np.float64)

    def keys(self, what: str) -> Keys:
        """One key a unit, [unit, 1]."""
        return keys(self.seed, self.unit_ids, what)

    def constant(self, what: str) -> Float64:
        """A number of each unit's own, evenly in [-1, 1), [unit, 1]."""
        return even(self.keys(what), np.array([0]))

    @cached_property
    def sensors(self) -> dict[str, "Sensors"]:
        """What is the same in every span, by signal."""
        return {
            signal: Sensors(
                noise=self.of_sensors(signal, "noise"),
                step=self.of_sensors(signal, "step"),
                share=1.0 - np.exp(-60.0 / np.maximum(self.of_sensors(signal, "lag_s"), 1e-3)),
                gain=1.0 + self.of_sensors(signal, "gain_spread") * self.constant(f"{signal}/gain"),
                offset=self.of_sensors(signal, "offset_spread") * self.constant(f"{signal}/offset"),
                offset_spread=self.of_sensors(signal, "offset_spread"),
                dead_band=self.of_sensors(signal, "dead_band"),
                noise_key=self.keys(f"{signal}/noise"),
            )
            for signal in SIGNALS
        }

    @cached_property
    def links(self) -> Links:
        """The gateways' links."""
        gateway_keys = keys(self.seed, self.gateway_ids, "link")
        return Links(self.profiles, gateway_keys, self.keys("message"), self.constant("phase")[:, 0])

    @cached_property
    def phase_ns(self) -> Int64:
        """When in its rhythm each unit is read, ns, [unit]: whole seconds, but on the minute for the ideal gateway."""
        every = self.of_gateways("every_s")
        moved = self.of_gateways("latency_s") > 0.0
        share = 0.5 + 0.5 * self.constant("rhythm")[:, 0]
        phase: Int64 = (np.floor(share * every) * moved).astype(np.int64) * SECOND_NS
        return phase


@dataclass(frozen=True, slots=True)
class Sensors:
    """The sensors of one signal, each [unit, 1]. share: of the way to the truth that a lagging one goes in a minute."""

    noise: Float64
    step: Float64
    share: Float64
    gain: Float64
    offset: Float64
    offset_spread: Float64
    dead_band: Float64
    noise_key: Keys


def reporting(
    unit_ids: Sequence[str],
    *,
    seed: int,
    gateway_ids: Sequence[str] = (),
    profiles: Sequence[str] = (),
    replaced: Sequence[tuple[str, str, int]] = (),
) -> Reporting:
    """How units report, by the names of their profiles in GATEWAYS.

    Args:
        gateway_ids: of each unit; none: each has its own. profiles: of each unit; none: 'minute'. replaced: as in
            Reporting.
    """
    names = tuple(profiles) or ("minute",) * len(unit_ids)
    chosen = tuple(GATEWAYS[name] for name in names)
    return Reporting(tuple(unit_ids), tuple(gateway_ids) or tuple(unit_ids), chosen, seed, tuple(replaced))


def reporting_of(scenario: Scenario) -> Reporting:
    """How the units of a scenario report."""
    return reporting(
        scenario.unit_ids,
        seed=scenario.seed,
        gateway_ids=[unit.gateway or unit.id for unit in scenario.units],
        profiles=[unit.telemetry for unit in scenario.units],
        replaced=[
            (event.unit, event.signal, event.from_ns) for event in scenario.events if event.kind == "sensor_replaced"
        ],
    )
