"""Each part of a stranger against literal numbers of the trade, and against the laws of its own physics."""

from dataclasses import replace

import numpy as np
import pytest

from tests.strangers.battery import KINDS, REST_VOLTS, Battery, PowerDrives, cold_factor, draw_battery, rest_volts
from tests.strangers.climate import CLIMATES, draw_weather
from tests.strangers.draws import Array, columns, stream
from tests.strangers.gas import Gas, GasDrives, draw_gas
from tests.strangers.span import Span
from tests.strangers.water import Water, WaterDrives, draw_water
from tests.strangers.world import draw_span

ONE = np.ones(1)
NONE = np.zeros(1)


def _water(**changed: float) -> dict[str, Array]:
    """Numbers of one tank-heated unit, some of them changed."""
    numbers = draw_water(stream(1, 1, "test"), coldest=-10.0)[1]
    plain = {
        "plug": 0.0,
        "proportional": 0.0,
        "two_stage": 0.0,
        "wind_factor": 0.0,
        "stub_leak": 0.0,
        "hose_minutes": 0.0,
    }
    siphon = {"flow_pumped": 200.0, "flow_siphon": 0.0, "flow_switch": 0.0, "cut_out": 200.0}
    return columns([numbers | plain | siphon | changed])


def _quiet(air: float, **changed: Array) -> WaterDrives:
    drives = WaterDrives(
        air=ONE * air, outside=ONE * air, wind=NONE, line=ONE, powered=ONE, running=NONE, load=NONE, airflow=ONE,
        element=ONE, stuck=NONE, set_shift=NONE, circulation=ONE, coolant=ONE,
    )  # fmt: skip
    return replace(drives, **changed)


@pytest.mark.parametrize(("limit", "hours"), [(32.0, 4.26), (21.0, 8.47)])
def test_unheated_block_cools_as_the_trade_table_says(limit: float, hours: float) -> None:
    """TRADE.md section 3: from 49 Cel in still air of 0 Cel with a time constant of 10 h."""
    lump = {"capacity_top": 2e5, "capacity_bottom": 2e5, "loss_top": 4e5 / 72e3, "loss_bottom": 4e5 / 72e3}
    bare = {"capacity_tank": 1.0, "loss_tank": 1e-6, "deck_share": 1e-6, "between_parts": 100.0}
    water = Water(_water(**lump, **bare), NONE)
    for part in (water.tank, water.top, water.bottom, water.deck):
        part[:] = 49.0
    minutes = 0
    while water.block[0] > limit:
        water.step(_quiet(0.0, powered=NONE))
        minutes += 1
    assert minutes / 60 == pytest.approx(hours, rel=0.01)


def test_heat_put_in_is_heat_found_again() -> None:
    """Law: without losses, what the element gave in two hours is in tank and block."""
    numbers = _water(loss_tank=1e-9, loss_top=0.0, loss_bottom=0.0, power=1500.0)
    water = Water(numbers, ONE * 10.0)
    for part in (water.tank, water.top, water.bottom, water.deck):
        part[:] = 10.0
    given = 0.0
    for _ in range(120):
        water.step(_quiet(10.0, stuck=ONE))
        given += float(water.heater_watt[0]) * 60.0
    p, deck = numbers, numbers["deck_share"] * numbers["capacity_top"]
    stored = p["capacity_tank"] * (water.tank - 10) + p["capacity_top"] * (water.top - 10)
    stored = stored + p["capacity_bottom"] * (water.bottom - 10) + deck * (water.deck - 10)
    assert given == pytest.approx(1500 * 7200)
    assert float(stored[0]) == pytest.approx(given, rel=1e-6)


def test_sound_heaters_hold_their_block_and_never_cut_out() -> None:
    """Three hundred drawn units through two days at the cold they were chosen for: warm, and no red button pressed."""
    water = Water(
        columns([draw_water(stream(6, unit, "test"), coldest=-20.0)[1] for unit in range(300)]), np.zeros(300)
    )
    cold = np.ones(300)
    drives = replace(_quiet(0.0), air=cold * -20.0, outside=cold * -20.0)
    for name in ("line", "powered", "airflow", "element", "circulation", "coolant"):
        setattr(drives, name, cold)
    for name in ("wind", "running", "load", "stuck", "set_shift"):
        setattr(drives, name, np.zeros(300))
    for _ in range(2880):
        water.step(drives)
    assert water.cut.sum() == 0
    assert water.block.min() > 25.0


def test_a_tenth_less_line_volts_is_a_fifth_less_heat() -> None:
    """TRADE.md section 3: volts -10 %, power -19 %."""
    water = Water(_water(power=1000.0), NONE)
    water.step(_quiet(0.0, line=ONE * 0.9, stuck=ONE))
    assert water.heater_watt[0] == pytest.approx(810.0)


@pytest.mark.parametrize(("air", "case"), [(-20.0, -13826.0), (0.0, -6913.0), (30.0, 3456.0), (40.0, 6913.0)])
def test_sealed_vent_follows_the_gas_law(air: float, case: float) -> None:
    """TRADE.md section 5: sealed at 20 Cel and 101325 Pa abs, pressure over the diaphragm at other temperatures."""
    gas = Gas(columns([draw_gas(stream(2, 1, "test"))[1] | {"pipe_lag": 1.0}]), ONE * 20.0)
    for inside in np.linspace(20.0, air, 400):
        gas.step(_sealed(inside, change=0.0))
    # Small steps of p/T add up to the logarithm; the sealed block of the table is the straight line.
    assert gas.case[0] == pytest.approx(101_325.0 * np.log((air + 273.15) / 293.15), rel=0.01)
    assert gas.case[0] == pytest.approx(case, rel=0.08)


def test_sealed_vent_answers_a_falling_barometer() -> None:
    """TRADE.md section 5: barometer -2 kPa gives +2 kPa."""
    gas = Gas(columns([draw_gas(stream(2, 1, "test"))[1] | {"pipe_lag": 1.0}]), ONE * 20.0)
    for _ in range(20):
        gas.step(_sealed(20.0, change=-100.0))
    assert gas.case[0] == pytest.approx(2000.0, rel=0.01)


def _sealed(air: float, *, change: float) -> GasDrives:
    return GasDrives(
        inside=ONE * air, outside=ONE * air, barometer=ONE * 101_325.0, barometer_change=ONE * change, running=NONE,
        load=NONE, supply=ONE, vent_h=ONE * 1e7, creep=NONE, spring=ONE,
    )  # fmt: skip


def test_healthy_regulator_has_a_flat_floor_and_warm_humps() -> None:
    """TRADE.md section 5: warm humps over a flat floor are healthy."""
    numbers = draw_gas(stream(2, 1, "test"))[1] | {"pipe_lag": 1.0, "hump": 100.0, "bleed_h": 1e6, "relief": 1e9}
    gas = Gas(columns([numbers | {"supply": 5 * numbers["set_point"]}]), ONE * 20.0)
    gas.pressure[:] = numbers["set_point"]
    seen = []
    for air in 20 + 10 * np.sin(np.arange(2880) * 2 * np.pi / 1440):
        gas.step(replace(_sealed(float(air), change=0.0), vent_h=NONE))
        seen.append(float(gas.pressure[0]))
    assert min(seen) == pytest.approx(numbers["set_point"], rel=0.002)
    assert max(seen[1440:]) - min(seen) == pytest.approx(2000.0, rel=0.05)  # 20 K of 100 Pa/K above the night's floor


def test_rest_volts_are_the_trade_table() -> None:
    """TRADE.md section 4, flooded block."""
    charge = np.array([1.0, 0.75, 0.5, 0.25, 0.06])
    assert rest_volts(np.zeros(5), charge)[:4] == pytest.approx([12.65, 12.45, 12.24, 12.06], abs=0.001)
    assert REST_VOLTS[KINDS.index("agm"), -1] > 12.8


def test_cold_battery_gives_what_the_trade_chart_says() -> None:
    """TRADE.md section 4: cranking power 100, 65, 40, 25 % at 27, 0, -18, -29 Cel; a wide band, makes differ."""
    power = 1 / cold_factor(np.array([27.0, 0.0, -18.0, -29.0]))
    assert np.all(np.abs(power - [1.0, 0.65, 0.40, 0.25]) < [0.05, 0.1, 0.2, 0.25])
    assert np.all(np.diff(power) < 0)


def test_battery_without_charger_gives_no_more_than_it_holds() -> None:
    """Law: ampere-hours drawn at a constant load are those that the wells lose, self-discharge apart."""
    numbers = columns([draw_battery(stream(3, 1, "test"), coldest=0.0)[1] | {"self_discharge": 0.0, "load": 2.0}])
    battery = Battery(numbers, ONE * 20.0)
    before = float(battery.hand[0] + battery.bound[0])
    hours = 0.2 * before / 2.0
    for _ in range(int(hours * 60)):
        battery.step(_dead_charger(20.0))
    lost = before - float(battery.hand[0] + battery.bound[0])
    assert lost == pytest.approx(2.0 * int(hours * 60) / 60, rel=1e-6)
    assert float(battery.charge(ONE)[0]) == pytest.approx(0.8, abs=0.01)


def test_flat_battery_freezes_and_full_one_does_not() -> None:
    """TRADE.md section 4: flat it freezes near -8..-15 Cel, full at -59 Cel."""
    numbers = columns(
        [draw_battery(stream(3, 1, "test"), coldest=0.0)[1] | {"kind": 0.0, "pad": -99.0, "heat_lag": 1.0}]
    )
    full, flat = Battery(numbers, ONE * 20.0), Battery(numbers, ONE * 20.0)
    flat.hand *= 0.05
    flat.bound *= 0.05
    full.step(_dead_charger(-20.0))
    flat.step(_dead_charger(-20.0))
    assert full.ice[0] == 1.0
    assert flat.ice[0] > 10.0


def _dead_charger(air: float) -> PowerDrives:
    return PowerDrives(
        air=ONE * air, sun=NONE, line=ONE, mains=ONE, running=NONE, charger_off=ONE, extra_load=NONE,
        charger_alive=ONE, charger_shift=NONE, limit=ONE, short_cells=NONE, resistance=ONE, capacity=ONE, fuse=ONE,
    )  # fmt: skip


def test_climates_differ_as_places_do() -> None:
    """Desert heat, continental cold, even tropics; all inside what the contract takes for air."""
    span = Span(draw_span(4, 365).first, 365)
    air = {
        name: draw_weather(stream(4, 0, name), climate, span=span, utc_offset_h=0.0, height_m=climate.height[0]).air
        for name, climate in CLIMATES.items()
    }
    assert min(values.min() for values in air.values()) >= -45
    assert max(values.max() for values in air.values()) <= 50
    assert air["continental"].min() < -26
    assert air["desert"].max() > 40
    assert np.ptp(air["tropical"]) < 22
    january, july = slice(0, 0), slice(0, 0)
    month = np.array([(span.at(stretch * 10)).month for stretch in range(span.stretches)])
    january, july = month == 1, month == 7
    assert air["southern"][january].mean() > air["southern"][july].mean() + 8
    assert air["temperate"][july].mean() > air["temperate"][january].mean() + 12
