"""Gateways and sensors as they are met in the field: how often they report, and how well.

In: nothing. Out: profiles by name. May import: the standard library. Touches nothing.

The sizes are common practice, from memory: sensors of the second-cheapest kind, gateways behind a mobile link.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

SIGNALS = (
    "jacket_water_temperature",
    "battery_voltage",
    "gas_pressure",
    "enclosure_temperature",
    "ambient_temperature",
    "atmospheric_pressure",
    "gas_supply_pressure",
    "charger_current",
    "engine_speed",
    "engine_running",
    "generator_power",
    "control_in_auto",
    "coolant_level_low",
)
SYMBOLS: Mapping[str, str] = MappingProxyType(
    dict(zip(SIGNALS, ("Cel", "V", "Pa", "Cel", "Cel", "Pa", "Pa", "A", "1/min", "/", "W", "/", "/"), strict=True))
)
SWITCHES = frozenset(("engine_running", "control_in_auto", "coolant_level_low"))
QUICK_SIGNALS = ("battery_voltage", "gas_pressure")  # reported each second around a crank by a gateway that can


@dataclass(frozen=True, slots=True)
class Sensor:
    """One kind of sensor.

    noise: standard deviation of a reading, never beyond 3.5 of it. step: resolution. lag_s: time constant of its pocket
    or case. gain_spread, offset_spread: half widths of what calibration left, as a share and in the signal's symbol.
    dead_band: a gateway that reports on change reports beyond it. All but lag_s and gain_spread in the signal's symbol.
    """

    noise: float = 0.0
    step: float = 0.0
    lag_s: float = 0.0
    gain_spread: float = 0.0
    offset_spread: float = 0.0
    dead_band: float = 0.0


def _sensors(**other: Sensor) -> Mapping[str, Sensor]:
    usual = {
        "jacket_water_temperature": Sensor(0.05, 0.1, 45.0, 0.002, 0.5, 0.5),
        "battery_voltage": Sensor(0.008, 0.01, 0.0, 0.003, 0.02, 0.05),
        "gas_pressure": Sensor(4.0, 1.0, 0.0, 0.003, 8.0, 15.0),
        "enclosure_temperature": Sensor(0.05, 0.1, 180.0, 0.002, 0.5, 0.5),
        "ambient_temperature": Sensor(0.05, 0.1, 240.0, 0.002, 0.5, 0.5),
        "atmospheric_pressure": Sensor(5.0, 10.0, 0.0, 0.0, 80.0, 30.0),
        "gas_supply_pressure": Sensor(30.0, 10.0, 0.0, 0.003, 50.0, 100.0),
        "charger_current": Sensor(0.02, 0.01, 0.0, 0.01, 0.03, 0.1),
        "engine_speed": Sensor(1.5, 1.0, 0.0, 0.0, 0.0, 20.0),
        "generator_power": Sensor(60.0, 10.0, 0.0, 0.01, 0.0, 500.0),
    }
    return MappingProxyType(usual | other)


SENSORS: Mapping[str, Mapping[str, Sensor]] = MappingProxyType(
    {
        "usual": _sensors(),
        # Long leads beside the ignition, and an input card of ten bits.
        "noisy": _sensors(
            jacket_water_temperature=Sensor(0.4, 0.2, 60.0, 0.005, 1.0, 1.0),
            battery_voltage=Sensor(0.04, 0.03, 0.0, 0.005, 0.05, 0.1),
            gas_pressure=Sensor(25.0, 8.0, 0.0, 0.01, 30.0, 50.0),
            enclosure_temperature=Sensor(0.4, 0.2, 240.0, 0.005, 1.0, 1.0),
        ),
        # Whole degrees, tenths of a volt, and a gas transmitter of 0 to 35 kPa read in steps of a hundredth of a psi.
        "coarse": _sensors(
            jacket_water_temperature=Sensor(0.1, 1.0, 90.0, 0.005, 1.0, 1.0),
            battery_voltage=Sensor(0.02, 0.1, 0.0, 0.005, 0.05, 0.1),
            gas_pressure=Sensor(15.0, 69.0, 0.0, 0.005, 60.0, 70.0),
            enclosure_temperature=Sensor(0.1, 1.0, 300.0, 0.005, 1.0, 1.0),
        ),
        # What a test wants: the truth itself.
        "ideal": MappingProxyType({signal: Sensor() for signal in SIGNALS}),
    }
)

WRONG_SCALE: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "jacket_water_temperature": (1.8, 32.0),  # Fahrenheit sent as Celsius
        "enclosure_temperature": (1.8, 32.0),
        "ambient_temperature": (1.8, 32.0),
        "battery_voltage": (2.0, 0.0),  # the divider of a 24 V set at a 12 V one
        "gas_pressure": (1.0 / 6894.757293168361, 0.0),  # psi sent as pascal
        "gas_supply_pressure": (1.0 / 6894.757293168361, 0.0),
        "atmospheric_pressure": (0.01, 0.0),  # hectopascal sent as pascal
    }
)
"""Value sent = factor * value + offset, where a sensor is scaled wrongly at severity 1."""

DRIFT: Mapping[str, float] = MappingProxyType(
    {
        "jacket_water_temperature": -12.0,
        "battery_voltage": -0.9,
        "gas_pressure": 900.0,
        "enclosure_temperature": 12.0,
        "ambient_temperature": 12.0,
        "atmospheric_pressure": 2_000.0,
        "gas_supply_pressure": -3_000.0,
        "charger_current": 1.0,
    }
)
"""How far a drifting sensor is off at severity 1, in the signal's symbol."""


@dataclass(frozen=True, slots=True)
class Gateway:
    """How a gateway reports.

    every_s: its rhythm, at a phase of its own. on_change: it leaves out what stayed within the dead band since it last
    reported, for at most heartbeat_s. quick: battery and gas each second around a crank. batch_s: it sends what it
    gathered each so often, 0: at once. latency_s: mean time a message takes. late_share, late_s: so many messages take
    up to that much longer, and are overtaken. repeat_share: so many messages come twice. lost_share: never.
    gaps_a_day, gap_s: how often its link is down and how long on average, at most GAP_S_MAX. back_fill: what it does
    with what it could not send: 'oldest_first', 'newest_first' or 'none'. back_fill_a_s: messages a second then.
    keep_s: how long it can keep them. clock_offset_s, clock_drift_ppm: half widths; it sets its clock each clock_set_s.
    """

    every_s: int = 60
    on_change: bool = False
    heartbeat_s: int = 900
    quick: bool = True
    batch_s: int = 0
    latency_s: float = 0.4
    late_share: float = 0.0
    late_s: float = 0.0
    repeat_share: float = 0.0
    lost_share: float = 0.0
    gaps_a_day: float = 0.0
    gap_s: float = 0.0
    back_fill: str = "oldest_first"
    back_fill_a_s: float = 20.0
    keep_s: float = 7 * 86_400.0
    clock_offset_s: float = 0.3
    clock_drift_ppm: float = 20.0
    clock_set_s: float = 6 * 3600.0
    sensors: str = field(default="usual")


GATEWAYS: Mapping[str, Gateway] = MappingProxyType(
    {
        "minute": Gateway(gaps_a_day=0.05, gap_s=600.0),
        "steady": Gateway(),  # on a wire: its link never falls out
        "ten-seconds": Gateway(every_s=10, gaps_a_day=0.05, gap_s=600.0),
        "five-minutes": Gateway(every_s=300, quick=False, gaps_a_day=0.1, gap_s=900.0),
        "on-change": Gateway(every_s=10, on_change=True, gaps_a_day=0.05, gap_s=600.0),
        "quarter-hour-batches": Gateway(batch_s=900, latency_s=2.0, gaps_a_day=0.1, gap_s=1800.0),
        # A weak mobile link: messages overtake one another, some come twice, and after a gap the newest come first.
        "weak-mobile": Gateway(
            latency_s=3.0,
            late_share=0.03,
            late_s=180.0,
            repeat_share=0.02,
            gaps_a_day=1.0,
            gap_s=2_400.0,
            back_fill="newest_first",
            back_fill_a_s=4.0,
            clock_offset_s=2.0,
        ),
        # An old box that keeps nothing, sets its clock once a month and cannot report quickly.
        "forgetful": Gateway(
            quick=False,
            lost_share=0.01,
            gaps_a_day=0.5,
            gap_s=1_800.0,
            back_fill="none",
            clock_offset_s=5.0,
            clock_drift_ppm=40.0,
            clock_set_s=30 * 86_400.0,
            sensors="coarse",
        ),
        # What a test wants: each minute on the minute, at once.
        "ideal": Gateway(latency_s=0.0, clock_offset_s=0.0, clock_drift_ppm=0.0, sensors="ideal"),
    }
)
GAP_S_MAX = 2 * 86_400.0
