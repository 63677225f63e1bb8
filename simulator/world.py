"""The simulated world: weather, mains, faults, people and runs act on all units, minute after minute, day after day.

In: a scenario. Out: days, in order: what perfect sensors would read, who started and who failed to, when nobody could
have. May import: numpy, simulator. Touches nothing.

One step is a minute; within it each room makes steps as short as it needs. Only a day is held at a time. A start is a
matter of seconds, and so is a gas main that fails: where one falls into a minute, battery and gas are also told second
by second. What a world remembers can be kept, and another world of the same scenario goes on from it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from simulator import battery, enclosure, gas, water
from simulator.attempts import Attempt, Charging, attempt, flow_of, not_attempted
from simulator.chance import SECOND_NS, Float64, Int64
from simulator.failing import failing_gas
from simulator.faults import MENDED_AFAR, Fault, FaultKind
from simulator.gateways import QUICK_SIGNALS, SIGNALS
from simulator.imagined import imagined_load, imagined_start
from simulator.inputs import Inputs, Plan, inputs_of, moment, new_batteries, plan_of
from simulator.people import Called, Visit, called_out, newly_called, recalled
from simulator.plant import States, begin, plant_of, rows_of, with_rows
from simulator.rows import exchanged, taken
from simulator.running import (
    CONTROL_DROPPED_OUT,
    COOL_DOWN_S,
    LOCKED_OUT,
    NO_GAS,
    NOT_IN_AUTO,
    TOO_MUCH_GAS,
    outage_delay_s,
    retransfer_s,
)
from simulator.scenario import Scenario
from simulator.sensing import Truth
from simulator.truth import DEFINITION, LOADED_EACH, TRIED_EACH, Reason, Reasons, each_minute, of_a_start, of_full_load

MINUTE_NS = 60 * SECOND_NS
DAY_NS = 1440 * MINUTE_NS
STEP_S = 60.0
RATED_SPEED = 1800.0  # 1/min, four poles at 60 Hz
FOREVER_NS = 2**62


@dataclass(frozen=True, slots=True)
class Run:
    """A run that came about, or the start that failed. to_ns: None while it lasts at the end of the scenario.

    why: 'exercise' or 'outage'. failed_because: why it did not start, or stopped by itself; '' where nothing was wrong.
    least_block_volts: of its crank; least_gas_share: of the set point, until half a minute after it; NaN: no crank.
    """

    unit: int
    why: str
    from_ns: int
    to_ns: int | None
    load: float
    started: bool
    failed_because: str
    attempts: int
    least_block_volts: float
    least_gas_share: float


@dataclass(frozen=True, slots=True)
class Day:
    """A day of the world.

    truth: what perfect sensors would read of every signal; its minutes are those after from_ns up to to_ns, of the
    first day from_ns too; its quick rows are battery and gas each second from a crank until half a minute after it.
    reasons: why units were not ready, bits of truth.Reason, [unit, minute]. runs: that ended, or never began. visits:
    that began. outages: of sites, that ended, from and to.
    faults: the scenario's, some of them mended by who was called out.
    """

    from_ns: int
    to_ns: int
    truth: Truth
    reasons: Reasons
    runs: tuple[Run, ...]
    visits: tuple[Visit, ...]
    outages: tuple[tuple[str, int, int], ...]
    faults: tuple[Fault, ...]


def days(scenario: Scenario) -> Iterator[Day]:
    """The days of a scenario, the last one perhaps shorter; it also tells runs and outages that still last."""
    world = World(scenario)
    for from_ns in range(scenario.from_ns, scenario.to_ns, DAY_NS):
        yield world.day(from_ns, min(from_ns + DAY_NS, scenario.to_ns))


@dataclass(frozen=True, slots=True)
class _Columns:
    """What is noted of a day, [minute, unit]; row 0 is its beginning. unready: bits of a start and a load imagined."""

    water: Float64
    coolant: Float64
    volts: Float64
    current: Float64
    pressure: Float64
    air: Float64
    running: Float64
    load: Float64
    unready: Reasons


def _columns(minutes: int, units: int) -> _Columns:
    """Columns to be filled."""
    water, coolant, volts, current, pressure, air, running, load = np.empty((8, minutes, units))
    return _Columns(water, coolant, volts, current, pressure, air, running, load, np.empty((minutes, units), np.uint16))


@dataclass(frozen=True, slots=True, order=True)
class _Happening:
    """Something that happens to a unit at a moment; those of one minute in the order of rank."""

    rank: int
    at_ns: int
    unit: int
    what: str
    size: float = 0.0
    to_ns: int = 0


@dataclass(frozen=True, slots=True)
class Memory:
    """What a world remembers at the whole minute at_ns, ns UTC; all but the last four [unit].

    volts: of the sets, current: of the chargers, A, pressure: of the gas, Pa. running, load: 0 or 1, share of full
    load. unload_ns, stop_ns: when runs lose their load, and end. tried, loaded: bits of a start and a load imagined.
    locked: that of a lock-out. band_shift: of the heater's thermostat, K. set_point: of the regulators, Pa. active:
    runs under way. waiting: rows of units that an outage asks to start while their switch stands off or they are locked
    out. out_since: rows of sites and ns. called: who was called out so far.
    """

    at_ns: int
    states: States
    volts: Float64
    current: Float64
    pressure: Float64
    running: Float64
    load: Float64
    unload_ns: Int64
    stop_ns: Int64
    tried: Reasons
    loaded: Reasons
    locked: Reasons
    band_shift: Float64
    set_point: Float64
    active: tuple[Run, ...]
    waiting: tuple[int, ...]
    out_since: tuple[tuple[int, int], ...]
    called: tuple[Called, ...]


@dataclass(slots=True)
class _Quick:
    """Rows of a second each, gathered through a day."""

    time_ns: list[Int64] = field(default_factory=list)
    unit: list[Int64] = field(default_factory=list)
    signal: list[Int64] = field(default_factory=list)
    value: list[Float64] = field(default_factory=list)

    def add(self, signal: str, unit: int, at_ns: int, value: Float64) -> None:
        self.time_ns.append(at_ns + SECOND_NS * np.arange(len(value), dtype=np.int64))
        self.unit.append(np.full(len(value), unit, np.int64))
        self.signal.append(np.full(len(value), SIGNALS.index(signal), np.int64))
        self.value.append(value)

    def tells(self, signal: str, unit: int, from_ns: int) -> bool:
        """Whether a signal of a unit has rows after a time."""
        return any(
            len(mine) and mine[0] == unit and signals[0] == SIGNALS.index(signal) and time_ns[-1] > from_ns
            for mine, signals, time_ns in zip(self.unit, self.signal, self.time_ns, strict=True)
        )


class World:
    """What goes on from day to day."""

    def __init__(self, scenario: Scenario, memory: Memory | None = None) -> None:
        """
        Args:
            memory: of a world of the same scenario, whose faults from then on may be others; None: at its beginning.
        """
        self.scenario = scenario
        self.at_ns = scenario.from_ns
        self.plan: Plan = plan_of(scenario)
        self.plant = plant_of(scenario)
        units = self.plant.units
        self.states: States | None = None
        self.volts, self.current, self.pressure = np.zeros(units), np.zeros(units), np.zeros(units)
        self.running, self.load = np.zeros(units), np.zeros(units)
        self.unload_ns = np.full(units, FOREVER_NS, np.int64)
        self.stop_ns = np.full(units, FOREVER_NS, np.int64)
        self.active: dict[int, Run] = {}
        self.tried, self.loaded, self.locked = np.zeros((3, units), np.uint16)
        self.band_shift = np.zeros(units)
        self.waiting: set[int] = set()  # units that an outage asks to start while their switch stands off
        self.out_since: dict[int, int] = {}
        self.called: tuple[Called, ...] = ()
        self.ended: list[Run] = []
        self.outages: list[tuple[str, int, int]] = []
        self.quick = _Quick()
        if memory is not None:
            self._remember(memory)

    @property
    def memory(self) -> Memory:
        """What to go on from. Only once a day has been told."""
        assert self.states is not None, "there is nothing to remember before the first day"
        return Memory(
            at_ns=self.at_ns,
            states=self.states,
            volts=self.volts,
            current=self.current,
            pressure=self.pressure,
            running=self.running,
            load=self.load,
            unload_ns=self.unload_ns.copy(),  # these two change in place
            stop_ns=self.stop_ns.copy(),
            tried=self.tried,
            loaded=self.loaded,
            locked=self.locked,
            band_shift=self.band_shift,
            set_point=self.plant.gas.set_point,
            active=tuple(self.active.values()),
            waiting=tuple(sorted(self.waiting)),
            out_since=tuple(self.out_since.items()),
            called=self.called,
        )

    def _remember(self, memory: Memory) -> None:
        self.at_ns, self.states = memory.at_ns, memory.states
        self.volts, self.current, self.pressure = memory.volts, memory.current, memory.pressure
        self.running, self.load = memory.running, memory.load
        self.unload_ns, self.stop_ns = memory.unload_ns.copy(), memory.stop_ns.copy()
        self.tried, self.loaded, self.locked = memory.tried, memory.loaded, memory.locked
        self.band_shift = memory.band_shift
        self.plant = replace(self.plant, gas=replace(self.plant.gas, set_point=memory.set_point))
        self.active = {run.unit: run for run in memory.active}
        self.waiting, self.out_since = set(memory.waiting), dict(memory.out_since)
        self.called = memory.called
        self._let_come(*recalled(self.scenario.faults, self.scenario.units, memory.called))

    def day(self, from_ns: int, to_ns: int) -> Day:
        """The next day, or what there is to be of it.

        Args:
            from_ns: the end of the day before. to_ns: its own end, a whole minute.
        """
        assert from_ns == self.at_ns, "a day follows the one before"
        inputs = inputs_of(self.plant, self.plan, from_ns=from_ns, to_ns=to_ns)
        first = self.states is None
        if self.states is None:
            self.states = begin(self.plant, ambient=inputs.ambient[0])
            _, self.volts, self.current, self.pressure = self._stepped(self.states, inputs, 0)
        self.ended, self.outages, self.quick = [], [], _Quick()
        noted = self._minutes(inputs)
        self.at_ns = to_ns
        if to_ns == self.scenario.to_ns:
            self.ended += self.active.values()
            self.outages += [(self.scenario.sites[site].id, since, to_ns) for site, since in self.out_since.items()]
        quick, begin_row = self.quick, 0 if first else 1
        reasons = self._reasons(inputs, noted)[:, begin_row:]
        self._call_out(inputs.time_ns[begin_row:], reasons)
        return Day(
            from_ns=from_ns,
            to_ns=to_ns,
            truth=Truth(
                time_ns=inputs.time_ns[begin_row:],
                values=self._values(inputs, noted, begin_row),
                quick_time_ns=np.concatenate([np.zeros(0, np.int64), *quick.time_ns]),
                quick_unit=np.concatenate([np.zeros(0, np.int64), *quick.unit]),
                quick_signal=np.concatenate([np.zeros(0, np.int64), *quick.signal]),
                quick_value=np.concatenate([np.zeros(0), *quick.value]),
            ),
            reasons=reasons,
            runs=tuple(sorted(self.ended, key=lambda run: (run.from_ns, run.unit))),
            visits=tuple(visit for visit in self.plan.visits if from_ns <= visit.from_ns < to_ns),
            outages=tuple(sorted(self.outages, key=lambda outage: (outage[1], outage[0]))),
            faults=self.scenario.faults,
        )

    def _call_out(self, time_ns: Int64, reasons: Reasons) -> None:
        """Let those come who were called out on a day."""
        scenario = self.scenario
        faults, came = called_out(
            scenario.faults, scenario.units, time_ns, reasons, seed=scenario.seed, begin_ns=scenario.from_ns
        )
        if came:
            self.called += newly_called(scenario.faults, faults)
            self._let_come(faults, came)

    def _let_come(self, faults: tuple[Fault, ...], came: list[Visit]) -> None:
        """Go on with faults that are mended by visits which were not planned."""
        self.scenario = replace(self.scenario, faults=faults)
        self.plant = replace(self.plant, scenario=self.scenario)
        visits = sorted((*self.plan.visits, *came), key=lambda visit: (visit.from_ns, visit.unit))
        self.plan = replace(self.plan, visits=tuple(visits))

    # -- the hot path

    def _minutes(self, inputs: Inputs) -> _Columns:
        """Step through the day and note each minute."""
        count = len(inputs.time_ns) - 1
        noted = _columns(count + 1, self.plant.units)
        happenings = self._happenings(inputs)
        states = self.states
        assert states is not None, "day() has begun them"
        first_minute = int(inputs.time_ns[0]) // MINUTE_NS
        for minute in range(count + 1):
            if minute < count:
                for happening in happenings.get(minute, ()):
                    states = self._happen(states, happening, inputs, minute)
                if self.locked.any():  # whoever opens the doors resets what is locked out
                    self.locked = self.locked * (inputs.door_open[minute] < 0.5)
                for unit in sorted(self.waiting):
                    if inputs.in_auto[minute, unit] > 0.5 and not self.locked[unit]:
                        self.waiting.discard(unit)
                        states = self._outage(states, inputs, minute, unit)
                if self.active:
                    self._watch_runs(states, inputs, minute)
            if (first_minute + minute) % TRIED_EACH == 0:
                self._imagine(states, inputs, minute, loaded=(first_minute + minute) % LOADED_EACH == 0)
            noted.water[minute] = water.water_temperature(states.water)
            noted.coolant[minute] = states.water.coolant
            noted.volts[minute] = self.volts
            noted.current[minute] = self.current
            noted.pressure[minute] = self.pressure
            noted.air[minute] = states.enclosure.air
            noted.running[minute] = self.running
            noted.load[minute] = self.load
            noted.unready[minute] = self.tried | self.loaded | self.locked
            if minute < count:
                states, self.volts, self.current, self.pressure = self._stepped(states, inputs, minute)
        self.states = states
        return noted

    def _stepped(self, states: States, inputs: Inputs, minute: int) -> tuple[States, Float64, Float64, Float64]:
        """All states a minute later; volts of the sets, charger current and gas pressure then."""
        plant, acting = self.plant, inputs.effects
        air, running = states.enclosure.air, self.running
        ambient, wind = inputs.ambient[minute], inputs.wind[minute]
        supplied, charger_on = inputs.supplied[minute], inputs.charger_on[minute]
        if self.active:  # what runs feeds its own auxiliaries
            supplied = np.maximum(supplied, running * acting.breaker_closed[minute])
            charger_on = np.maximum(
                charger_on, running * acting.breaker_closed[minute] * acting.charger_supplied[minute]
            )
        wet, heat_w = water.step(
            plant.water,
            states.water,
            air=air,
            ambient=ambient,
            wind=wind,
            line_voltage=supplied * plant.heated,
            running=running,
            load=self.load,
            element_share=acting.element_share[minute],
            stuck_on=acting.stuck_on[minute],
            chatter=acting.chatter[minute],
            flow_share=acting.flow_share[minute],
            coolant_share=acting.coolant_share[minute],
            set_point_shift=acting.set_point_shift[minute] + self.band_shift,
            dt_s=STEP_S,
            noise=inputs.noise[minute],
        )
        housed = enclosure.step(
            plant.enclosure,
            states.enclosure,
            ambient=ambient,
            sun=inputs.sun[minute],
            wind=wind,
            heat_w=heat_w,
            running=running,
            louver_open=acting.louver_open[minute],
            grille_open=acting.grille_open[minute],
            door_open=inputs.door_open[minute],
            line_voltage=supplied,
            dt_s=STEP_S,
        )
        charged, volts, current = battery.step(
            plant.battery,
            states.battery,
            air=air,
            line_on=charger_on,
            running=running,
            draw_a=np.zeros(plant.units),
            output_share=acting.output_share[minute],
            current_share=acting.current_share[minute],
            interrupted=acting.interrupted[minute],
            shorted=acting.shorted[minute],
            resistance_factor=acting.resistance_factor[minute],
            left_load=acting.left_load[minute],
            over_volts=acting.over_volts[minute],
            equalise=inputs.equalise[minute],
            dt_s=STEP_S,
        )
        held, pressure = gas.step(
            plant.gas,
            states.gas,
            case_temperature=enclosure.case_temperature(plant.enclosure, housed),
            pipe_temperature=enclosure.pipe_temperature(plant.enclosure, housed),
            atmospheric_pressure=inputs.atmospheric_pressure[minute],
            supply=inputs.gas_supply[minute],
            supply_loss=inputs.supply_loss[minute],
            flow_share=flow_of(running, self.load),
            vent_open=acting.vent_open[minute],
            seat_leak=acting.seat_leak[minute],
            spring_shift=acting.spring_shift[minute],
            dt_s=STEP_S,
        )
        return States(wet, housed, charged, held), volts, current, pressure

    def _imagine(self, states: States, inputs: Inputs, minute: int, *, loaded: bool) -> None:
        """Note who could not start now and, where loaded, who would not last an hour at full load."""
        now, standing = moment(inputs, minute), self.running < 0.5
        block_volts, gas_share = imagined_start(self.plant, states, now)
        self.tried = of_a_start(least_block_volts=block_volts, gas_share=gas_share, standing=standing)
        if not loaded:
            return
        self.loaded = np.zeros(self.plant.units, np.uint16)
        rows = np.flatnonzero(inputs.at_risk & standing)
        if len(rows):
            part, part_states = rows_of(self.plant, states, rows)
            coolant, air = imagined_load(part, part_states, taken(now, rows, units=self.plant.units))
            self.loaded[rows] = of_full_load(hottest_coolant=coolant, hottest_air=air)

    # -- what happens now and then

    def _happenings(self, inputs: Inputs) -> dict[int, list[_Happening]]:
        """What happens on a day, by its minute."""
        from_ns, to_ns = int(inputs.time_ns[0]), int(inputs.time_ns[-1])
        row_of = {unit: row for row, unit in enumerate(self.scenario.unit_ids)}
        found = [
            _Happening(0, at_ns, row_of[unit], "battery_replaced")
            for at_ns, unit in new_batteries(self.scenario, from_ns=from_ns, to_ns=to_ns)
        ]
        found += [
            _Happening(1, event.from_ns, row_of[event.unit], event.kind, event.size)
            for event in self.scenario.events
            if event.kind.endswith("_set_point_changed") and from_ns <= event.from_ns < to_ns
        ]
        found += [
            _Happening(0, fault.to_ns, row_of[fault.unit], "repaired")
            for fault in self.scenario.faults
            if fault.to_ns is not None and fault.kind not in MENDED_AFAR and from_ns <= fault.to_ns < to_ns
        ]
        found += self._mains(inputs)
        found += [
            _Happening(4, run.start_ns, run.unit, "exercise", run.load, run.end_ns)
            for run in self.plan.exercises
            if from_ns <= run.start_ns < to_ns
        ]
        found += [
            _Happening(5, fault.from_ns, row_of[fault.unit], "gas_fails")
            for fault in self.scenario.faults
            if fault.kind is FaultKind.GAS_SUPPLY_LOW and fault.growth_s < STEP_S and from_ns <= fault.from_ns < to_ns
        ]
        by_minute: dict[int, list[_Happening]] = {}
        for happening in sorted(found):
            by_minute.setdefault((happening.at_ns - from_ns) // MINUTE_NS, []).append(happening)
        return by_minute

    def _mains(self, inputs: Inputs) -> list[_Happening]:
        """When the mains of units go and come back; notes outages of sites that end."""
        out, time_ns = inputs.site_out[:-1], inputs.time_ns
        before = np.zeros((1, out.shape[1]), np.bool_)
        before[0, list(self.out_since)] = True
        found: list[_Happening] = []
        for minute, site in np.argwhere(np.concatenate([before, out[:-1]]) != out).tolist():
            at_ns = int(time_ns[minute])
            units = np.flatnonzero(self.plant.site == site).tolist()
            if out[minute, site]:
                self.out_since[site] = at_ns
                found += [_Happening(3, at_ns, unit, "mains_off") for unit in units]
            else:
                self.outages.append((self.scenario.sites[site].id, self.out_since.pop(site), at_ns))
                found += [_Happening(2, at_ns, unit, "mains_back") for unit in units]
        return found

    def _happen(self, states: States, what: _Happening, inputs: Inputs, minute: int) -> States:
        """The states after something happened."""
        unit = what.unit
        rows = np.array([unit])
        if what.what in ("battery_replaced", "repaired"):
            self._lock(unit, Reason(0))
        if what.what == "repaired":
            return states
        if what.what == "battery_replaced":
            part = taken(self.plant.battery, rows, units=self.plant.units)
            fresh = battery.begin(part, states.enclosure.air[rows], new=True)
            return replace(states, battery=exchanged(states.battery, rows, fresh, units=self.plant.units))
        if what.what == "gas_set_point_changed":
            set_point = self.plant.gas.set_point.copy()
            set_point[unit] = what.size
            self.plant = replace(self.plant, gas=replace(self.plant.gas, set_point=set_point))
            return states
        if what.what == "heater_set_point_changed":
            self.band_shift = self.band_shift.copy()
            self.band_shift[unit] += what.size
            return states
        if what.what == "mains_back":
            self.waiting.discard(unit)
            if unit in self.active and self.active[unit].why == "outage":
                back_s = retransfer_s(self.scenario.unit_ids[unit], what.at_ns, seed=self.scenario.seed)
                self.unload_ns[unit] = what.at_ns + back_s * SECOND_NS
                self.stop_ns[unit] = self.unload_ns[unit] + int(COOL_DOWN_S) * SECOND_NS
            return states
        if what.what == "mains_off":
            return self._outage(states, inputs, minute, unit)
        if what.what == "gas_fails":
            return self._gas_fails(states, inputs, minute, unit, what.at_ns)
        return self._start(states, inputs, minute, unit, "exercise", what.at_ns, what.size, what.to_ns)

    def _outage(self, states: States, inputs: Inputs, minute: int, unit: int) -> States:
        """Start a unit whose mains are off; where its switch stands off or it is locked out, once that is put back."""
        at_ns = int(inputs.time_ns[minute])
        at_ns += outage_delay_s(self.scenario.unit_ids[unit], at_ns, seed=self.scenario.seed) * SECOND_NS
        load = self.scenario.units[unit].outage_load
        states = self._start(states, inputs, minute, unit, "outage", at_ns, load, FOREVER_NS)
        if inputs.in_auto[minute, unit] < 0.5 or self.locked[unit]:
            self.waiting.add(unit)
        return states

    def _start(
        self, states: States, inputs: Inputs, minute: int, unit: int, why: str, at_ns: int, load: float, stop_ns: int
    ) -> States:
        """Start a unit, or let one that runs for its exercise take the load of an outage."""
        if unit in self.active:
            if why == "outage":
                self.active[unit] = replace(self.active[unit], why=why, load=load)
                self._drive(unit, load, stop_ns)
            return states
        rows, units = np.array([unit]), self.plant.units
        part, part_states = rows_of(self.plant, states, rows)
        if inputs.in_auto[minute, unit] < 0.5:
            done = not_attempted(part_states, NOT_IN_AUTO)
        elif self.locked[unit]:
            done = not_attempted(part_states, LOCKED_OUT)
        elif self.volts[unit] < self.plant.blocks[unit] * self.plant.engine.control_volts[unit]:
            done = not_attempted(part_states, CONTROL_DROPPED_OUT)  # dead: opens no valve, pulls no starter in
        else:
            now = taken(moment(inputs, minute), rows, units=units)
            done = attempt(part, part_states, now, _charging(inputs, minute, rows), load=load)
        self.quick.add(QUICK_SIGNALS[0], unit, at_ns, done.volts)
        self.quick.add(QUICK_SIGNALS[1], unit, at_ns, done.pressure)
        run = _run(unit, why, at_ns, load, done)
        if done.started:
            self.active[unit] = run
            self._drive(unit, load, stop_ns)
        else:
            self.ended.append(run)
            if done.locks_out:
                self._lock(unit, Reason.LOCKED_OUT)
        return with_rows(states, rows, done.states, units=units)

    def _gas_fails(self, states: States, inputs: Inputs, minute: int, unit: int, at_ns: int) -> States:
        """Tell the minute in which the gas of a unit fails second by second: a straight line would not show when.

        Where a start is told in that minute, its seconds stay.
        """
        from_ns, row = int(inputs.time_ns[minute]), QUICK_SIGNALS[1]
        if self.quick.tells(row, unit, from_ns):
            return states
        rows, units = np.array([unit]), self.plant.units
        part, part_states = rows_of(self.plant, states, rows)
        calm_s = (at_ns - from_ns) // SECOND_NS
        pressure, held = failing_gas(
            part,
            part_states,
            taken(moment(inputs, minute), rows, units=units),
            flow=float(flow_of(self.running, self.load)[unit]),
            seconds=int(STEP_S) - calm_s,
        )
        self.quick.add(row, unit, from_ns, np.concatenate([np.full(calm_s, self.pressure[unit]), pressure]))
        return with_rows(states, rows, replace(part_states, gas=held), units=units)

    def _lock(self, unit: int, reason: Reason) -> None:
        """Lock a unit out, or with Reason(0) reset it."""
        self.locked = self.locked.copy()
        self.locked[unit] = reason

    def _drive(self, unit: int, load: float, stop_ns: int) -> None:
        """Set a unit running. A run with an end loses its load some minutes before."""
        self.running, self.load = self.running.copy(), self.load.copy()
        self.running[unit], self.load[unit] = 1.0, load
        self.stop_ns[unit] = stop_ns
        self.unload_ns[unit] = stop_ns - int(COOL_DOWN_S) * SECOND_NS

    def _watch_runs(self, states: States, inputs: Inputs, minute: int) -> None:
        """Take load off and stop engines whose time has come, or whose protection trips."""
        at_ns = int(inputs.time_ns[minute])
        gas_share = self.pressure / self.plant.gas.set_point
        for unit, run in list(self.active.items()):
            began = at_ns - run.from_ns >= MINUTE_NS  # the pressure noted is that of a minute ago
            tripped = _trip(
                in_auto=bool(inputs.in_auto[minute, unit] > 0.5),
                coolant=float(states.water.coolant[unit]),
                air=float(states.enclosure.air[unit]),
                lean=began and bool(gas_share[unit] < self.plant.engine.gas_least[unit]),
                rich=began and bool(gas_share[unit] > self.plant.engine.gas_most[unit]),
            )
            if tripped or at_ns >= self.stop_ns[unit]:
                self.ended.append(replace(run, to_ns=at_ns, failed_because=tripped))
                del self.active[unit]
                self.running, self.load = self.running.copy(), self.load.copy()
                self.running[unit] = self.load[unit] = 0.0
                self.stop_ns[unit] = self.unload_ns[unit] = FOREVER_NS
            elif at_ns >= self.unload_ns[unit] and self.load[unit] > 0.0:
                self.load = self.load.copy()
                self.load[unit] = 0.0

    # -- what is told of a day

    def _values(self, inputs: Inputs, noted: _Columns, begin_row: int) -> dict[str, Float64]:
        """What perfect sensors would read, by signal, [unit, minute]."""
        low = (inputs.effects.coolant_share < DEFINITION.coolant_low).astype(np.float64)
        told = {
            "jacket_water_temperature": noted.water,
            "battery_voltage": noted.volts,
            "gas_pressure": noted.pressure,
            "enclosure_temperature": noted.air,
            "ambient_temperature": inputs.ambient,
            "atmospheric_pressure": inputs.atmospheric_pressure,
            "gas_supply_pressure": gas.supply_left(
                supply=inputs.gas_supply,
                supply_loss=inputs.supply_loss,
                flow_share=flow_of(noted.running, noted.load),
            ),
            "charger_current": noted.current,
            "engine_speed": RATED_SPEED * noted.running,
            "engine_running": noted.running,
            "generator_power": noted.running * noted.load * self.plant.rated_w,
            "control_in_auto": inputs.in_auto,
            "coolant_level_low": low,
        }
        assert tuple(told) == SIGNALS, "every signal is told, in the order of the gateways"
        return {signal: np.ascontiguousarray(column[begin_row:].T) for signal, column in told.items()}

    def _reasons(self, inputs: Inputs, noted: _Columns) -> Reasons:
        """Why units were not ready, [unit, minute]."""
        by_itself = each_minute(
            water=noted.coolant.T,
            coolant_share=inputs.effects.coolant_share.T,
            in_auto=inputs.in_auto.T,
            running=noted.running.T,
            heated=self.plant.heated[:, None],
        )
        return by_itself | noted.unready.T


def _trip(*, in_auto: bool, coolant: float, air: float, lean: bool, rich: bool) -> str:
    """Why an engine that runs stops by itself; '' where it does not."""
    if not in_auto:
        return NOT_IN_AUTO
    if coolant > DEFINITION.coolant_trip:
        return "high_water_temperature"
    if air > DEFINITION.enclosure_trip:
        return "high_enclosure_temperature"
    if lean:
        return NO_GAS
    return TOO_MUCH_GAS if rich else ""


def _charging(inputs: Inputs, minute: int, rows: Int64) -> Charging:
    acting = inputs.effects
    return Charging(
        line_on=inputs.charger_on[minute, rows],
        output_share=acting.output_share[minute, rows],
        current_share=acting.current_share[minute, rows],
        interrupted=acting.interrupted[minute, rows],
        left_load=acting.left_load[minute, rows],
        over_volts=acting.over_volts[minute, rows],
        equalise=inputs.equalise[minute, rows],
    )


def _run(unit: int, why: str, at_ns: int, load: float, done: Attempt) -> Run:
    return Run(
        unit=unit,
        why=why,
        from_ns=at_ns,
        to_ns=None if done.started else at_ns + len(done.volts) * SECOND_NS,
        load=load,
        started=done.started,
        failed_because=done.failed_because,
        attempts=done.attempts,
        least_block_volts=done.least_block_volts,
        least_gas_share=done.least_gas_share,
    )
