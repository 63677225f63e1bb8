"""The command `quarantine`: what could not be read, one by one, and taking in a unit that nobody had written down.

In: the operations store, the fleet file, the settings. Out: lines for a person; readings for the store. May import: all
of monitor. Touches the stores and, to admit a unit, the fleet file.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.acquisition.collector import conflicts_set_aside
from monitor.acquisition.decoder import Decoder, Message
from monitor.acquisition.quarantine import Reason, SetAside
from monitor.commands.failing import CommandFailed
from monitor.fleet import add_unit, load_fleet
from monitor.settings import Settings
from monitor.stores.protocols import Operations, ReadingStore
from monitor.times import to_rfc3339

KEY_LENGTH_SHOWN = 8  # of 32: enough to tell some thousand items apart
LOOKED_AT_MAX = 10_000  # items that `show` searches; the store gives no more at once
PAYLOAD_CHARACTERS_SHOWN = 2_000
ADMIT_ROUNDS_MAX = 1_000  # a round takes up to a thousand messages; new ones may come in while it runs


@dataclass(frozen=True, slots=True)
class Admitted:
    """What admitting a unit did: readings that are kept now, and items that could not be read even so."""

    readings: int
    still_aside: int


def list_lines(operations: Operations, *, unit: str | None, reason: str | None, limit: int) -> Iterator[str]:
    """One line an item, newest first, and a line on what there is in all.

    Raises:
        CommandFailed: there is no such reason.
    """
    known = [one.value for one in Reason]
    if reason is not None and reason not in known:
        raise CommandFailed(f'"{reason}" is no reason. Known: {", ".join(known)}.', code=2)
    items = operations.quarantined(limit=limit, unit=unit, reason=reason)
    for item in items:
        times = f" ({item.times} times)" if item.times > 1 else ""
        yield (
            f"{item.key[:KEY_LENGTH_SHOWN]}  {to_rfc3339(item.received_ns)}  {item.reason.value}{times}  "
            f"{item.source}, {item.place}: {item.text}"
        )
    counts = operations.quarantine_counts()
    if not counts:
        yield "Nothing is set aside."
    else:
        kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
        yield f"{len(items)} shown. Set aside in all: {kinds}."


def show_lines(operations: Operations, key: str) -> Iterator[str]:
    """All that is known of one item.

    Raises:
        CommandFailed: none, or several, have a key that begins so.
    """
    found = [item for item in operations.quarantined(limit=LOOKED_AT_MAX) if item.key.startswith(key)]
    if not found:
        raise CommandFailed(
            f'Nothing that begins with "{key}" is set aside. Take a key from `stillready quarantine list`.'
        )
    if len(found) > 1:
        raise CommandFailed(f'{len(found)} items begin with "{key}". Give more of the key: {found[0].key}, for one.')
    item = found[0]
    yield f"key       {item.key}"
    yield f"received  {to_rfc3339(item.received_ns)}, {item.times} time{'' if item.times == 1 else 's'}"
    yield f"from      {item.source}, {item.place}"
    yield f"reason    {item.reason.value}: {item.text}"
    if item.unit:
        yield f"unit      {item.unit}"
    if item.payload:
        yield f"payload   {len(item.payload)} bytes{f' of {item.content_type}' if item.content_type else ''}"
        yield _shown(item.payload)


def admit(
    operations: Operations,
    readings: ReadingStore,
    fleet_path: Path,
    settings: Settings,
    *,
    unit: str,
    site: str,
    battery_nominal_voltage: int | None = None,
) -> Admitted:
    """Write a unit into the fleet file and keep the readings that came before it stood there.

    battery_nominal_voltage: V, 12 or 24; it decides which battery readings are plausible. None: the default.

    Readings are durable before their items are released: cut off anywhere, the same call finishes it.

    Raises:
        FleetError: the unit cannot be added. CommandFailed: it stands at another site already.
    """
    fleet = load_fleet(fleet_path)
    if unit not in fleet.units:
        add_unit(fleet_path, unit, site, battery_nominal_voltage=battery_nominal_voltage)
        fleet = load_fleet(fleet_path)
    elif fleet.units[unit].site != site:
        there = fleet.units[unit].site
        raise CommandFailed(
            f"{unit} stands in {fleet_path.name} at site {there}. Say --site {there}, or correct the file."
        )
    decoder = Decoder(fleet, settings)
    kept = still_aside = 0
    for _ in range(ADMIT_ROUNDS_MAX):
        items = operations.take_quarantined(unit)
        if not items:
            break
        decoded = decoder.redecode(items)
        aside = list(decoded.set_aside)
        if len(decoded.batch):
            appended = readings.append(decoded.batch)
            kept += int(appended.fresh.sum())
            aside += conflicts_set_aside(decoded.batch, appended.conflict, [_message(item) for item in items])
        operations.set_aside(aside)
        still_aside += len(aside)
        stay = {item.key for item in aside}
        if not operations.release_quarantined([item.key for item in items if item.key not in stay]):
            break
    return Admitted(kept, still_aside)


def _message(item: SetAside) -> Message:
    return Message(item.source, item.payload, item.content_type, False, item.received_ns)


def _shown(payload: bytes) -> str:
    """A payload for the screen: text where it is text, without what could steer a terminal; else hexadecimal."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        text = payload.hex(" ")
    text = "".join(character if character.isprintable() else "·" for character in text)
    cut = len(text) - PAYLOAD_CHARACTERS_SHOWN
    return f"{text[:PAYLOAD_CHARACTERS_SHOWN]}… ({cut} more characters)" if cut > 0 else text
