"""The faults: what can break in a unit, how it grows, which channel it moves, and which of them a run deals out.

In: designs, a number of faults. Out: Fault records, and their effect in the channels. May import: numpy,
tests.strangers. Touches nothing. Targets are our choice, spread from hardly seen to at once not ready.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.strangers.channels import Channels, growth
from tests.strangers.climate import Weather
from tests.strangers.design import Design
from tests.strangers.draws import Array, Rng, between, chance, log_between, stream
from tests.strangers.span import MINUTES_A_DAY, STRETCH_MINUTES, STRETCHES_A_DAY, Span

SLOT_DAYS = 90  # a unit has one fault a slot, so that what came before has died away
MAIN_SIGNALS = ("jacket_water_temperature", "battery_voltage", "gas_pressure", "enclosure_temperature")


def _any_unit(_: Design) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to break.

    condition, cause: what should be said; accepted: other conditions that are as true. group: whose not-ready it leads
    to (water, battery, gas, air, or none). moves: channels with the target at severity 0 and at 1. shapes: how it may
    grow. days: least and greatest time to full. only: the units that can have it.
    """

    condition: str
    cause: str
    group: str
    moves: dict[str, tuple[float, float]]
    shapes: tuple[str, ...] = ("step",)
    days: tuple[float, float] = (0.0, 0.0)
    accepted: tuple[str, ...] = ()
    only: Callable[[Design], bool] = _any_unit

    @property
    def name(self) -> str:
        """condition/cause."""
        return f"{self.condition}/{self.cause}"


def _pumped(unit: Design) -> bool:
    return unit.words["heater"].startswith("pumped")


def _switched(unit: Design) -> bool:
    return unit.words["heater"] != "plug"


def _looped(unit: Design) -> bool:
    return unit.words["heater"] != "plug"


def _on_mains(unit: Design) -> bool:
    return unit.words["charger"] != "solar"


def _vented(unit: Design) -> bool:
    return unit.words["vent"] == "open"


def _vented_in_frost(unit: Design) -> bool:
    return _vented(unit) and unit.climate.mean - unit.climate.season < 3.0


GROWS = ("linear", "accelerating", "s-curve", "stairs")
KINDS: tuple[Kind, ...] = (
    Kind("heater_failed", "element_open", "water", {"element": (0.0, 0.0)}),
    Kind("heater_failed", "no_ac_supply", "water", {"heater_ac": (0.0, 0.0)}),
    Kind(
        "heater_failed",
        "no_ac_supply_to_both",
        "water",
        {"heater_ac": (0.0, 0.0), "charger_alive": (0.0, 0.0)},
        accepted=("charger_failed",),
        only=_on_mains,
    ),
    Kind("heater_failed", "thermostat_open", "water", {"stuck": (-1, -1)}, ("step", "intermittent"), (2, 20),
         only=_switched),
    Kind("heater_stuck_on", "thermostat_closed", "water", {"stuck": (1, 1)}, ("step", "intermittent"), (2, 20),
         only=_switched),
    Kind("heater_weak", "one_of_two_elements", "water", {"element": (0.6, 0.35)}),
    Kind("heater_weak", "scale", "water", {"element": (0.75, 0.1)}, GROWS, (10, 60)),
    Kind("heater_weak", "low_volts", "water", {"element": (0.8, 0.5)}, ("step", "intermittent"), (3, 30)),
    Kind(
        "coolant_circulation_restricted", "hose", "water", {"circulation": (0.25, 0.01)}, GROWS, (4, 60), only=_looped
    ),
    Kind(
        "coolant_circulation_restricted", "air_lock", "water", {"circulation": (0.1, 0.005)}, ("step", "intermittent"),
        (1, 10), only=_looped,
    ),
    Kind(
        "coolant_circulation_restricted", "pump_dead", "water", {"circulation": (0.02, 0.0)}, ("step", "intermittent"),
        (1, 15), accepted=("heater_failed",), only=_pumped,
    ),
    Kind("low_coolant_level", "leak", "water", {"coolant": (0.65, 0.2)}, ("linear", "accelerating"), (2, 45),
         accepted=("coolant_circulation_restricted",)),
    Kind("low_coolant_level", "hose_burst", "water", {"coolant": (0.45, 0.1)}, ("linear",), (0.02, 0.2),
         accepted=("coolant_circulation_restricted", "heater_failed")),
    Kind("charger_failed", "dead", "battery", {"charger_alive": (0.0, 0.0)}, ("step", "intermittent"), (3, 25)),
    Kind("charger_failed", "fuse", "battery", {"fuse": (0.0, 0.0)}),
    Kind("charger_failed", "no_ac_supply", "battery", {"charger_alive": (0.0, 0.0)}, only=_on_mains),
    Kind("charger_weak", "output_sag", "battery", {"charger_shift": (-0.35, -2.2)}, GROWS, (3, 60),
         accepted=("charger_failed",)),
    Kind("charger_weak", "output_sag_fast", "battery", {"charger_shift": (-0.4, -2.2)}, ("linear",), (0.05, 1.0),
         accepted=("charger_failed",)),
    Kind("charger_weak", "current_limit", "battery", {"limit": (0.35, 0.03)}, GROWS, (2, 50),
         accepted=("charger_failed",)),
    Kind("charger_weak", "load_left_on", "battery", {"extra_load": (0.7, 1.6)}, accepted=("charger_failed",)),
    Kind("battery_weak", "shorted_cell", "battery", {"short_cells": (1.0, 1.0), "resistance": (1.2, 3.0)},
         ("step", "intermittent", "linear"), (0.5, 10)),
    Kind("battery_weak", "resistance_risen", "battery", {"resistance": (1.5, 9.0), "capacity": (0.9, 0.6)}, GROWS,
         (15, 60)),
    Kind("battery_weak", "capacity_lost", "battery", {"capacity": (0.6, 0.06), "resistance": (1.2, 5.0)}, GROWS,
         (10, 60)),
    Kind("battery_weak", "loose_post", "battery", {"post_ohm": (0.003, 0.05)}, ("step", "stairs", "intermittent"),
         (1, 20)),
    Kind("battery_overcharged", "regulator_failed", "battery", {"charger_shift": (0.7, 2.6)}, ("step", *GROWS),
         (0.2, 20), accepted=("high_battery_voltage",), only=_on_mains),
    Kind("vent_blocked", "full", "gas", {"vent_h": (40.0, 800.0)}, ("step", "accelerating"), (1, 10), only=_vented),
    Kind("vent_blocked", "part", "gas", {"vent_h": (0.3, 6.0)}, GROWS, (2, 50), only=_vented),
    Kind("vent_blocked", "ice", "gas", {"vent_h": (3.0, 60.0)}, only=_vented_in_frost),
    Kind("regulator_creep", "seat_leak", "gas", {"creep": (60.0, 6000.0)}, ("step", *GROWS), (1, 50),
         accepted=("high_gas_pressure",)),
    Kind("gas_supply_low", "supply", "gas", {"supply": (0.75, 0.1)}, ("step", *GROWS), (0.1, 40),
         accepted=("low_gas_pressure",)),
    Kind("gas_supply_low", "evening_sag", "gas", {"supply": (0.6, 0.1)}, accepted=("low_gas_pressure",)),
    Kind("low_gas_pressure", "spring_drift", "gas", {"spring": (0.8, 0.4)}, GROWS, (3, 60),
         accepted=("gas_supply_low",)),
    Kind("high_gas_pressure", "spring_drift", "gas", {"spring": (1.2, 2.0)}, GROWS, (3, 60),
         accepted=("regulator_creep",)),
    Kind("ventilation_restricted", "louver_stuck", "air", {"airflow": (0.35, 0.04), "louvers": (0.4, 0.15)},
         ("step", "intermittent"), (3, 30)),
    Kind("ventilation_restricted", "grille_blocked", "air", {"airflow": (0.6, 0.05), "louvers": (0.8, 0.3)}, GROWS,
         (7, 60)),
    *(
        Kind("sensor_suspect", cause, "none", {})
        for cause in ("stuck", "drift", "offset", "noise", "scale", "lead_open", "swapped")
    ),
    Kind("control_not_in_auto", "left_off", "switch", {}),
    Kind("readings_missing", "link_down", "none", {}),
    Kind("clock_wrong", "offset", "none", {}),
)  # fmt: skip
KIND_OF: dict[str, Kind] = {kind.name: kind for kind in KINDS}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one unit.

    begin, full, end: minutes of the run: onset, when it is whole, when it is put right (the run's end if never).
    repaired: whether it is put right. severity: 0 (hardly matters) to 1. signal: of a faulty sensor, else "".
    """

    unit: int
    kind: Kind
    begin: int
    full: int
    end: int
    repaired: bool
    severity: float
    shape: str
    signal: str = ""


def deal(seed: int, designs: Sequence[Design], *, span: Span, count: int) -> list[Fault]:
    """Faults dealt out over units and slots of time; kinds in turn, so that with enough of them all appear.

    Args:
        seed: of the run.
        designs: of the units.
        count: how many.
    Raises:
        ValueError: there is no room for as many.
    """
    rng = stream(seed, 999_999, "deal")
    slots_a_unit = max(1, span.days // SLOT_DAYS)
    slots = [(unit, slot) for unit in range(len(designs)) for slot in range(slots_a_unit)]
    if count > len(slots):
        raise ValueError(f"{count} faults need {count} slots of {SLOT_DAYS} days; there are {len(slots)}.")
    rng.shuffle(slots)
    turn: list[Kind] = []
    dealt: list[Fault] = []
    for unit, slot in slots[:count]:
        if not any(kind.only(designs[unit]) for kind in turn):
            turn += [KINDS[place] for place in rng.permutation(len(KINDS))]
        kind = next(kind for kind in turn if kind.only(designs[unit]))
        turn.remove(kind)
        dealt.append(_placed(rng, kind, unit, span=span, slot=slot, slot_days=span.days / slots_a_unit))
    return sorted(dealt, key=lambda fault: (fault.unit, fault.begin))


def _placed(rng: Rng, kind: Kind, unit: int, *, span: Span, slot: int, slot_days: float) -> Fault:
    first = slot * slot_days
    early = slot == 0 and chance(rng, 0.1)  # some are there before anything could be learned
    onset = between(rng, 0.0, 0.06) if early else between(rng, 0.3, 0.6)
    begin = int((first + onset * slot_days) * MINUTES_A_DAY) // STRETCH_MINUTES * STRETCH_MINUTES
    last = int((first + 0.97 * slot_days) * MINUTES_A_DAY)
    shape = kind.shapes[int(rng.integers(len(kind.shapes)))]
    low, high = kind.days
    grows_days = 0.0 if shape == "step" else log_between(rng, max(low, 0.02), max(high, 0.03))
    full = min(begin + int(grows_days * MINUTES_A_DAY), begin + int(0.85 * (last - begin)))
    ends_with_run = (slot + 1) * slot_days > span.days - 1 and chance(rng, 0.5)
    end = span.minutes if ends_with_run else int(between(rng, full + 0.3 * (last - full), last))
    if kind.group == "none" and not ends_with_run:
        least_days = 8.0 if kind.cause == "drift" else 0.7
        end = begin + min(end - begin, int(log_between(rng, least_days, 25.0) * MINUTES_A_DAY))
    signal = MAIN_SIGNALS[int(rng.integers(4))] if kind.condition == "sensor_suspect" else ""
    if kind.cause == "swapped":  # water and enclosure have the same kind of lead; the others would be noticed at once
        signal = MAIN_SIGNALS[0]
    severity = between(rng, 0.0, 1.0) ** 0.7  # most are worth a call, some hardly
    fault = Fault(unit, kind, begin, full, end, not ends_with_run, severity, shape, signal)
    return replace(fault, full=begin) if shape == "step" else fault


def apply(fault: Fault, channels: Channels, *, rng: Rng, weather: Weather, design: Design) -> Fault | None:
    """Put one fault's effect into the channels; the fault as it came out, None where its weather never came.

    Args:
        fault: of which unit and kind.
        channels: of the run; changed.
        rng: for ragged shapes.
        weather: at the unit; ice needs it.
        design: of the unit.
    """
    begin, end = fault.begin // STRETCH_MINUTES, fault.end // STRETCH_MINUTES
    length = max(end - begin, 1)
    share = growth(rng, fault.shape, length=length, full=(fault.full - fault.begin) // STRETCH_MINUTES)
    cause = fault.kind.cause
    if cause == "ice":
        share = _frozen(weather, begin, length)
        icy = np.flatnonzero(share)
        if not len(icy):
            return None
        onset = (begin + int(icy[0])) * STRETCH_MINUTES
        thawed = (begin + int(icy[-1]) + 1) * STRETCH_MINUTES
        fault = replace(
            fault, begin=onset, full=onset, end=thawed, repaired=thawed < (begin + length) * STRETCH_MINUTES
        )
    if cause == "evening_sag":
        share = share * _evening(begin, length, design.utc_offset_h)
    for name, (mild, hard) in fault.kind.moves.items():
        target = mild + (hard - mild) * fault.severity
        if name in ("vent_h", "creep") or (mild > 0 and hard > 0 and hard / mild > 4):
            target = mild * (hard / mild) ** fault.severity
        if name == "extra_load":  # shares of what the charger can give beyond its standing load
            target *= design.battery["limit"] - design.battery["load"]
        if name == "creep":
            target *= design.gas["set_point"] / 2000.0
        channels.bend(name, fault.unit, begin=begin, share=share, target=target)
    return fault


def _frozen(weather: Weather, begin: int, length: int) -> Array:
    """1 while ice sits in the vent: from a frost after damp until it is clearly above freezing."""
    air, damp = weather.air[begin : begin + length], weather.damp[begin : begin + length]
    forms, goes = (air < -1.0) & (damp > 0.6), air > 1.5
    last_form = np.maximum.accumulate(np.where(forms, np.arange(len(air)), -1))
    last_goes = np.maximum.accumulate(np.where(goes, np.arange(len(air)), -1))
    return np.asarray((last_form > last_goes).astype(float))


def _evening(begin: int, length: int, utc_offset_h: float) -> Array:
    """1 about seven in the evening, 0 at night and by day: when a street cooks and heats."""
    hour = ((begin + np.arange(length)) * 24.0 / STRETCHES_A_DAY + utc_offset_h) % 24
    return np.asarray(np.exp(-(((hour - 19.0) / 1.8) ** 2)))
