"""Textbook of the starting battery: rest volts and charge, floats of each type, cold, cranking as a divider of volts.

In: numbers and arrays. Out: arrays. May import: numpy, models.windows. Touches nothing. All volts are of a 12 V block
(six lead-acid cells), all sections named are of the shared trade facts.
"""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from models.windows import Float64

CHARGE_PERCENT = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
FLOODED_REST_V = np.array([11.89, 12.06, 12.24, 12.45, 12.65])  # BCI table, section 4
SEALED_REST_V = np.array([11.80, 12.00, 12.30, 12.60, 12.95])  # one maker, section 4; 0 and 100 % are our reading of it
COMPENSATED_AT_CEL = 25.0


@dataclass(frozen=True, slots=True)
class Chemistry:
    """What is known of a battery type before any of it was seen, V a block.

    rest: at full charge, hours after charge, and rest_sd, over makes and sensor offsets. rest_volts: at CHARGE_PERCENT,
    NaN where volts tell no charge. float_voltage: usual at 25 Cel, and float_sd. float_least: below it at 25 Cel a
    charger no longer holds the battery full. gassing: at 25 Cel, above it for days water is lost. equalised: whether
    the type is ever equalised.
    """

    rest: float
    rest_sd: float
    rest_volts: Float64
    float_voltage: float
    float_sd: float
    float_least: float
    gassing: float
    equalised: bool

    @property
    def tells_charge(self) -> bool:
        """Whether rest volts tell the state of charge."""
        return bool(np.isfinite(self.rest_volts).all())

    @property
    def volts_a_charge(self) -> float:
        """Fall of the rest volts from full to empty; a stand-in where volts tell no charge."""
        return float(self.rest_volts[-1] - self.rest_volts[0]) if self.tells_charge else 0.76


# Floats and rests: section 4 (13.2-13.5 flooded, 13.5-13.8 AGM, 13.05-13.5 gel); AGM rests at 13.2 in its first day.
# Gassing begins at about 2.35 V a cell flooded, 2.40 V sealed (from memory). Nickel-cadmium as 10 cells: float 1.40 V,
# rest 1.28 V a cell (from memory). Spreads hold makes, set points and sensor offsets of 0.1-0.2 V (our choice).
_FLOODED = Chemistry(12.68, 0.12, FLOODED_REST_V, 13.4, 0.25, 13.0, 14.1, True)
_AGM = Chemistry(12.95, 0.13, SEALED_REST_V, 13.6, 0.25, 13.15, 14.4, False)
_GEL = Chemistry(12.90, 0.13, SEALED_REST_V, 13.5, 0.3, 13.0, 14.1, False)
_NICKEL_CADMIUM = Chemistry(12.8, 0.3, np.full(5, np.nan), 14.1, 0.5, 13.2, 15.0, False)
CHEMISTRIES = MappingProxyType({"flooded": _FLOODED, "agm": _AGM, "gel": _GEL, "nickel_cadmium": _NICKEL_CADMIUM})


def chemistry_of(battery_type: str) -> Chemistry:
    """Of a type as the fleet file names it; flooded where the name is not known, the commonest."""
    return CHEMISTRIES.get(battery_type, _FLOODED)


def state_of_charge(rest: Float64, chemistry: Chemistry) -> Float64:
    """State of charge from the open-circuit volts at rest, 0..1.

    Args:
        rest: V a block, hours off charge, any shape.
        chemistry: of the battery.
    Returns: same shape; NaN where volts tell no charge or the volts are NaN.
    Source: BCI table, section 4; between its rows straight.
    """
    if not chemistry.tells_charge:
        return np.full_like(rest, np.nan)
    return np.interp(rest, chemistry.rest_volts, CHARGE_PERCENT / 100.0)


def rest_voltage(charge: Float64, chemistry: Chemistry) -> Float64:
    """Open-circuit volts of a state of charge; the inverse of state_of_charge.

    Args:
        charge: 0..1, any shape.
        chemistry: of the battery; one whose volts tell no charge gets the flooded table, to reckon with only.
    """
    table = chemistry.rest_volts if chemistry.tells_charge else FLOODED_REST_V
    return np.interp(charge, CHARGE_PERCENT / 100.0, table)


COLD_A_KELVIN, COLD_SD = 0.014, 0.005
"""Rise of log(battery resistance / rest of the starter circuit) a kelvin below 25 Cel, and its spread over makes.

Section 4: cranking power 100 % at 27 and 40 % at -18 Cel gives ln 2.5 / 45 = 0.020; the load-test volts 9.6 at 21 and
8.5 at -18 Cel give ln((4.15/8.5)/(3.05/9.6)) / 39 = 0.011."""
EMPTY_RISE, EMPTY_SD = 1.1, 0.3
"""Rise of the same logarithm from full to empty: resistance is about doubled at a quarter of charge (from memory)."""
DIP_PRIOR, DIP_PRIOR_SD = -1.6, 0.4
"""log(dip / least) at 25 Cel, full: 10.5 V least of a 12.65 V battery; sound 3-8 mOhm at 300-600 A, section 4."""


def dip_ratio(least: Float64, rest: Float64) -> Float64:
    """log(dip / least) of a crank: battery resistance over that of starter and cables, as a logarithm.

    A battery of rest volts E and resistance Rb on a circuit of Rs shows E * Rs / (Rb + Rs), so log((E - least) / least)
    = log(Rb / Rs). It adds up: cold, charge and age each add a term.

    Args:
        least, rest: V a block, any shape.
    Returns: same shape; NaN where there is no dip.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio: Float64 = np.where((least > 0) & (rest > least), np.log((rest - least) / least), np.nan)
    return ratio


def crank_volts(rest: Float64, ratio: Float64) -> Float64:
    """Least volts of a crank: the inverse of dip_ratio, E / (1 + exp(ratio)).

    Args:
        rest: V a block before the crank, surface charge gone. ratio: log(dip / least) at that cold and charge.
    """
    volts: Float64 = rest / (1.0 + np.exp(ratio))
    return volts


def ratio_shift(temperature: Float64, charge: Float64, cold: Float64 | float, empty: Float64 | float) -> Float64:
    """What cold and lost charge add to a dip ratio.

    Args:
        temperature: of the battery, Cel. charge: 0..1. cold: a kelvin, see COLD_A_KELVIN. empty: see EMPTY_RISE.
    """
    shift: Float64 = cold * (COMPENSATED_AT_CEL - temperature) + empty * (1.0 - charge)
    return shift
