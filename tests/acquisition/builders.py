"""Small fleets and messages for the tests of acquisition: each test says only what matters to it."""

import json
from collections.abc import Iterator, Sequence

from monitor.acquisition.decoder import Decoded, Decoder, Message
from monitor.fleet import Fleet, Site, Unit
from monitor.settings import MappingRule, Settings
from monitor.signals import SIGNALS, Signal
from monitor.times import SECOND_NS

ARRIVAL_S = 1_767_225_600  # 2026-01-01T00:00:00Z
ARRIVAL_NS = ARRIVAL_S * SECOND_NS
TOPIC = "stillready/works/pump-1/readings"
CBOR = "application/senml+cbor"


def fleet_of(*units: Unit, sites: Sequence[str] = ("works", "school"), signals: Sequence[Signal] = ()) -> Fleet:
    """A fleet of these units; where none is given, of pump-1 with 12 V and hall-2 with 24 V."""
    some = units or (
        Unit("pump-1", "works", "Pump 1", battery_nominal_voltage=12),
        Unit("hall-2", "school", "Hall 2", battery_nominal_voltage=24, gateway="school-box"),
    )
    return Fleet({name: Site(name, name) for name in sites}, {unit.id: unit for unit in some}, (*SIGNALS, *signals))


def decoder_of(fleet: Fleet | None = None, *, mappings: Sequence[dict[str, object]] = (), **broker: object) -> Decoder:
    """A decoder with default settings but for what is given."""
    rules = tuple(MappingRule.model_validate(rule) for rule in mappings)
    return Decoder(fleet or fleet_of(), Settings(mappings=rules, broker=broker))


def message(
    content: object,
    *,
    topic: str = TOPIC,
    content_type: str = "",
    is_retained: bool = False,
    received_ns: int = ARRIVAL_NS,
) -> Message:
    """A message; content that is no bytes is sent as JSON, text as it is."""
    if isinstance(content, str):
        content = content.encode("utf-8", "surrogatepass")
    payload = content if isinstance(content, bytes) else json.dumps(content).encode()
    return Message(topic, payload, content_type, is_retained, received_ns)


def decode(content: object, *, decoder: Decoder | None = None, **how: object) -> Decoded:
    """What one message gives."""
    return (decoder or decoder_of()).decode([message(content, **how)])  # type: ignore[arg-type]


def rows(decoded: Decoded) -> list[tuple[str, str, int, float]]:
    """Readings as (unit, signal, ns after the builders' arrival, value), in their order."""
    return list(_rows(decoded))


def _rows(decoded: Decoded) -> Iterator[tuple[str, str, int, float]]:
    batch = decoded.batch
    for index in range(len(batch)):
        yield (
            batch.units[batch.unit[index]],
            batch.signals[batch.signal[index]],
            int(batch.time_ns[index]) - ARRIVAL_NS,
            float(batch.value[index]),
        )
