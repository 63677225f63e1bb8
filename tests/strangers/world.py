"""The world of a run: all units carried through all minutes, and what truly was, kept.

In: a seed, how many units, days and faults. Out: a World with traces a minute and a stretch. May import: numpy,
tests.strangers. Touches nothing. Traces are [time, unit]; temperatures Cel, volts and amperes a 12 V block, Pa.

A unit whose battery or gas is too weak at the moment of a start does not run: what follows from a fault follows.
"""

from collections import defaultdict
from dataclasses import dataclass, fields
from datetime import date, timedelta

import numpy as np

from tests.strangers.battery import CELL_VOLTS, Battery, PowerDrives, cranking_volts
from tests.strangers.channels import NORMAL, Channels
from tests.strangers.climate import Weather, draw_weather
from tests.strangers.design import Design, design
from tests.strangers.draws import Array, columns, stream
from tests.strangers.enclosure import AirDrives, Enclosure
from tests.strangers.faults import Fault, apply, deal
from tests.strangers.gas import Gas, GasDrives
from tests.strangers.people import Calendar, Start, calendar
from tests.strangers.span import STRETCH_MINUTES, STRETCHES_A_DAY, Span
from tests.strangers.water import Water, WaterDrives

STARTER_STOPS_VOLTS = 6.2  # a block: under it the engine does not turn fast enough, our choice
GAS_TOO_LEAN, GAS_TOO_RICH = (
    0.35,
    2.2,
)  # of set: a warm engine starts wider than it is ready by the contract, our choice


@dataclass(slots=True)
class Traces:
    """What truly was.

    A minute, float32 [minute, unit]: water, air (what perfect sensors in their places would read), volts, ampere, gas,
    supply. running: uint8. A stretch, float32 [stretch, unit]: block, rest_volts, charge, battery_cel, case (Pa over
    the diaphragm), supply_slow, heater_watt, air_slow, ice (factor
    of a frozen battery on its resistance).
    """

    water: Array
    air: Array
    volts: Array
    ampere: Array
    gas: Array
    supply: Array
    running: Array
    block: Array
    rest_volts: Array
    charge: Array
    battery_cel: Array
    case: Array
    supply_slow: Array
    heater_watt: Array
    air_slow: Array
    ice: Array


@dataclass(slots=True)
class World:
    """A run. weather fields are [stretch, unit] here; the others by unit or of all."""

    seed: int
    span: Span
    designs: list[Design]
    faults: list[Fault]
    calendars: list[Calendar]
    channels: Channels
    weather: Weather
    traces: Traces
    numbers: dict[str, dict[str, Array]]  # by part, then name, [unit]

    @property
    def starts(self) -> list[Start]:
        """All starts of all units."""
        return [start for plan in self.calendars for start in plan.starts]


def make(seed: int, *, units: int, days: int, faults: int, first_unit: int = 0) -> World:
    """A whole run.

    Args:
        seed: >= 0; the same seed gives the same world.
        units: how many, side by side; memory grows by some 20 MB a unit-year.
        days: length.
        faults: how many, over all units.
        first_unit: number of the first one, where a run is made in parts.
    """
    span = draw_span(seed, days)
    designs = [design(seed, first_unit + number) for number in range(units)]
    dealt = deal(seed + first_unit, designs, span=span, count=faults)
    return carried(seed, designs, dealt, span)


def draw_span(seed: int, days: int) -> Span:
    """A span whose first day falls anywhere in a year."""
    return Span(date(2024, 1, 1) + timedelta(days=int(stream(seed, 999_999, "span").integers(0, 365))), days)


def twin_of(world: World) -> World:
    """The same units, people and weather, but nothing ever breaks: what would have been."""
    return carried(world.seed, world.designs, world.faults, world.span, broken=False)


def carried(seed: int, designs: list[Design], faults: list[Fault], span: Span, *, broken: bool = True) -> World:
    """The world of given units and faults.

    Args:
        seed: of the run.
        designs: of the units.
        faults: their `unit` counts in designs.
        span: of the run.
        broken: False for a twin: people do what they do, and no fault has an effect.
    """
    channels = Channels(span.stretches, len(designs))
    weathers = [_weather(seed, unit, span) for unit in designs]
    calendars, stood = [], []
    for column, unit in enumerate(designs):
        own = [fault for fault in faults if fault.unit == column]
        calendars.append(calendar(seed, unit, column, span=span, faults=own, channels=channels))
        for place, fault in enumerate(own):
            if not broken:
                continue
            rng = stream(seed, unit.number, f"fault {place}")
            came = apply(fault, channels, rng=rng, weather=weathers[column], design=unit)
            stood += [came] if came else []
    weather = Weather(**{f.name: np.stack([getattr(w, f.name) for w in weathers], axis=1) for f in fields(Weather)})
    parts = ("water", "battery", "gas", "house", "habits")
    numbers = {part: columns([getattr(unit, part) for unit in designs]) for part in parts}
    line = _line_volts(seed, designs, numbers["habits"], span)
    loop = _Loop(designs, calendars, channels, weather, numbers, line, span)
    for fault in stood:
        loop.resets[fault.end // STRETCH_MINUTES].append(fault.unit)
        if fault.kind.condition == "battery_weak" and fault.kind.cause != "loose_post":
            loop.renewals[fault.end // STRETCH_MINUTES].append(fault.unit)
    traces = loop.run()
    return World(seed, span, designs, stood, calendars, channels, weather, traces, numbers)


def _weather(seed: int, unit: Design, span: Span) -> Weather:
    rng = stream(seed, unit.place, "weather")
    return draw_weather(rng, unit.climate, span=span, utc_offset_h=unit.utc_offset_h, height_m=unit.height_m)


def _line_volts(seed: int, designs: list[Design], habits: dict[str, Array], span: Span) -> Array:
    """Line volts over nominal: an evening sag and slow wandering, [stretch, unit]."""
    offset = np.array([unit.utc_offset_h for unit in designs])
    hour = (span.stretch_hours()[:, None] + offset - habits["line_phase_h"] + 12) % 24 - 12
    line = 1.01 - habits["line_sag"] * np.exp(-((hour / 2.2) ** 2))
    for column, unit in enumerate(designs):
        rng = stream(seed, unit.number, "line")
        steps = rng.standard_normal(span.stretches // 18 + 2) * 0.008
        line[:, column] += np.interp(np.arange(span.stretches) / 18.0, np.arange(len(steps)), steps)
    return np.asarray(line)


class _Loop:
    """The walk through time. One object only because its parts share so many arrays."""

    def __init__(
        self,
        designs: list[Design],
        calendars: list[Calendar],
        channels: Channels,
        weather: Weather,
        numbers: dict[str, dict[str, Array]],
        line: Array,
        span: Span,
    ) -> None:
        self.span, self.channels, self.weather, self.line, self.numbers = span, channels, weather, line, numbers
        self.count = len(designs)

        def gathered(name: str) -> Array:
            return np.stack([getattr(plan, name) for plan in calendars], axis=1)

        self.running, self.mains, self.doors = gathered("running"), gathered("mains"), gathered("doors")
        self.charger_off, self.breaker = gathered("charger_off"), gathered("breaker")
        self.load, self.lights = gathered("load"), gathered("lights")
        self.starts: dict[int, list[Start]] = defaultdict(list)
        self.resets: dict[int, list[int]] = defaultdict(list)
        self.renewals: dict[int, list[int]] = defaultdict(list)
        for column, plan in enumerate(calendars):
            for start in plan.starts:
                self.starts[int(start.minute)].append(start)
            for visit in plan.visits:
                self.resets[visit // STRETCH_MINUTES].append(column)
            for event in plan.events:
                if event.name == "battery_replaced":
                    self.renewals[event.begin // STRETCH_MINUTES].append(column)
        air = weather.air[0]
        self.house = Enclosure(numbers["house"], air)
        self.water = Water(numbers["water"], self.house.air)
        self.battery = Battery(numbers["battery"], self.house.air)
        self.gas = Gas(numbers["gas"], air)

    def run(self) -> Traces:
        """All minutes, after one day that nobody sees, in which the parts find their balance."""
        for stretch in range(min(STRETCHES_A_DAY, self.span.stretches)):
            self._stretch(stretch, None)
        minutes, stretches = (self.span.minutes, self.count), (self.span.stretches, self.count)
        slow = {"block", "rest_volts", "charge", "battery_cel", "case", "supply_slow", "heater_watt", "air_slow", "ice"}
        names = [f.name for f in fields(Traces) if f.name != "running"]
        kept = {name: np.empty(stretches if name in slow else minutes, np.float32) for name in names}
        traces = Traces(running=self.running, **kept)
        for stretch in range(self.span.stretches):
            self._stretch(stretch, traces)
        return traces

    def _stretch(self, stretch: int, traces: Traces | None) -> None:
        now = {name: self.channels.values[name][stretch].astype(float) for name in NORMAL}
        w, line = self.weather, self.line[stretch]
        outside, sun, wind, barometer = w.air[stretch], w.sun[stretch], w.wind[stretch], w.barometer[stretch]
        after = min(stretch + 1, self.span.stretches - 1)
        change = (w.barometer[after] - barometer) / STRETCH_MINUTES
        idle = np.zeros(self.count)
        power = PowerDrives(
            self.house.air, sun, line, idle, idle, idle, idle, now["charger_alive"], now["charger_shift"], now["limit"],
            now["short_cells"], now["resistance"], now["capacity"], now["fuse"],
        )  # fmt: skip
        supply = now["supply"] * self._supply_habit(stretch, outside)
        gas = GasDrives(
            self.house.air, outside, barometer, change, idle, idle, supply, now["vent_h"], now["creep"], now["spring"]
        )
        water = WaterDrives(
            self.house.air, outside, wind, line, idle, idle, idle, now["airflow"], now["element"], now["stuck"],
            now["heater_set"], now["circulation"], now["coolant"],
        )  # fmt: skip
        air = AirDrives(
            outside, sun, wind, idle, idle, idle, idle, now["airflow"], now["louvers"], idle, self.water.block
        )
        if traces is not None and stretch in self.resets:
            self.water.reset_cut_outs(np.array(self.resets[stretch]))
        if traces is not None and stretch in self.renewals:
            self.battery.renew(np.array(self.renewals[stretch]))
        for minute in range(stretch * STRETCH_MINUTES, (stretch + 1) * STRETCH_MINUTES):
            if traces is not None:
                for start in self.starts.get(minute, ()):
                    self._try(start, now, supply)
                running, load = self.running[minute].astype(float), self.load[minute].astype(float)
            else:
                running, load = idle, idle
            mains = self.mains[minute].astype(float)
            fed = np.maximum(mains, running * self.numbers["battery"]["fed_by_set"])
            power.air = water.air = gas.inside = self.house.air
            power.mains, power.running, power.charger_off = fed, running, self.charger_off[minute]
            power.extra_load = now["extra_load"] + self.lights[minute]
            gas.running = water.running = air.running = running
            gas.load = water.load = air.load = load
            water.powered = fed * now["heater_ac"] * self.breaker[minute]
            air.powered, air.doors = fed, self.doors[minute]
            self.battery.step(power)
            self.gas.step(gas)
            self.water.step(water)
            air.heat, air.block = self.water.heat_to_air, self.water.top
            self.house.step(air)
            if traces is not None:
                traces.water[minute], traces.air[minute] = self.water.reading, self.house.reading
                traces.volts[minute], traces.ampere[minute] = self.battery.volts, self.battery.charge_ampere
                traces.gas[minute], traces.supply[minute] = self.gas.pressure, self.gas.supply
        if traces is not None:
            self._keep(stretch, now, traces)

    def _supply_habit(self, stretch: int, outside: Array) -> Array:
        """Share of the usual supply that season and evening leave."""
        p, habits = self.numbers["gas"], self.numbers["habits"]
        sag = habits["line_sag"]  # the street that cooks loads both nets; its sag gives the evening's shape
        evening = (1.01 - self.line[stretch]) / np.maximum(sag, 0.01)
        return np.asarray(
            1 - p["supply_evening"] * np.clip(evening, 0, 1) - p["supply_cold"] * np.clip(5 - outside, 0, 40)
        )

    def _keep(self, stretch: int, now: dict[str, Array], traces: Traces) -> None:
        traces.block[stretch] = self.water.block
        traces.rest_volts[stretch] = self.battery.at_rest(now["short_cells"], now["capacity"])
        traces.charge[stretch] = self.battery.charge(now["capacity"])
        traces.battery_cel[stretch] = self.battery.temperature
        traces.case[stretch], traces.supply_slow[stretch] = self.gas.case, self.gas.supply
        traces.heater_watt[stretch], traces.air_slow[stretch] = self.water.heater_watt, self.house.air
        traces.ice[stretch] = self.battery.ice

    def _try(self, start: Start, now: dict[str, Array], supply: Array) -> None:
        """What a start comes to; a failed one takes its run out of the plan."""
        unit, p = start.unit, self.numbers["battery"]
        volts = cranking_volts(
            p,
            volts=self.battery.at_rest(now["short_cells"], now["capacity"]),
            charge=self.battery.charge(now["capacity"]),
            battery_cel=self.battery.temperature,
            block_cel=self.water.block,
            resistance=now["resistance"] * self.battery.ice,
            post_ohm=now["post_ohm"],
        )[unit]
        start.least_volts = float(volts)
        load = np.full(self.count, 0.2)
        gas = self.gas.under_load(load, self.gas.case, now["vent_h"], now["spring"], self.gas.p["supply"] * supply)[
            unit
        ]
        set_point = self.numbers["gas"]["set_point"][unit]
        if start.outcome == "ran" and volts < STARTER_STOPS_VOLTS:
            start.outcome, start.tries, start.crank_s = "no_crank", 3, 2.0
        elif start.outcome == "ran" and not GAS_TOO_LEAN * set_point < gas < GAS_TOO_RICH * set_point:
            start.outcome, start.tries, start.crank_s = "no_gas", 3, 15.0
        if start.outcome != "ran":
            self.running[int(start.minute) : start.runs_until, unit] = 0
        ampere = (volts + CELL_VOLTS * now["short_cells"][unit]) / p["starter"][unit]
        used = ampere * start.crank_s * start.tries / 3600.0
        self.battery.hand[unit] = max(self.battery.hand[unit] - used, 0.0)
