"""Which models judge: one row each, and the story that two of them have in common. A new model gets its row here.

In: what is seen, normals. Out: opinions, notes. May import: models, monitor.assessment.modelling.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from models import battery, jacket_water, supply
from models.battery import BatteryNormal
from models.jacket_water import WaterNormal, WaterOpinion
from models.normal import COMPENSATED_AT_CEL, Normal
from models.opinion import Note, Opinion
from models.seen import Seen
from models.windows import Int64
from monitor.assessment.modelling import Look, Model, Models

WATER, BATTERY = "jacket_water", "battery"
"""Names under which normals are kept."""
BAND_LOW_K, BAND_HIGH_K = 0.5, 2.0  # a look: beyond the turning points by this, the heater's band is left (our choice)
OFF_FLOAT_V = 0.2  # V a block: a charger that stops lets go of 0.5 V and more within the hour (common practice)
RESTS_V, ABSORBS_V = 13.0, 14.2  # V a block: between them some charger floats


@dataclass(frozen=True, slots=True)
class ChargerOpinion(Opinion):
    """The opinion on a failed charger, with the last instant it was seen to charge and the first it was not, ns UTC.

    onset_ns: int64 [unit, 2]; 0, 0 where charging is not lost.
    """

    onset_ns: Int64 = field(default_factory=lambda: np.zeros((0, 2), np.int64))


def _judge_battery(seen: Seen, normals: Sequence[BatteryNormal]) -> tuple[list[Opinion], Sequence[Note]]:
    """As models.battery.judge, the onset of lost charging with it."""
    judged = battery.judge_whole(seen, normals)
    opinions = [
        ChargerOpinion(**{part.name: getattr(opinion, part.name) for part in fields(Opinion)}, onset_ns=judged.onset_ns)
        if opinion.condition == supply.CHARGER
        else opinion
        for opinion in judged.opinions
    ]
    return opinions, judged.notes


def with_common_supply(_seen: Seen, said: Sequence[Opinion]) -> Sequence[Opinion]:
    """Heater and charger that were lost together have the unit's AC supply as their common cause."""
    heater = next((one for one in said if isinstance(one, WaterOpinion) and one.condition == supply.HEATER), None)
    charger = next((one for one in said if isinstance(one, ChargerOpinion)), None)
    if heater is None or charger is None:
        return said
    lost_ns = np.nan_to_num(heater.onset_ns, nan=0.0).astype(np.int64)
    return supply.with_supply(said, lost_ns, charger.onset_ns)


def water_calm(normal: WaterNormal, look: Look) -> bool:
    """Water within what its heater holds, or warm from a run; unknown is calm: silence is judged elsewhere.

    Water that follows the air tells nothing by its level.
    """
    if normal.follows:
        return False
    if look.water < normal.cut_in - BAND_LOW_K:
        return False
    return look.ran or not look.water > normal.cut_out + BAND_HIGH_K


def battery_calm(normal: BatteryNormal, look: Look) -> bool:
    """Battery near its float, or charged after a run; before a float is learned, above what rests."""
    warm = np.nan_to_num(look.air, nan=COMPENSATED_AT_CEL)
    expected = normal.float_voltage + normal.float_slope * (warm - COMPENSATED_AT_CEL)
    if look.battery < (RESTS_V if np.isnan(expected) else expected - OFF_FLOAT_V):
        return False
    return look.ran or not look.battery > (ABSORBS_V if np.isnan(expected) else expected + OFF_FLOAT_V)


def limits_normal(learned: Mapping[str, Any]) -> Normal:
    """Cut-in and float that limits lean on; NaN until they rest on enough days. And how low a charger's rests go."""
    water, charger = learned.get(WATER, WaterNormal()), learned.get(BATTERY, BatteryNormal())
    return Normal(
        cut_in=water.settled_cut_in,
        float_voltage=charger.float_voltage,
        float_slope=charger.float_slope,
        battery_floor=min((volts for volts in charger.course if volts > 0), default=np.nan),
    )


MODELS = Models(
    (
        Model(WATER, WaterNormal(), jacket_water.learn, jacket_water.judge, water_calm),
        Model(BATTERY, BatteryNormal(), battery.learn, _judge_battery, battery_calm),
    ),
    with_common_supply,
    limits_normal,
)
