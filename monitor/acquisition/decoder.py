"""The decoder: raw messages of the broker become one reading batch, and what could not be read is set aside.

In: messages as they came (topic, payload, content type, retained or not, moment of arrival), the fleet, the settings.
Out: a batch that counts into the fleet's names, and items for the quarantine. Bad input costs itself and nothing else.
May import: numpy, the other rooms of monitor.acquisition, monitor.batch, fleet, settings, signals. Pure: touches
nothing; what it remembers between calls is what each known topic means.
"""

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from monitor.acquisition.faults import MESSAGE, Fault, Unreadable, did_you_mean, quoted
from monitor.acquisition.mapping import CompiledRule, Match, compile_rules, match, read_number
from monitor.acquisition.packs import Entry, Taken, UnitDoor, quick_entries, read_plainly, read_quickly, taken_signals
from monitor.acquisition.quarantine import PAYLOAD_KEPT_MAX, Reason, SetAside
from monitor.acquisition.symbols import Door
from monitor.acquisition.topics import LinkTopic, ReadingsTopic, link_filter, parse_topic, readings_filter
from monitor.batch import Batch
from monitor.fleet import NAME_PATTERN, Fleet, Unit
from monitor.settings import Settings
from monitor.signals import SIGNALS
from monitor.times import to_rfc3339

log = logging.getLogger(__name__)

PAYLOAD_KEPT_WITH_RECORD_MAX = 4_096  # bytes kept with each bad record of a pack: its faults share one message
JSON_CONTENT_TYPES = frozenset({"", "application/senml+json", "application/json"})
LINK_STATES = {b"online": 1.0, b"offline": 0.0}
RETAINED_PLACE = "retained message"
INDEX = {signal.name: index for index, signal in enumerate(SIGNALS)}  # a fleet's signals begin with these


class Message(NamedTuple):
    """One message as it came. A tuple: thousands a second are made of these."""

    topic: str
    payload: bytes
    content_type: str
    is_retained: bool
    received_ns: int


@dataclass(frozen=True, slots=True)
class Decoded:
    """What some messages gave. The batch is in the order of arrival."""

    batch: Batch
    set_aside: tuple[SetAside, ...]


@dataclass(frozen=True, slots=True)
class PlainTopic:
    """A topic that carries one plain number: of which unit and signal, by which rule."""

    unit: str
    unit_index: int
    taken: Taken
    rule: CompiledRule


@dataclass(frozen=True, slots=True)
class Linked:
    """A topic that carries a gateway's link state: indices of the units behind it."""

    unit_indices: tuple[int, ...]


Target = UnitDoor | PlainTopic | Linked


@dataclass(slots=True)
class Columns:
    """Readings under way to a batch. unit, received_ns and count stand once for a run of readings, not for each."""

    time_ns: list[int] = field(default_factory=list)
    signal: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    unit: list[int] = field(default_factory=list)
    received_ns: list[int] = field(default_factory=list)
    count: list[int] = field(default_factory=list)

    def add_run(
        self, *, unit: int, received_ns: int, time_ns: Sequence[int], signal: Sequence[int], value: Sequence[float]
    ) -> None:
        """Readings of one unit that came in one message."""
        self.time_ns.extend(time_ns)
        self.signal.extend(signal)
        self.value.extend(value)
        self.unit.append(unit)
        self.received_ns.append(received_ns)
        self.count.append(len(time_ns))

    def batch(self, fleet: Fleet) -> Batch:
        """All of them, as NumPy columns."""
        return Batch(
            fleet.unit_names,
            fleet.signal_names,
            np.array(self.time_ns, np.int64),
            np.repeat(np.array(self.unit, np.int32), self.count),
            np.array(self.signal, np.int32),
            np.array(self.value, np.float64),
            np.repeat(np.array(self.received_ns, np.int64), self.count),
        )


class Decoder:
    """Decodes for one fleet under one set of settings. A changed fleet gets a new one."""

    def __init__(self, fleet: Fleet, settings: Settings) -> None:
        """Raises ValueError with all that is wrong with the mappings."""
        self.fleet = fleet
        self._prefix = settings.broker.topic_prefix
        self._payload_bytes_max = settings.broker.payload_bytes_max
        self._tolerance_ns = settings.clock_tolerance_ns
        self._rules = compile_rules((*fleet.mappings, *settings.mappings), fleet)
        self._unit_index = {unit: index for index, unit in enumerate(fleet.units)}
        self._behind: dict[str, list[Unit]] = {}  # gateway: its units
        for unit in fleet.units.values():
            self._behind.setdefault(unit.gateway or unit.id, []).append(unit)
        blocks = {unit.blocks for unit in fleet.units.values()}
        self._taken = {
            (door, count): taken_signals(fleet.signals, blocks=count, door=door) for door in Door for count in blocks
        }
        self._quick: Mapping[int, Mapping[str, Mapping[str | None, Entry]]] = {
            count: quick_entries(self._taken[Door.SENML, count]) for count in blocks
        }
        # Only topics of units and gateways that the fleet has get in, so the fleet bounds it.
        self._targets: dict[str, Target] = {}

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """Filters of the topics that carry readings; collectors of one group divide these."""
        return (readings_filter(self._prefix), *dict.fromkeys(rule.subscription for rule in self._rules))

    @property
    def link_subscription(self) -> str:
        """Filter of the link states, which each collector needs for itself."""
        return link_filter(self._prefix)

    def decode(self, messages: Iterable[Message]) -> Decoded:
        """Readings of some messages, and what could not be read.

        A mistake of ours in one message costs that message, which is set aside too.
        """
        columns = Columns()
        items: list[SetAside] = []
        for message in messages:
            target = self._targets.get(message.topic)
            if type(target) is UnitDoor and self._read_quickly(message, target, columns):
                continue
            try:
                self._read(message, target, columns, items)
            except Unreadable as error:
                items.append(_set_aside(message, Fault(MESSAGE, error.reason, str(error)), unit=""))
            except Exception:  # whatever it is, the next message must be read
                log.exception("A message could not be decoded")
                text = "Reading this message met a mistake of this program. Please report it with the payload."
                items.append(_set_aside(message, Fault(MESSAGE, Reason.UNREADABLE, text), unit=""))
        return Decoded(columns.batch(self.fleet), tuple(items))

    def redecode(self, items: Iterable[SetAside]) -> Decoded:
        """Messages of units that the fleet now has, decoded as if they came now but with their own time of arrival."""
        return self.decode(
            Message(item.source, item.payload, item.content_type, item.place == RETAINED_PLACE, item.received_ns)
            for item in items
        )

    def _read_quickly(self, message: Message, door: UnitDoor, columns: Columns) -> bool:
        _, payload, content_type, is_retained, received_ns = message
        if is_retained or content_type not in JSON_CONTENT_TYPES or len(payload) > self._payload_bytes_max:
            return False
        latest_ns = received_ns + self._tolerance_ns
        found = read_quickly(payload, received_ns=received_ns, latest_ns=latest_ns, door=door)
        if found is None:
            return False
        columns.add_run(
            unit=door.unit_index,
            received_ns=received_ns,
            time_ns=found.time_ns,
            signal=found.signal,
            value=found.value,
        )
        return True

    def _read(self, message: Message, target: Target | None, columns: Columns, items: list[SetAside]) -> None:
        if len(message.payload) > self._payload_bytes_max:
            raise Unreadable(
                f"The payload has more than {self._payload_bytes_max} bytes. "
                "Send smaller packs, or raise the setting payload_bytes_max.",
                Reason.TOO_LARGE,
            )
        if target is None:
            named = self._target(message.topic)
            if isinstance(named, str):
                items.append(_of_unknown_unit(message, named))
                return
            target = self._targets[message.topic] = named
            if isinstance(target, UnitDoor) and self._read_quickly(message, target, columns):
                return
        if isinstance(target, UnitDoor):
            self._read_pack(message, target, columns, items)
        elif isinstance(target, PlainTopic):
            self._read_plain_number(message, target, columns, items)
        else:
            _read_link(message, target, columns)

    def _read_pack(self, message: Message, door: UnitDoor, columns: Columns, items: list[SetAside]) -> None:
        received_ns = message.received_ns
        found = read_plainly(
            message.payload,
            content_type=message.content_type,
            is_retained=message.is_retained,
            received_ns=received_ns,
            latest_ns=received_ns + self._tolerance_ns,
            door=door,
        )
        time_ns, signal, value = list(found.time_ns), list(found.signal), list(found.value)
        if found.ahead_s:
            time_ns.append(received_ns)
            signal.append(INDEX["clock_ahead"])
            value.append(found.ahead_s)
        columns.add_run(unit=door.unit_index, received_ns=received_ns, time_ns=time_ns, signal=signal, value=value)
        kept_max = PAYLOAD_KEPT_MAX if len(found.faults) == 1 else PAYLOAD_KEPT_WITH_RECORD_MAX
        items.extend(_set_aside(message, fault, unit=door.unit, kept_max=kept_max) for fault in found.faults)

    def _read_plain_number(self, message: Message, target: PlainTopic, columns: Columns, items: list[SetAside]) -> None:
        try:
            if message.is_retained:
                raise Unreadable(
                    "The broker retained this number, so nobody knows when it was measured. Publish without retain.",
                    Reason.RETAINED,
                )
            value = read_number(message.payload, rule=target.rule, taken=target.taken)
        except Unreadable as error:
            items.append(_set_aside(message, Fault(MESSAGE, error.reason, str(error)), unit=target.unit))
            return
        columns.add_run(
            unit=target.unit_index,
            received_ns=message.received_ns,
            time_ns=[message.received_ns],
            signal=[target.taken.index],
            value=[value],
        )

    def _target(self, topic: str) -> Target | str:
        """What a topic means; the unit's or gateway's name where the fleet does not have it.

        Raises:
            Unreadable: the topic is none of ours, or names a wrong site or signal.
        """
        named = parse_topic(topic, self._prefix)
        if isinstance(named, ReadingsTopic):
            return self._readings_target(named)
        if isinstance(named, LinkTopic):
            return self._link_target(named)
        mapped = match(self._rules, topic)
        if mapped is None:
            raise Unreadable(f"The topic is none that is known here. Publish to {self._prefix}/SITE/UNIT/readings.")
        return self._mapped_target(mapped)

    def _readings_target(self, topic: ReadingsTopic) -> Target | str:
        unit = self.fleet.units.get(topic.unit)
        if unit is None:
            return _checked_name(topic.unit)
        if unit.site != topic.site:
            raise Unreadable(
                f"{quoted(unit.id)} stands at site {quoted(unit.site)}, the topic says {quoted(topic.site)}. "
                f"Publish to {self._prefix}/{unit.site}/{unit.id}/readings.",
                Reason.WRONG_SITE,
            )
        return UnitDoor(
            unit.id, self._unit_index[unit.id], self._taken[Door.SENML, unit.blocks], self._quick[unit.blocks]
        )

    def _link_target(self, topic: LinkTopic) -> Target | str:
        behind = self._behind.get(topic.gateway)
        if behind is None:
            return _checked_name(topic.gateway)
        here = [unit for unit in behind if unit.site == topic.site]
        if not here:
            sites = ", ".join(dict.fromkeys(quoted(unit.site) for unit in behind))
            raise Unreadable(
                f"Gateway {quoted(topic.gateway)} serves units at site {sites}, the topic says {quoted(topic.site)}.",
                Reason.WRONG_SITE,
            )
        return Linked(tuple(self._unit_index[unit.id] for unit in here))

    def _mapped_target(self, mapped: Match) -> Target | str:
        unit = self.fleet.units.get(mapped.unit)
        if unit is None:
            return _checked_name(mapped.unit)
        known = self._taken[Door.MAPPING, unit.blocks]
        if mapped.signal not in known:
            suggestion = did_you_mean(mapped.signal, known)
            raise Unreadable(f"There is no signal {quoted(mapped.signal)}.{suggestion}", Reason.UNKNOWN_SIGNAL)
        return PlainTopic(unit.id, self._unit_index[unit.id], known[mapped.signal], mapped.rule)


def _read_link(message: Message, target: Linked, columns: Columns) -> None:
    state = LINK_STATES.get(message.payload.strip()) if len(message.payload) <= PAYLOAD_KEPT_WITH_RECORD_MAX else None
    if state is None:
        raise Unreadable('A link state is "online" or "offline", as plain text; this is neither.')
    for unit_index in target.unit_indices:
        columns.add_run(
            unit=unit_index,
            received_ns=message.received_ns,
            time_ns=[message.received_ns],
            signal=[INDEX["link_online"]],
            value=[state],
        )


def _checked_name(name: str) -> str:
    if not NAME_PATTERN.fullmatch(name):
        raise Unreadable(
            f"The topic names {quoted(name)}, which is no name. A name is up to 64 of a-z, 0-9, '.', '_' and '-', a "
            "letter or digit first."
        )
    return name


def _of_unknown_unit(message: Message, name: str) -> SetAside:
    """The whole message, uncut (the decoder's bound on payloads holds), so that it can be read once the unit is known.

    Its place says when it came: two messages with the same payload and relative times are two, not one that came twice.
    """
    place = RETAINED_PLACE if message.is_retained else f"{MESSAGE} of {to_rfc3339(message.received_ns)}"
    text = f"The fleet has no unit or gateway {quoted(name)}. Add it to the fleet file, or mend the topic."
    fault = Fault(place, Reason.UNKNOWN_UNIT, text)
    return _set_aside(message, fault, unit=name, kept_max=len(message.payload))


def _set_aside(message: Message, fault: Fault, *, unit: str, kept_max: int = PAYLOAD_KEPT_MAX) -> SetAside:
    return SetAside(
        message.received_ns,
        message.topic,
        fault.place,
        fault.reason,
        fault.text,
        message.payload[:kept_max],
        message.content_type,
        unit,
    )
