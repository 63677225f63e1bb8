"""The quick way gives what the plain way gives, or leaves the pack to it. The plain way is the oracle."""

import json

import orjson
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.acquisition.packs import UnitDoor, quick_entries, read_plainly, read_quickly, taken_signals
from monitor.acquisition.symbols import Door
from monitor.signals import SIGNALS, Signal
from monitor.times import SECOND_NS
from tests.acquisition.builders import ARRIVAL_NS, ARRIVAL_S

LATEST_NS = ARRIVAL_NS + 300 * SECOND_NS
TAKEN = taken_signals((*SIGNALS, Signal("vibration", "m/s2")), blocks=2, door=Door.SENML)
DOOR = UnitDoor("pump-1", 0, TAKEN, quick_entries(TAKEN))

odd = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=4), st.just([]), st.just({}),
    st.sampled_from([2**53 + 1, 2**64, -(2**63), 10**30, 1e308, -0.0, 2**28, 2**28 - 1]),
)  # fmt: skip
names = st.sampled_from(
    ["battery_voltage", "gas_pressure", "engine_running", "vibration", "link_online", "pump-1/gas_pressure"]
)
symbols = st.sampled_from(["V", "mV", "Pa", "hPa", "/", "/100", "%", "Cel", "m/s2", "degF"])
values = st.one_of(st.floats(-100, 3000), st.integers(-5, 30), st.sampled_from([0, 1, 0.0, 1.0, 0.5]))
stamps = st.one_of(
    st.sampled_from([ARRIVAL_S, ARRIVAL_S - 0.123, float(ARRIVAL_S), ARRIVAL_S + 301, 2**28, 2**28 - 1, 0, -5, -0.25]),
    st.floats(ARRIVAL_S - 1e6, ARRIVAL_S + 400),
    st.integers(-(10**7), 10**7),
)


def mostly(usual, unusual=odd):
    """Nearly always the first: a pack must be plain in most places to get far on the quick way."""
    return st.integers(0, 14).flatmap(lambda die: unusual if die == 0 else usual)


record = st.fixed_dictionaries(
    {},
    optional={
        "bn": mostly(st.just("pump-1/")),
        "bt": mostly(stamps),
        "n": mostly(names),
        "u": mostly(symbols),
        "v": mostly(values),
        "t": mostly(st.one_of(st.integers(-600, 400), st.floats(-600, 400))),
    },
)
plain_record = st.fixed_dictionaries({"n": mostly(names), "v": mostly(values)}, optional={"u": mostly(symbols)})
switch_record = st.fixed_dictionaries(
    {"n": mostly(names), "vb": mostly(st.booleans())}, optional={"u": mostly(symbols)}
)
rare_record = st.dictionaries(
    st.sampled_from(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vb", "vs", "vd", "s", "t", "ut", "x", "x_"]),
    odd,
)
headed = st.tuples(plain_record, mostly(stamps)).map(lambda both: {"bn": "pump-1/", "bt": both[1], **both[0]})
packs = st.tuples(
    mostly(headed, odd),
    st.lists(
        st.one_of(plain_record, plain_record, switch_record, record, mostly(plain_record, rare_record)), max_size=5
    ),
).map(lambda both: [both[0], *both[1]])


def both_ways(payload: bytes):
    """What each way makes of a payload."""
    quick = read_quickly(payload, received_ns=ARRIVAL_NS, latest_ns=LATEST_NS, door=DOOR)
    plain = read_plainly(
        payload, content_type="", is_retained=False, received_ns=ARRIVAL_NS, latest_ns=LATEST_NS, door=DOOR
    )
    return quick, plain


@settings(max_examples=400)
@given(pack=packs)
@example(pack=[{"bn": "pump-1/", "n": "vibration", "v": 2**53 + 1}])  # no double has it
@example(pack=[{"bn": "pump-1/", "bt": 1e308, "n": "vibration", "v": 1, "t": 1e308}])
def test_quick_way_agrees_with_the_plain_one_on_any_pack(pack):
    quick, plain = both_ways(json.dumps(pack).encode())
    assert quick is None or quick == plain


@settings(max_examples=400)
@given(pack=packs, cut=st.integers(0, 200), noise=st.binary(max_size=3))
def test_quick_way_agrees_with_the_plain_one_on_spoiled_text(pack, cut, noise):
    payload = json.dumps(pack).encode()
    quick, plain = both_ways(payload[:cut] + noise + payload[cut + len(noise) :])
    assert quick is None or quick == plain


@given(values=st.lists(st.tuples(st.floats(0.1, 36), st.integers(-600, 300)), min_size=1, max_size=8))
def test_quick_way_takes_what_gateways_send(values):
    """Guards the point of it: a plain pack must not fall through to the other way."""
    pack = [{"n": "battery_voltage", "u": "V", "v": value, "t": ago} for value, ago in values]
    pack[0] = {"bn": "pump-1/", "bt": ARRIVAL_S, **pack[0]}
    quick, plain = both_ways(orjson.dumps(pack))
    assert quick == plain
    assert quick.value == [value for value, _ in values]
    assert quick.time_ns == [ARRIVAL_NS + ago * SECOND_NS for _, ago in values]
