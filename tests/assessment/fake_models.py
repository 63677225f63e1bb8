"""A model for tests: its opinions follow simple marks in what it sees, and its sentences tell all that it saw.

Its text holds sums over everything in Seen, so that findings differ as soon as two ways of handing a history in let it
see anything else.
"""

from dataclasses import dataclass

import numpy as np

from models.normal import Normal
from models.opinion import Note, Opinion
from models.seen import Seen
from monitor.assessment.modelling import Look, Model, Models


@dataclass(frozen=True, slots=True)
class FakeNormal:
    """Days learned, and what was seen in them."""

    days: int = 0
    total: float = 0.0
    kept: tuple[float, ...] = ()


def _last(column: np.ndarray) -> np.ndarray:
    return np.array([row[~np.isnan(row)][-1] if (~np.isnan(row)).any() else np.nan for row in column])


def _sure(value: np.ndarray, low: float, high: float) -> np.ndarray:
    """0.95 below low, 0.05 above high, 0.5 between, NaN of NaN."""
    return np.select([np.isnan(value), value < low, value > high], [np.nan, 0.95, 0.05], 0.5)


def told(seen: Seen, row: int) -> str:
    """All that is seen of one unit, in a sentence."""
    windows = (seen.water, seen.battery, seen.gas, seen.air)
    sums = " ".join(
        f"{np.nansum(w.mean[row]):.6f} {np.nansum(w.least[row]):.4f} {np.nansum(w.greatest[row]):.4f} "
        f"{w.count[row].sum()}"
        for w in windows
    )
    after = seen.after_run_h[row]
    runs = f"{seen.running[row].sum()} {after[np.isfinite(after)].sum():.6f} {seen.trusted[row].sum()}"
    return f"{seen.now_ns} {sums} {runs} {seen.cranks[row]} {seen.first_ns[row]}"


def learn(seen: Seen, before: list[FakeNormal]) -> list[FakeNormal]:
    """One day more."""
    return [
        FakeNormal(old.days + 1, round(float(np.nansum(seen.gas.mean[row])), 6), (float(seen.trusted[row].sum()),))
        for row, old in enumerate(before)
    ]


def judge(seen: Seen, normals: list[FakeNormal]) -> tuple[list[Opinion], list[Note]]:
    """Water under 36 Cel: heater failed; under 12.9 V a block: charger failed; a crank under 9 V: battery weak."""
    water, battery = _last(seen.water.mean), _last(seen.battery.mean)
    nan = np.full(seen.units, np.nan)
    text = tuple(f"{told(seen, row)} {normals[row]}" for row in range(seen.units))
    heater, charger = _sure(water, 36.0, 38.0), _sure(battery, 12.9, 13.1)
    both = np.fmin(np.nan_to_num(heater), np.nan_to_num(charger))
    cooling_h = np.maximum(water[:, None] - 21.0, 0.0) * np.array([0.8, 1.0, 1.2]) * 2.0
    weak = np.array([0.95 if any(c.least < 9.0 for c in cranks) else 0.02 for cranks in seen.cranks])
    opinions = [
        Opinion(
            "heater_failed",
            "jacket_water_temperature",
            heater,
            water,
            nan,
            cooling_h,
            {"heater_failed/element_open": heater - both, "heater_failed/no_ac_supply": both},
            text,
        ),
        Opinion(
            "charger_failed",
            "battery_voltage",
            charger,
            battery,
            nan,
            np.full((seen.units, 3), np.nan),
            {"charger_failed": charger, "charger_failed/no_ac_supply": both * 1.01},
            text,
        ),
        Opinion("battery_weak", "battery_voltage", weak, nan, nan, np.full((seen.units, 3), np.inf), {}, text),
    ]
    notes = [
        Note(row, "float_changed", seen.now_ns - 7, f"Its water stands at {value:.1f} Cel.")
        for row, value in enumerate(water)
        if value > 60.0
    ]
    return opinions, notes


def calm(normal: FakeNormal, look: Look) -> bool:
    """Within the marks of `judge`; a warm run stirs nothing."""
    return not (look.water < 37.0 or look.battery < 13.0 or (look.water > 60.0 and not look.ran)) and normal.days > 0


def normal(learned: dict[str, FakeNormal]) -> Normal:
    """From the second day on limits have something to lean on."""
    if learned["fake"].days < 2:
        return Normal()
    return Normal(cut_in=41.0, float_voltage=13.5, float_slope=-0.024)


FAKE = Models((Model("fake", FakeNormal(), learn, judge, calm),), normal=normal)
