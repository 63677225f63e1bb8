"""Starting battery and charger: two wells of charge (kinetic battery model) and eight kinds of charger.

In: what each unit has, and the minute's drives. Out: volts and amperes a minute on. May import: numpy,
tests.strangers. Touches nothing. Arrays [unit]; V and A a 12 V block, Ah, Ohm, Cel.

Charge sits in a well at hand (share c) and a bound one behind it (Manwell and McGowan 1993, from memory). The well at
hand sets the volts at rest through a table; surface charge from the charger stays on for hours as two decaying parts.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick
from tests.strangers.span import STEP_S

HOURS = STEP_S / 3600.0
KINDS = ("flooded", "agm", "gel", "nickel_cadmium")
CHARGERS = ("float", "ferroresonant", "three stage", "four stage", "on-off", "pulse", "solar", "constant absorption")
# Volts at rest a block at 0, 25, 50, 75, 100 % charge: BCI table, one AGM maker (TRADE.md), gel and NiCd from memory.
REST_VOLTS = np.array(
    [
        [11.89, 12.06, 12.24, 12.45, 12.65],
        [11.80, 12.05, 12.32, 12.62, 12.95],
        [11.80, 12.02, 12.30, 12.58, 12.88],
        [11.90, 12.55, 12.75, 12.90, 13.20],
    ]
)
FLOAT_VOLTS = {"flooded": (13.2, 13.5), "agm": (13.5, 13.8), "gel": (13.4, 13.7), "nickel_cadmium": (14.0, 14.5)}
CELL_VOLTS = 2.1
# Freezing of the acid at 0, 25, 50, 75, 100 % charge, Cel: TRADE.md's gravities joined to its charge table.
FREEZES_CEL = np.array([-9.0, -16.0, -25.0, -37.0, -59.0])
ICE_OHM, THAWED_OHM = 25.0, 2.0  # factor on resistance frozen, and for ever after, our choice
CONTROLS_DROP_OUT = 8.5  # V a block: the controller lets go and hardly draws any more, our choice


def draw_battery(rng: Rng, *, coldest: float) -> tuple[dict[str, str], dict[str, float]]:
    """Kind and numbers of one unit's battery and charger.

    Args:
        rng: the unit's.
        coldest: air of the place's cold nights, Cel: cold places get larger batteries.
    """
    kind = pick(rng, {"flooded": 0.5, "agm": 0.3, "gel": 0.1, "nickel_cadmium": 0.1})
    charger = pick(rng, dict(zip(CHARGERS, (0.24, 0.16, 0.16, 0.12, 0.11, 0.08, 0.06, 0.07), strict=True)))
    capacity = log_between(rng, 40.0, 210.0)
    dip = between(rng, 0.8, 1.4) if coldest < -12 else between(rng, 1.1, 2.5)
    crank_ampere = between(rng, 280.0, 620.0)
    low, high = FLOAT_VOLTS[kind]
    load = log_between(rng, 0.05, 1.2)
    numbers = {
        "kind": float(KINDS.index(kind)),
        "charger": float(CHARGERS.index(charger)),
        "blocks": 2.0 if chance(rng, 0.45) else 1.0,
        "capacity": capacity,
        "at_hand": between(rng, 0.25, 0.6),
        "exchange": log_between(rng, 0.3, 2.5),  # 1/h between the wells
        "resistance": dip / crank_ampere,
        "starter": (12.65 - dip) / crank_ampere,
        "charge_resistance": between(rng, 4.0, 12.0),  # times the resistance above
        "float": between(rng, low, high),
        "absorption": between(rng, 14.1, 14.7) if kind != "nickel_cadmium" else between(rng, 14.8, 15.3),
        "compensation": 0.0 if chance(rng, 0.4) else between(rng, 0.012, 0.03),  # V/K a block, 2-5 mV/K a cell
        "probe_at_battery": float(chance(rng, 0.5)),
        "limit": max(load * (12.0 if charger == "solar" else 1.8) + 0.6, capacity / log_between(rng, 8.0, 30.0)),
        "line_share": between(rng, 0.5, 1.0) if charger == "ferroresonant" else 0.0,
        "absorption_minutes": between(rng, 90.0, 480.0),
        "refresh_days": between(rng, 7.0, 28.0),
        "on_at": between(rng, 12.75, 12.95),
        "off_at": between(rng, 13.6, 14.2),
        "fed_by_set": float(chance(rng, 0.7)),
        "alternator": between(rng, 13.9, 14.5) if chance(rng, 0.6) else 0.0,
        "alternator_limit": between(rng, 20.0, 60.0),
        "load": load,
        "self_discharge": log_between(rng, 0.02, 0.15) / 720.0,  # share an hour at 25 Cel
        "gassing": log_between(rng, 0.0005, 0.004) * capacity,  # A at 13.5 V and 25 Cel
        "surface": between(rng, 0.35, 0.8),
        "surface_quick": np.exp(-1 / between(rng, 15.0, 60.0)),
        "surface_slow": np.exp(-1 / between(rng, 400.0, 1800.0)),
        "pad": between(rng, 10.0, 20.0) if coldest < -8 and chance(rng, 0.4) else -99.0,  # battery warmer holds, Cel
        "heat_lag": 1 - np.exp(-1 / log_between(rng, 120.0, 900.0)),
        "crank_s": log_between(rng, 1.2, 9.0),
    }
    words = {"battery": kind, "charger": charger}
    return words, numbers


def rest_volts(kind: Array, charge: Array) -> Array:
    """Volts of a block long at rest.

    Args:
        kind: index in KINDS, shape [unit].
        charge: 0..1, shape [unit] or [time, unit]; below 0.06 the volts break down.
    """
    place = np.clip(charge, 0.0, 0.9999) * 4.0
    step = place.astype(int)
    row = kind.astype(int)
    low = REST_VOLTS[row, step]
    rise = REST_VOLTS[row, step + 1] - low
    return np.asarray(low + rise * (place - step) - np.clip(0.06 - charge, 0.0, 0.2) * 70.0)


def cold_factor(temperature: Array) -> Array:
    """Resistance over that at 25 Cel. At 0, -18, -29 Cel 1.4, 1.8, 2.2: near the trade chart's cranking powers."""
    cold = np.clip(25.0 - temperature, -20.0, 65.0)
    return np.asarray(1 + 0.011 * cold + 0.0002 * cold * np.abs(cold))


def cranking_volts(
    p: dict[str, Array],
    *,
    volts: Array,
    charge: Array,
    battery_cel: Array,
    block_cel: Array,
    resistance: Array,
    post_ohm: Array,
) -> Array:
    """Least volts of a block if it cranked now: starter and inner resistance share the rest volts.

    Args:
        p: numbers of the batteries.
        volts: at rest, shorted cells taken off, V.
        charge: 0..1. battery_cel, block_cel: Cel. resistance: over its normal. post_ohm: of a bad post, Ohm a block.
        All [unit] or [time, unit].
    """
    flat = np.clip(0.5 - charge, 0.0, 0.5)
    inner = p["resistance"] * resistance * cold_factor(battery_cel) * (1 + 6.0 * flat**2) + post_ohm
    drag = np.clip(1 - 0.005 * (40.0 - block_cel), 0.6, 1.1)  # stiff oil: the starter turns slower and draws more
    starter = p["starter"] * drag
    return np.asarray(np.maximum(volts, 0.0) * starter / (starter + inner))


@dataclass(slots=True)
class PowerDrives:
    """What acts on battery and charger in this minute, each shape [unit].

    air: Cel. sun: W/m2. line: line volts over nominal. mains, running, charger_off: 0 or 1. extra_load: A. Of the
    faults: charger_alive (0..1), charger_shift (V), limit (share), short_cells, resistance, capacity (shares), fuse
    (0 = blown: the charger is cut off).
    """

    air: Array
    sun: Array
    line: Array
    mains: Array
    running: Array
    charger_off: Array
    extra_load: Array
    charger_alive: Array
    charger_shift: Array
    limit: Array
    short_cells: Array
    resistance: Array
    capacity: Array
    fuse: Array


class Battery:
    """Batteries and chargers of all units; step() carries them a minute on."""

    def __init__(self, numbers: dict[str, Array], air: Array) -> None:
        self.p = numbers
        count = len(air)
        self.hand = numbers["at_hand"] * numbers["capacity"]
        self.bound = (1 - numbers["at_hand"]) * numbers["capacity"]
        self.volts = numbers["float"].copy()
        self.charge_ampere = np.zeros(count)
        self.temperature = np.maximum(air, numbers["pad"])
        self.quick, self.slow = np.full(count, 0.2), np.full(count, 0.15)
        self.ice = np.ones(count)  # factor on the resistance
        self.absorbing = np.zeros(count)  # minutes left
        self.lost_minutes = np.zeros(count)  # how long the charger has had no supply
        self.bulk = np.ones(count)  # the on-off charger's switch
        self._minute = 0

    def step(self, d: PowerDrives) -> None:
        """A minute on."""
        p = self.p
        warm = np.maximum(d.air, p["pad"] * np.where(d.mains > 0, 1.0, 9.0))
        self.temperature += p["heat_lag"] * (warm - self.temperature)
        capacity = p["capacity"] * d.capacity
        share = p["at_hand"]
        full_at_hand = share * capacity
        self.hand = np.minimum(self.hand, full_at_hand)
        self.bound = np.minimum(self.bound, capacity - full_at_hand)
        head = self.hand / full_at_hand
        rest = rest_volts(p["kind"], head) - CELL_VOLTS * d.short_cells
        aim, limit = self._charger(d)
        # In: what the battery takes at the aim, with what its loads take, but no more than the charger has.
        self._freeze(capacity)
        ohm = p["resistance"] * d.resistance * self.ice * cold_factor(self.temperature)
        into_ohm = ohm * p["charge_resistance"] * (1 + 0.4 * (d.resistance - 1))
        room = np.clip((1.0 - head) / 0.05, 0.01, 1.0)
        tafel = (self.volts + CELL_VOLTS * d.short_cells * 1.2 - 13.5) / 0.52 + 0.0693 * (self.temperature - 25)
        gassing = p["gassing"] * np.exp(np.minimum(tafel, 6.0))
        load = (p["load"] + d.extra_load) * np.where(self.volts < CONTROLS_DROP_OUT, 0.1, 1.0)
        wanted = np.maximum((aim - rest) / into_ohm * room, 0.0) + gassing + load
        charger_on = (aim > rest) & (limit > 0)
        given = np.where(charger_on, np.minimum(wanted, limit), 0.0)
        net = given - load
        held = wanted <= limit
        pushed = rest + (net - gassing) * into_ohm / np.maximum(room, 0.05)
        drained = rest + self.quick + self.slow + np.minimum(net, 0.0) * ohm * 1.3
        rising = np.maximum(np.minimum(pushed, aim), drained)
        volts = np.where(charger_on & held, np.maximum(aim, drained), np.where(net > 0, rising, drained))
        over = np.clip(volts - rest, 0.0, 1.6)
        self._surface(charging=net > 0, over=over, drain=-net / capacity)
        stored = np.where(net > 0, np.maximum(net - gassing, 0.0), net)
        leak = p["self_discharge"] * capacity * 2 ** ((self.temperature - 25) / 10) * (1 + 12 * d.short_cells)
        between_wells = p["exchange"] * share * (1 - share) * (self.bound / (1 - share) - self.hand / share)
        self.hand = np.clip(self.hand + (stored + between_wells - share * leak) * HOURS, 0.0, full_at_hand)
        bound = self.bound + (-between_wells - (1 - share) * leak) * HOURS
        self.bound = np.clip(bound, 0.0, capacity - full_at_hand)
        self.volts = np.maximum(volts, 0.3)
        self.charge_ampere = given
        self._minute += 1

    def _freeze(self, capacity: Array) -> None:
        """A flat lead-acid battery freezes in the cold; thawed, it never is what it was."""
        held = np.clip((self.hand + self.bound) / capacity, 0.0, 1.0)
        freezes = np.interp(held, [0.0, 0.25, 0.5, 0.75, 1.0], FREEZES_CEL)
        frozen = (self.temperature < freezes) & (self.p["kind"] < 3)
        thawed = (self.ice > THAWED_OHM) & (self.temperature > freezes + 2.0)
        self.ice = np.where(frozen, ICE_OHM, np.where(thawed, THAWED_OHM, self.ice))

    def renew(self, units: Array) -> None:
        """A new battery in these units, charged by four fifths."""
        self.ice[units] = 1.0
        self.hand[units] = 0.8 * (self.p["at_hand"] * self.p["capacity"])[units]
        self.bound[units] = 0.8 * ((1 - self.p["at_hand"]) * self.p["capacity"])[units]

    def _surface(self, *, charging: Array, over: Array, drain: Array) -> None:
        """Surface charge: grows under charge, decays in tens of minutes and in hours, the sooner the more is drawn."""
        p = self.p
        haste = 1 + np.clip(drain, 0.0, 1.0) * 60.0
        fade_quick, fade_slow = p["surface_quick"] ** haste, p["surface_slow"] ** haste
        part = p["surface"] * over * 0.5
        self.quick = np.where(charging, self.quick + 0.08 * (part - self.quick), self.quick * fade_quick)
        self.slow = np.where(charging, self.slow + 0.01 * (0.7 * part - self.slow), self.slow * fade_slow)

    def _charger(self, d: PowerDrives) -> tuple[Array, Array]:
        """What the charger aims at (V a block) and the most it gives (A)."""
        p, kind = self.p, self.p["charger"]
        powered = d.mains * d.fuse * (1 - d.charger_off) * (d.charger_alive > 0)
        probe = np.where(p["probe_at_battery"] > 0, self.temperature, d.air)
        shift = d.charger_shift - p["compensation"] * np.clip(probe - 25.0, -40.0, 25.0)
        back = (powered > 0) & (self.lost_minutes > 8)
        self.lost_minutes = np.where(powered > 0, 0.0, self.lost_minutes + 1)
        staged = (kind == 2) | (kind == 3)
        refresh = (kind == 3) & (self._minute % (p["refresh_days"] * 1440).astype(int) == 700)
        begins = staged & (back | refresh | ((self.volts < 12.6) & (powered > 0) & (self.absorbing <= 0)))
        self.absorbing = np.where(begins, p["absorption_minutes"], np.maximum(self.absorbing - powered, 0.0))
        aim = np.where((self.absorbing > 0) | (kind == 7), p["absorption"], p["float"])
        aim = np.where(kind == 7, aim - 0.35, aim)  # a set that never steps down, set somewhat lower by habit
        aim = aim * (1 + p["line_share"] * (d.line - 1))
        limit = p["limit"] * d.limit * d.charger_alive
        self.bulk = np.where(self.volts < p["on_at"], 1.0, np.where(self.volts >= p["off_at"] - 0.02, 0.0, self.bulk))
        aim = np.where(kind == 4, p["off_at"], aim)
        limit = np.where(kind == 4, limit * self.bulk, limit)
        sunny = np.clip(d.sun / 700.0, 0.0, 1.0)
        limit = np.where(kind == 6, limit * sunny * 2.0, limit)
        powered = np.where(kind == 6, d.fuse * (1 - d.charger_off) * (d.charger_alive > 0), powered)
        aim = aim + shift
        alternator = d.running * (p["alternator"] > 0)
        aim = np.where(alternator > 0, np.maximum(aim * powered, p["alternator"]), aim)
        limit = limit * powered + alternator * p["alternator_limit"]
        return aim, limit

    def charge(self, capacity: Array) -> Array:
        """Charge of both wells over what the battery can still hold, 0..1."""
        return np.asarray((self.hand + self.bound) / (self.p["capacity"] * capacity))

    def at_rest(self, short_cells: Array, capacity: Array) -> Array:
        """Volts that a block would come to without charger and load, by the well at hand, V."""
        head = self.hand / (self.p["at_hand"] * self.p["capacity"] * capacity)
        return rest_volts(self.p["kind"], head) - CELL_VOLTS * short_cells
