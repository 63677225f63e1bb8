"""What is said of a unit's jacket water, in plain sentences.

In: what the water did lately, the normal, the numbers of the judgement. Out: text. May import: numpy,
models. Touches nothing.
"""

import numpy as np

from models.jacket_water.lately import Lately
from models.jacket_water.newton import coldest_air_held
from models.jacket_water.normal import WaterNormal
from models.jacket_water.shortfall import Shortfall

TRIPPED = " Before that the water rose far past its cut-out: the thermostat may stick, and the high limit have opened."


def _basis(normal: WaterNormal, late: Lately) -> str:
    said = ""
    if normal.days < 1:
        said += " This unit's own cut-in is not learned yet; the usual one is taken."
    if late.air_told:
        said += " No enclosure temperature: the air is taken from the cooling itself."
    return said


def failed(late: Lately, normal: WaterNormal, short: Shortfall) -> str:
    """Of missing heat. Args: late, normal, short: what the judgement rests on."""
    if normal.follows:
        return (
            f"The heater is always on and holds the water about {normal.follows_k:.0f} K over the air; it is at"
            f" {late.water:.1f} Cel now, {late.excess[late.last]:.0f} K over the air, and cools as without heat."
        )
    return (
        f"The heater should have come on at {normal.cut_in:.1f} Cel {short.hours:.1f} h ago; the water is at"
        f" {late.water:.1f} Cel and cools as it does without heat (time constant {short.tau_h:.0f} h)."
        + _basis(normal, late)
    )


def weak(late: Lately, normal: WaterNormal, short: Shortfall) -> str:
    """Of too little heat. Args: late, normal, short: what the judgement rests on."""
    if normal.follows:
        return (
            f"The heater is always on and gives {100 * short.share:.0f} % of its usual heat: the water is at"
            f" {late.water:.1f} Cel, {late.excess[late.last]:.0f} K over the air instead of {normal.follows_k:.0f} K."
        )
    coldest = float(coldest_air_held(np.array(normal.cut_in), np.array(short.tau_h), np.array(short.heating_now)))
    usual = f", {100 * short.heating_now / normal.heating_k_per_h:.0f} % of its usual" if normal.heating_days else ""
    if short.by_teeth:
        said = f"The heater is on far longer than it used to be: it gives {short.heating_now:.1f} K/h{usual}."
    else:
        said = (
            f"The water is at {late.water:.1f} Cel, under the cut-in of {normal.cut_in:.1f} Cel, with the heater always"
            f" on: it gives {short.heating_now:.1f} K/h{usual}."
        )
    return f"{said} It cannot hold the water with an enclosure below {coldest:.0f} Cel." + _basis(normal, late)


def stuck_on(late: Lately, normal: WaterNormal) -> str:
    """Of too much heat. Args: late, normal: what the judgement rests on."""
    return (
        f"The water is at {late.water:.1f} Cel and still heated, {late.water - normal.cut_out:.0f} K above the usual"
        f" cut-out of {normal.cut_out:.1f} Cel, with no run to explain it." + _basis(normal, late)
    )


def restricted(livelier: float) -> str:
    """Of little water moving. Args: livelier: by what factor the water moves more than usual."""
    return (
        f"The sensor's teeth have become short and steep: the water goes up and down at {100 * livelier:.0f} % of its"
        " usual speed for this excess over the air. Hot water may stand at the heater while the block is cold"
        " (air lock, low coolant, closed valve, pump)."
    )
