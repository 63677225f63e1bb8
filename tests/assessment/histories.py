"""Messy histories: what gateways really send, made of a few knobs and one seed, with the moments of arrival.

In: knobs (hypothesis draws them). Out: batches in the order of arrival. Nothing here asks the time.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.assessment.assessor import Assessor
from monitor.batch import Batch, concat, from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.limits_file import Limits, load_limits
from monitor.signals import NAMES
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from tests.assessment.fake_models import FAKE

BEGIN_NS = from_rfc3339("2026-01-05T21:17:00Z")
FLEET = Fleet(
    {"mill": Site("mill", "Mill", "America/Denver"), "weir": Site("weir", "Weir", "UTC")},
    {
        "mill-1": Unit("mill-1", "mill", "Mill 1", battery_nominal_voltage=24, gateway="mill-1"),
        "mill-2": Unit("mill-2", "mill", "Mill 2", battery_nominal_voltage=12, gateway="mill-2"),
        "weir-1": Unit("weir-1", "weir", "Weir 1", battery_nominal_voltage=12, battery_type="agm", gateway="weir-1"),
    },
)
LIMITS = load_limits(None, FLEET)
NEEDED = ("jacket_water_temperature", "battery_voltage", "gas_pressure", "enclosure_temperature")
LEVELS = {  # where the limits lie, and between them, a 12 V block
    "jacket_water_temperature": (15.0, 20.5, 22.0, 31.0, 33.0, 35.5, 37.5, 61.0, 72.0, 100.0, 108.0),
    "battery_voltage": (11.9, 12.3, 12.7, 12.8, 12.95, 13.05, 14.3, 14.45, 15.1, 15.6),
    "gas_pressure": (600.0, 1020.0, 1600.0, 2300.0, 2360.0, 3500.0, 6000.0, 34_600.0),
    "enclosure_temperature": (-30.0, 20.0, 49.0, 51.0, 61.0),
}


def deadline(site: str, at_ns: int) -> tuple[int, bool]:
    """The mill is visited at the end of each third day, the weir each week."""
    every = 3 * DAY_NS if site == "mill" else 7 * DAY_NS
    return (at_ns // every + 1) * every, False


def assessor(fleet: Fleet = FLEET, limits: Limits = LIMITS) -> Assessor:
    """A fresh one, whose model tells in each finding all that it saw."""
    return Assessor(fleet, limits, deadline, 4, FAKE)


@dataclass(frozen=True)
class Episode:
    """A signal stands at a level for a while."""

    signal: str
    from_min: int
    minutes: int
    level: float


@dataclass(frozen=True)
class Run:
    """The engine ran; reported: by engine_running, engine_speed, both or nobody."""

    from_min: int
    minutes: int


@dataclass(frozen=True)
class Knobs:
    """One unit. every_s: rhythm of the four signals. latency_s, batch_min, backlog: how readings arrive."""

    every_s: tuple[int, int, int, int] = (600, 600, 600, 600)
    on_change: bool = False
    first_min: int = 0
    late_signal_min: int = 0  # the gas transmitter is connected this much later
    latency_s: int = 2
    clock_s: int = 0  # how far its clock is ahead (behind: < 0)
    batch_min: int = 0
    outages: tuple[tuple[int, int, int], ...] = ()  # from min, to min, how: 0 lost, 1 at once later, 2 one by one later
    stuck_min: tuple[int, int] = (0, 0)
    repeated: float = 0.0
    shuffled: float = 0.0
    lags_s: tuple[int, int, int, int] = (0, 0, 0, 0)  # each signal's own delay
    reports: tuple[str, ...] = ()
    runs: tuple[Run, ...] = ()
    episodes: tuple[Episode, ...] = ()
    links: tuple[tuple[int, bool], ...] = ()
    ahead_min: tuple[int, ...] = ()
    cranks: tuple[tuple[int, float, int], ...] = ()  # minute, least a block, s between readings
    seed: int = 0


@dataclass(frozen=True)
class Story:
    """A fleet's history. deaf: (from, to) minutes in which the program did not listen."""

    days: float
    units: tuple[Knobs, ...]
    deaf: tuple[tuple[int, int], ...] = ()
    received_known: bool = True
    silent_units: frozenset[int] = field(default_factory=frozenset)

    @property
    def until_ns(self) -> int:
        """How far arrivals are known."""
        return BEGIN_NS + int(self.days * DAY_NS)

    @property
    def deaf_ns(self) -> list[tuple[int, int]]:
        """The same in ns."""
        return [(BEGIN_NS + a * MINUTE_NS, BEGIN_NS + b * MINUTE_NS) for a, b in self.deaf]

    def batch(self) -> Batch:
        """Everything that arrives up to the end, in the order of arrival."""
        parts = [_listening(BEGIN_NS, 0)]
        parts += [_listening(to_ns, to_ns - from_ns) for from_ns, to_ns in self.deaf_ns]
        parts += [
            _readings(index, knobs, self) for index, knobs in enumerate(self.units) if index not in self.silent_units
        ]
        parts += [_internal(index, knobs) for index, knobs in enumerate(self.units)]
        rows = concat(parts)
        received = rows.received_ns
        for from_ns, to_ns in self.deaf_ns:  # the broker kept it until the program was back
            inside = (received > from_ns) & (received < to_ns)
            received = np.where(inside, to_ns + SECOND_NS + (received - from_ns) // 60, received)
        internal = rows.signal >= NAMES.index("link_online")
        if not self.received_known:
            received = np.where(internal, received, rows.time_ns)
        time_ns = np.where(internal, received, rows.time_ns)  # what the program writes bears the moment of arrival
        rows = Batch(rows.units, rows.signals, time_ns, rows.unit, rows.signal, rows.value, received)
        rows = rows.where((received > BEGIN_NS - 1) & (received <= self.until_ns))
        return rows.where(np.argsort(rows.received_ns, kind="stable"))


def _listening(to_ns: int, deaf_ns: int) -> Batch:
    count = len(FLEET.units)
    signal = [NAMES.index("listening_again")] * count
    times = [to_ns] * count
    return from_columns(
        FLEET.unit_names, FLEET.signal_names, times, range(count), signal, [deaf_ns / SECOND_NS] * count, times
    )


def _internal(unit: int, knobs: Knobs) -> Batch:
    rows = [(BEGIN_NS + at * MINUTE_NS + 7, "link_online", float(up)) for at, up in knobs.links]
    rows += [(BEGIN_NS + at * MINUTE_NS + 11, "clock_ahead", 3600.0) for at in knobs.ahead_min]
    times = [row[0] for row in rows]
    return from_columns(
        FLEET.unit_names,
        FLEET.signal_names,
        times,
        [unit] * len(rows),
        [NAMES.index(row[1]) for row in rows],
        [row[2] for row in rows],
        times,
    )


def _healthy(signal: str, time_ns: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    hours = (time_ns - BEGIN_NS) / HOUR_NS
    day = np.sin(2 * np.pi * hours / 24)
    noise = rng.normal(size=len(time_ns))
    return {
        "jacket_water_temperature": 41.0 + 8.0 * np.abs((hours / 1.7) % 2 - 1) + 0.05 * noise,
        "battery_voltage": 13.5 - 0.024 * (8 * day - 15) + 0.01 * noise,
        "gas_pressure": 2740.0 + 60.0 * np.maximum(day, 0) + 3.0 * noise,
        "enclosure_temperature": 10.0 + 8.0 * day + 0.1 * noise,
        "engine_running": np.zeros(len(time_ns)),
        "engine_speed": np.zeros(len(time_ns)),
    }[signal]


def _readings(unit: int, knobs: Knobs, story: Story) -> Batch:
    rng = np.random.default_rng(knobs.seed)
    blocks = list(FLEET.units.values())[unit].blocks
    parts: list[tuple[np.ndarray, int, np.ndarray, np.ndarray]] = []
    for place, signal in enumerate((*NEEDED, *knobs.reports)):
        every = knobs.every_s[min(place, 3)] * SECOND_NS
        begin = BEGIN_NS + knobs.first_min * MINUTE_NS + place * SECOND_NS
        if signal == "gas_pressure":
            begin += knobs.late_signal_min * MINUTE_NS
        times = np.arange(begin, story.until_ns, every, dtype=np.int64)
        value = _healthy(signal, times, rng)
        minute = (times - BEGIN_NS) / MINUTE_NS
        for run in knobs.runs:
            during = (minute >= run.from_min) & (minute < run.from_min + run.minutes)
            since = minute - run.from_min
            after = np.where(since >= run.minutes, np.exp(-(since - run.minutes) / 200.0), 0.0)
            if signal == "engine_running":
                value[during] = 1.0
            elif signal == "engine_speed":
                value[during] = 1800.0
            elif signal == "jacket_water_temperature":
                value = np.where(
                    during, np.minimum(value + since * 6.0, 85.0), value + after * np.maximum(84.0 - value, 0)
                )
            elif signal == "battery_voltage":
                value = np.where(during, 13.9, value)
            elif signal == "gas_pressure":
                value = np.where(during, 2500.0, value + 200.0 * after)
        for episode in knobs.episodes:
            if episode.signal == signal:
                inside = (minute >= episode.from_min) & (minute < episode.from_min + episode.minutes)
                value[inside] = episode.level + np.round(rng.normal(size=int(inside.sum())) * 0.02, 2)
        if signal == "battery_voltage":
            value = value * blocks
        value = np.round(value, 2)
        if knobs.on_change or signal in knobs.reports:
            step = {"battery_voltage": 0.05, "gas_pressure": 15.0}.get(signal, 0.5)
            coarse = np.round(value / step)
            changed = np.append(True, coarse[1:] != coarse[:-1])
            times, value = times[changed], value[changed]
        if signal == "battery_voltage" and knobs.cranks:
            times, value = _cranked(times, value, knobs, blocks)
        lag = knobs.lags_s[min(place, 3)] * SECOND_NS
        parts.append((times, NAMES.index(signal), value, np.full(len(times), lag)))
    time_ns = np.concatenate([part[0] for part in parts])
    signal_index = np.concatenate([np.full(len(part[0]), part[1]) for part in parts])
    value = np.concatenate([part[2] for part in parts])
    received = time_ns + np.concatenate([part[3] for part in parts]) + knobs.latency_s * SECOND_NS
    if knobs.batch_min:
        every = knobs.batch_min * MINUTE_NS
        received = -(-received // every) * every + 3 * SECOND_NS
    keep = np.ones(len(time_ns), np.bool_)
    for from_min, to_min, how in knobs.outages:
        from_ns, to_ns = BEGIN_NS + from_min * MINUTE_NS, BEGIN_NS + to_min * MINUTE_NS
        inside = (received >= from_ns) & (received < to_ns)
        if how == 0:
            keep &= ~inside
        elif how == 1:
            received[inside] = to_ns
        else:
            received[inside] = to_ns + (received[inside] - from_ns) // 60
    shuffled = rng.random(len(time_ns)) < knobs.shuffled
    received[shuffled] += rng.integers(0, 3 * max(knobs.every_s), int(shuffled.sum())) * SECOND_NS
    stuck_from, stuck_to = (BEGIN_NS + minute * MINUTE_NS for minute in knobs.stuck_min)
    stuck = (received >= stuck_from) & (received < stuck_to)
    time_ns = np.where(stuck, stuck_from, time_ns) + knobs.clock_s * SECOND_NS
    again = np.flatnonzero(rng.random(len(time_ns)) < knobs.repeated)
    columns = [np.concatenate((column[keep], column[again])) for column in (time_ns, signal_index, value, received)]
    columns[3][int(keep.sum()) :] += rng.integers(0, 7200, len(again)) * SECOND_NS
    count = len(columns[0])
    return from_columns(
        FLEET.unit_names, FLEET.signal_names, columns[0], np.full(count, unit), columns[1], columns[2], columns[3]
    )


def _cranked(times: np.ndarray, value: np.ndarray, knobs: Knobs, blocks: int) -> tuple[np.ndarray, np.ndarray]:
    """Battery readings with the quick ones round each crank: 4 s before it, 6 s in it, 10 s after."""
    for minute, least, step_s in knobs.cranks:
        begin = BEGIN_NS + minute * MINUTE_NS + 30 * SECOND_NS
        seconds = np.arange(-4, 16, step_s)
        volts = np.where((seconds >= 0) & (seconds < 6), least + 0.1 * np.abs(seconds - 3), 12.8) * blocks
        times = np.append(times, begin + seconds * SECOND_NS)
        value = np.append(value, volts)
    order = np.argsort(times, kind="stable")
    return times[order], value[order]


def allowed(moments: Sequence[int], story: Story) -> list[int]:
    """Moments at which the program may look at the present: not while it does not listen. With the end."""
    ends = sorted({moment for moment in moments if BEGIN_NS <= moment < story.until_ns})
    return [
        moment
        for moment in [*ends, story.until_ns]
        if not any(from_ns < moment < to_ns for from_ns, to_ns in story.deaf_ns)
    ]
