"""Hostile, malformed and absurd messages by the thousand, mixed with good ones, the same for the same seed.

In: a seed and a number. Out: messages as a gateway gone mad, an attacker or a tired engineer would publish them, and
for each the readings that must be kept all the same. Touches nothing.

Good readings are those of `GOOD_UNIT`; spoiled packs are published for `HOSTILE_UNIT`, whose readings may or may not
come through, depending on what was spoiled. A pack of the good unit may hold bad records: they must cost no other.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

import cbor2

from monitor.fleet import Fleet, Unit
from tests.acquisition.builders import ARRIVAL_S, CBOR, fleet_of

GOOD_UNIT = "good-1"
HOSTILE_UNIT = "hostile-1"
GOOD_TOPIC = f"stillready/works/{GOOD_UNIT}/readings"
HOSTILE_TOPIC = f"stillready/works/{HOSTILE_UNIT}/readings"
SIGNALS = {
    "battery_voltage": 13.4,
    "gas_pressure": 2740.0,
    "jacket_water_temperature": 43.2,
    "enclosure_temperature": 21.5,
}
PAYLOAD_BYTES_MAX = 262_144


def hostile_fleet() -> Fleet:
    """The fleet that these messages are about."""
    return fleet_of(Unit(GOOD_UNIT, "works", "Good"), Unit(HOSTILE_UNIT, "works", "Hostile"))


@dataclass(frozen=True, slots=True)
class Hostile:
    """A message, and the readings in it that must be kept: (signal, s since 1970, value)."""

    topic: str
    payload: bytes
    content_type: str = ""
    is_retained: bool = False
    readings: tuple[tuple[str, int, float], ...] = ()


def hostile_messages(seed: int, count: int) -> Iterator[Hostile]:
    """So many messages; every fourth or so is good. No good reading comes twice: each has a second of its own."""
    random = Random(seed)
    for number in range(count):
        kind = random.choice(KINDS)
        yield kind(random, ARRIVAL_S - 1_000_000 + number)


def _good(random: Random, second: int) -> Hostile:
    signal, value = random.choice(list(SIGNALS.items()))
    pack = [{"bn": f"{GOOD_UNIT}/", "bt": second, "n": signal, "v": value}]
    return Hostile(GOOD_TOPIC, json.dumps(pack).encode(), readings=((signal, second, value),))


def _good_cbor(random: Random, second: int) -> Hostile:
    signal, value = random.choice(list(SIGNALS.items()))
    pack = [{-2: f"{GOOD_UNIT}/", -3: second, 0: signal, 2: value}]
    return Hostile(GOOD_TOPIC, cbor2.dumps(pack), CBOR, readings=((signal, second, value),))


def _good_among_bad(random: Random, second: int) -> Hostile:
    """Some records good, some absurd, in any order; what is absurd must cost no other."""
    kept = random.sample(list(SIGNALS.items()), random.randint(1, 4))
    records: list[object] = [{"n": signal, "v": value} for signal, value in kept]
    records += [_absurd_record(random) for _ in range(random.randint(1, 5))]
    random.shuffle(records)
    pack = [{"bn": f"{GOOD_UNIT}/", "bt": second}, *records]
    readings = tuple((signal, second, value) for signal, value in kept)
    return Hostile(GOOD_TOPIC, _dumps(pack), readings=readings)


def _absurd_record(random: Random) -> object:
    """A record that gives no reading and no base field."""
    wrong_value = random.choice(
        [None, True, "13", [], {}, 1e300, -1e300, float("nan"), float("inf"), 10**400, {"v": 1}]
    )
    wrong_time = random.choice([None, "now", True, [], 1e300, float("nan"), 10**30, -(10**9), 2**62])
    return random.choice(
        [
            {"n": random.choice(list(SIGNALS)), "v": wrong_value},
            {"n": random.choice(list(SIGNALS)), "v": 13, "t": wrong_time},
            {"n": _text(random), "v": 13},
            {"n": "link_online", "v": 1},
            {"n": "battery_voltage", "v": 13, "u": _text(random)},
            {"n": "battery_voltage", "v": 13, "vb": True},
            {"n": "battery_voltage", "s": 5},
            {"n": {"n": "battery_voltage"}, "v": 13},
            {"v": 13},
            _deep(random.randint(1, 30)),
            _text(random),
            wrong_value,
        ]
    )


def _spoiled_pack(random: Random, second: int) -> Hostile:
    """A good pack with some bytes changed, left out or put in."""
    pack = [{"bn": f"{HOSTILE_UNIT}/", "bt": second}, *({"n": name, "v": value} for name, value in SIGNALS.items())]
    return Hostile(HOSTILE_TOPIC, _spoiled(random, json.dumps(pack).encode()))


def _spoiled_cbor(random: Random, second: int) -> Hostile:
    pack = [{-2: f"{HOSTILE_UNIT}/", -3: second}, *({0: name, 2: value} for name, value in SIGNALS.items())]
    return Hostile(HOSTILE_TOPIC, _spoiled(random, cbor2.dumps(pack)), CBOR)


def _spoiled(random: Random, payload: bytes) -> bytes:
    spoiled = bytearray(payload)
    for _ in range(random.randint(1, 6)):
        place = random.randrange(len(spoiled))
        how = random.randrange(4)
        if how == 0:
            spoiled[place] = random.randrange(256)
        elif how == 1:
            del spoiled[place : place + random.randint(1, 20)]
        elif how == 2:
            spoiled[place:place] = random.randbytes(random.randint(1, 8))
        else:
            spoiled = spoiled[: place + 1]
        if not spoiled:
            break
    return bytes(spoiled)


def _noise(random: Random, _second: int) -> Hostile:
    return Hostile(
        HOSTILE_TOPIC, random.randbytes(random.randint(0, 300)), random.choice(["", CBOR, "text/plain", "x" * 99])
    )


def _bad_base(random: Random, second: int) -> Hostile:
    bad = random.choice([None, True, [], {}, "x", float("nan"), 10**400, -1e308, 2**63])
    base = {"bn": f"{HOSTILE_UNIT}/", "bt": second, random.choice(["bn", "bt", "bu", "bv", "bs", "bver"]): bad}
    return Hostile(HOSTILE_TOPIC, _dumps([base, {"n": "gas_pressure", "v": 1, random.choice(["x_", "x", "ut"]): bad}]))


def _deep_pack(random: Random, _second: int) -> Hostile:
    depth = random.choice([50, 500, 5_000, 50_000])
    opening, closing = random.choice([("[", "]"), ('{"n":', "}")])
    ending = closing * random.choice([0, depth])
    return Hostile(HOSTILE_TOPIC, f"{opening * depth}1{ending}".encode())


def _deep_cbor(random: Random, _second: int) -> Hostile:
    head = random.choice(
        [
            b"\x81",
            b"\xa1\x02",
            b"\xc4\x82",
            b"\xd8\x1c\x81",
            b"\x9f",
            b"\x9b" + b"\x7f" * 8,
            b"\xc2\x5a\x7f\xff\xff\xff",
        ]
    )
    return Hostile(HOSTILE_TOPIC, head * random.randint(1, 2_000), CBOR)


def _endless(random: Random, _second: int) -> Hostile:
    """Large for its kind: many records, a long number, a long text, or beyond the bound."""
    payload = random.choice(
        [
            b"[" + b",".join([b"{}"] * random.randint(1, 3_000)) + b"]",
            b"[" + b",".join([b'{"n":"x","v":1}'] * random.randint(1, 2_000)) + b"]",
            b'[{"n":"' + b"x" * random.randint(1, 20_000) + b'","v":1}]',
            b'[{"bn":"hostile-1/","n":"gas_pressure","v":' + b"9" * random.randint(300, 20_000) + b"}]",
            b" " * (PAYLOAD_BYTES_MAX + random.randint(1, 100)) if random.random() < 0.01 else b" " * 1_000,
        ]
    )
    return Hostile(HOSTILE_TOPIC, payload)


def _other_topic(random: Random, second: int) -> Hostile:
    name = random.choice(["new-7", "Good-1", "good-1x", "x" * 70, "ü", "-", "good 1", GOOD_UNIT])
    site = random.choice(["school", "nowhere", "x" * 70, "ü"])
    pack = [{"bn": f"{name}/", "bt": second, "n": "gas_pressure", "v": 1}]
    return Hostile(f"stillready/{site}/{name}/readings", json.dumps(pack).encode())


def _link(random: Random, _second: int) -> Hostile:
    """A link state of nobody, or nonsense for the hostile unit's."""
    name = random.choice(["nobody", HOSTILE_UNIT])
    payload = random.choice([b"", b"up", b"ONLINE", b"\xff\xfe", b"online offline", random.randbytes(40)])
    return Hostile(f"stillready/works/{name}/link", payload)


def _future(random: Random, _second: int) -> Hostile:
    stamp = random.choice([4_000_000_000, 4_000_000_000_000, 1e18, 2**33])
    pack = [{"bn": f"{HOSTILE_UNIT}/", "bt": stamp, "n": "gas_pressure", "v": 1}]
    return Hostile(HOSTILE_TOPIC, json.dumps(pack).encode())


def _retained(random: Random, _second: int) -> Hostile:
    pack = [{"bn": f"{HOSTILE_UNIT}/", "n": "gas_pressure", "v": random.random()}]
    return Hostile(HOSTILE_TOPIC, json.dumps(pack).encode(), is_retained=True)


def _other_units_name(random: Random, second: int) -> Hostile:
    """A pack of the hostile unit's topic that speaks for the good one: nothing of it may be kept."""
    pack = [{"bn": f"{GOOD_UNIT}/", "bt": second, "n": random.choice(list(SIGNALS)), "v": 1}]
    return Hostile(HOSTILE_TOPIC, json.dumps(pack).encode())


def _text(random: Random) -> str:
    return random.choice(
        [
            "",
            "x",
            "batery_voltage",
            "../../etc",
            "\x00",
            "ü" * 40,
            "\ud800",
            "🔋",
            "' OR 1=1 --",
            "{unit}",
            "%s%n",
            "x" * 300,
        ]
    )


def _deep(depth: int) -> object:
    nested: object = 1
    for _ in range(depth):
        nested = {"n": nested}
    return nested


def _dumps(pack: object) -> bytes:
    return json.dumps(pack).encode()  # NaN, Infinity and lone surrogates too, as careless programs send them


KINDS: tuple[Callable[[Random, int], Hostile], ...] = (
    _good,
    _good,
    _good_cbor,
    _good_among_bad,
    _good_among_bad,
    _spoiled_pack,
    _spoiled_pack,
    _spoiled_cbor,
    _noise,
    _bad_base,
    _deep_pack,
    _deep_cbor,
    _endless,
    _other_topic,
    _link,
    _future,
    _retained,
    _other_units_name,
)
