"""Judging the jacket water: opinions on its four conditions and notes.

In: models.seen.Seen, normals. Out: opinions, notes. May import: numpy, models. Touches nothing.

Units are judged one after the other: what is worth doing differs from unit to unit, and a sound one costs little.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from models.jacket_water import air as around
from models.jacket_water import words
from models.jacket_water.circulation import restricted
from models.jacket_water.forecast import DAYS_BACK, hours_until
from models.jacket_water.lately import Lately, lately
from models.jacket_water.learning import learned
from models.jacket_water.normal import WaterNormal
from models.jacket_water.opinion import WaterOpinion
from models.jacket_water.overheat import stuck_on
from models.jacket_water.sensing import doubt
from models.jacket_water.set_point import moved
from models.jacket_water.shortfall import Shortfall, shortfall
from models.jacket_water.tripped import tripped
from models.opinion import Note, Opinion
from models.seen import Seen
from models.windows import CELLS_A_DAY, Float64

CONDITIONS = ("heater_failed", "heater_weak", "heater_stuck_on", "coolant_circulation_restricted")
SIGNAL = "jacket_water_temperature"
NOT_READY_CEL = 21.0  # NFPA 110's table asks for an alarm below 21 Cel (70 F), from memory
WORTH_SAYING = 0.2  # chance from which a sentence and a forecast are made
TRIPPED_CHANCE = 0.9  # that a thermostat stuck, where the heat went after the water rose past its cut-out (our choice)
FIRST_DAYS_NS = 2 * 86_400 * 1_000_000_000
USUAL_EXCESS_CELLS = 3 * CELLS_A_DAY


@dataclass(slots=True)
class _Verdict:
    """On one unit; by condition in the order of CONDITIONS."""

    chance: list[float] = field(default_factory=lambda: [np.nan] * 4)
    text: list[str] = field(default_factory=lambda: [""] * 4)
    measured: float = np.nan
    expected: list[float] = field(default_factory=lambda: [np.nan] * 4)
    not_ready_h: Float64 = field(default_factory=lambda: np.full((4, 3), np.nan))
    onset_ns: tuple[float, float] = (np.nan, np.nan)
    heat_share: float = np.nan
    tripped: bool = False
    notes: list[Note] = field(default_factory=list)


def judge(
    seen: Seen, normals: Sequence[WaterNormal], *, not_ready: float = NOT_READY_CEL
) -> tuple[list[Opinion], list[Note]]:
    """What is wrong with the jacket water of some units, if anything.

    Args:
        seen: the units. normals: as `learn` gave them, [unit]. not_ready: Cel of water, below it the unit would not
        start or carry load.
    Returns: one WaterOpinion for each of CONDITIONS, in this order; notes (set_point_changed). A probability is NaN
        where the water is not known of late, the sensor is in doubt, the engine runs, or there is no heater.
    """
    assert len(normals) == seen.units
    verdicts = [_judged(seen, unit, normal, not_ready) for unit, normal in enumerate(normals)]
    opinions: list[Opinion] = []
    for place, condition in enumerate(CONDITIONS):
        chance = np.array([one.chance[place] for one in verdicts])
        short = place < 2
        causes = {condition: chance}
        if place == 0 and any(one.tripped for one in verdicts):
            causes["heater_stuck_on"] = TRIPPED_CHANCE * np.where([one.tripped for one in verdicts], chance, 0.0)
        opinions.append(
            WaterOpinion(
                condition,
                SIGNAL,
                chance,
                np.array([one.measured for one in verdicts]),
                np.array([one.expected[place] for one in verdicts]),
                np.array([one.not_ready_h[place] for one in verdicts]).reshape(-1, 3),
                causes=causes,
                text=tuple(one.text[place] for one in verdicts),
                onset_ns=np.array([one.onset_ns if short else (np.nan, np.nan) for one in verdicts]).reshape(-1, 2),
                heat_share=np.array([one.heat_share for one in verdicts]),
            )
        )
    return opinions, [note for one in verdicts for note in one.notes]


def _judged(seen: Seen, unit: int, normal: WaterNormal, not_ready: float) -> _Verdict:
    verdict = _Verdict()
    if seen.heater[unit] == "none":
        return verdict
    if normal.learned_ns == 0 and seen.now_ns - int(seen.first_ns[unit]) < FIRST_DAYS_NS:
        normal = learned(seen, unit, normal)  # a new unit does not wait for midnight
    late = lately(seen, unit, normal)
    if late is None:
        return verdict
    verdict.measured = late.water
    verdict.expected = [normal.cut_in, normal.cut_in, normal.cut_out, normal.cut_out]
    if late.running[late.last]:
        return verdict
    sensor = doubt(late, normal)
    if sensor.text:
        verdict.text = [sensor.text] * 4
        return verdict
    short = shortfall(late, normal, heater=seen.heater[unit], stepped_k=sensor.stepped_k)
    hot = stuck_on(late, normal)
    shut, livelier = restricted(late, normal)
    weak = short.weak
    if short.by_teeth and shut > 0.5:
        weak = min(weak, 1.0 - shut)  # teeth of little water tell nothing of the heater's power
    verdict.chance = [short.failed, weak, hot, shut]
    verdict.heat_share = short.share
    if short.failed >= WORTH_SAYING or weak >= WORTH_SAYING:
        verdict.onset_ns = (
            late.begin_ns + short.onset[0] * 600e9,
            late.begin_ns + short.onset[1] * 600e9,
        )
        _forecast(verdict, seen, unit, late, normal, short, not_ready)
    if short.failed >= WORTH_SAYING:
        verdict.text[0] = words.failed(late, normal, short)
        verdict.tripped = tripped(seen, unit, normal)
        if verdict.tripped:
            verdict.text[0] += words.TRIPPED
    if weak >= WORTH_SAYING:
        verdict.text[1] = words.weak(late, normal, short)
    if hot >= WORTH_SAYING:
        verdict.text[2] = words.stuck_on(late, normal)
    if shut >= WORTH_SAYING:
        verdict.text[3] = words.restricted(livelier)
    note = moved(late, normal, unit) if not max(np.nan_to_num(shut), np.nan_to_num(hot)) >= WORTH_SAYING else None
    if note is not None:
        verdict.notes.append(note)
    return verdict


def _forecast(
    verdict: _Verdict, seen: Seen, unit: int, late: Lately, normal: WaterNormal, short: Shortfall, not_ready: float
) -> None:
    """Hours until not ready without heat, and with what the weak heater still gives."""
    air = around.filled(seen.air.mean[unit, -DAYS_BACK * CELLS_A_DAY :])
    if late.air_told:
        air = np.full(DAYS_BACK * CELLS_A_DAY, late.air[late.last])
    past = seen.water.mean[unit, -USUAL_EXCESS_CELLS:] - seen.air.mean[unit, -USUAL_EXCESS_CELLS:]
    past = past[past == past]
    usual_excess = float(np.median(past)) if len(past) else late.water - float(late.air[late.last])
    common = {
        "water": late.water,
        "limit": not_ready,
        "air": air[: len(air) - (len(late.mean) - 1 - late.last)],
        "usual_excess": usual_excess,
        "time_constant_h": short.tau_h,
        "time_constant_log_sd": short.tau_log_sd,
    }
    if short.failed >= WORTH_SAYING:
        verdict.not_ready_h[0] = hours_until(**common)  # type: ignore[arg-type]  # one dictionary of floats and an array
    if short.weak >= WORTH_SAYING and np.isfinite(short.heating_now):
        verdict.not_ready_h[1] = hours_until(
            **common,  # type: ignore[arg-type]  # as above
            heating_k_per_h=short.heating_now,
            heating_log_sd=max(0.15, normal.heating_log_sd),
            cut_in=np.inf if normal.follows else normal.cut_in,
        )
