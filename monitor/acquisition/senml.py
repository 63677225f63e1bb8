"""SenML packs: from bytes to resolved records, as RFC 8428 has it, whatever the names mean to us.

In: untrusted bytes and their content type. Out: resolved records in the order of the pack, and a fault for each one
that cannot be resolved. One bad record costs no other. A base field is checked where it is used: a bad one spoils each
record that leans on it, so that no reading gets a guessed time. May import: cbor2, monitor.acquisition.faults. Touches
nothing.

Times: JSON and CBOR carry seconds. Integers stay exact. A double near 1.8e9 resolves some 240 ns, so seconds that are
no integer are rounded to the microsecond: what was written with up to six decimals comes out as exactly that, and the
same payload always gives the same nanoseconds.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from io import BytesIO
from math import isfinite

import cbor2

from monitor.acquisition.faults import Fault, Unreadable, described, quoted
from monitor.times import SECOND_NS

CBOR_CONTENT_TYPE = "application/senml+cbor"
ABSOLUTE_FROM_S = 2**28  # RFC 8428 section 4.5.3: smaller times count from now
VERSION_PLAIN_MAX = 10  # RFC 8428 section 4.4: the version of that document
VERSION_SECONDARY_UNITS = 26  # RFC 9100 section 3: version 10 and the feature 'secondary units' (2**4)
STAMP_S_MAX = 2**53  # beyond it a double has no seconds; it is a hundred million years
INTEGER_DIGITS_MAX = 20  # of a JSON integer that is kept exact, 2**64 has 20; longer ones become floats, in linear time
CBOR_DEPTH_MAX = 32  # a pack needs 3 and a decimal fraction; deeper is no SenML

BASE_FIELDS = ("bn", "bt", "bu", "bv", "bs", "bver")
VALUE_FIELDS = ("v", "vs", "vb", "vd")
RECORD_FIELDS = ("n", "u", *VALUE_FIELDS, "s", "t", "ut")
# RFC 8428 section 6, table 4.
CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428 section 4.5.1, of the resolved name

Seconds = int | float


@dataclass(frozen=True, slots=True)
class Resolved:
    """A record with its base fields applied (RFC 8428 section 4.6).

    position: counted from 1. symbol: None where none is given. value: a number, text, truth value or bytes (in JSON
    the base64 text); None where the record carries a sum and no value. time_s: since 1970 where is_absolute, else from
    the moment of arrival.
    """

    position: int
    name: str
    symbol: str | None
    value: float | str | bool | bytes | None
    time_s: Seconds

    @property
    def is_absolute(self) -> bool:
        """Whether the time stands by itself."""
        return self.time_s >= ABSOLUTE_FROM_S


def nanoseconds(seconds: Seconds) -> int:
    """ns of seconds: exact for an integer, to the microsecond for a float."""
    return seconds * SECOND_NS if isinstance(seconds, int) else round(seconds * 1e6) * 1000


def parse(payload: bytes, content_type: str) -> list[object]:
    """The records of a pack, unchecked.

    Raises:
        Unreadable: no JSON or CBOR, or no array.
    """
    media_type = content_type.partition(";")[0].strip().lower()
    if media_type == CBOR_CONTENT_TYPE:
        return parse_cbor(payload)
    return parse_json(payload)


def parse_json(payload: bytes) -> list[object]:
    """Records of a JSON pack. NaN, Infinity and endless integers come through, to be refused one by one."""
    try:
        pack = json.loads(payload.decode("utf-8-sig"), parse_int=_integer)
    except UnicodeDecodeError as error:
        raise Unreadable(f"The payload is no UTF-8 (byte {error.start + 1}). Send JSON in UTF-8.") from None
    except RecursionError:
        raise Unreadable("The payload is nested too deeply. A SenML pack is an array of flat records.") from None
    except ValueError as error:
        raise Unreadable(f"The payload is no JSON ({error}). Send a SenML pack, RFC 8428.") from None
    return _array(pack)


def parse_cbor(payload: bytes) -> list[object]:
    """Records of a CBOR pack, integer labels turned into the names of the JSON ones."""
    stream = BytesIO(payload)
    try:
        pack = cbor2.CBORDecoder(stream, max_depth=CBOR_DEPTH_MAX).decode()
    except Exception as error:  # a tag's own decoder may raise anything, and what is refused must never stop the next
        raise Unreadable(f"The payload is no CBOR ({type(error).__name__}). Send a SenML pack, RFC 8428.") from None
    if stream.tell() != len(payload):
        raise Unreadable(f"The pack ends after {stream.tell()} of {len(payload)} bytes. Send one pack a message.")
    return [_with_names(record) if isinstance(record, dict) else record for record in _array(pack)]


def check_pack(records: Sequence[object]) -> None:
    """Refuse a pack that asks for more than this program knows; else its other fields might mean something else.

    Raises:
        Unreadable: a version beyond ours, or a field that must be understood. RFC 8428 sections 4.4 and 12.3.1: such
            a field is needed 'to correctly process the Pack', so the whole pack is refused.
    """
    for position, record in enumerate(records, start=1):
        if not isinstance(record, Mapping):
            continue
        for label in record:
            if isinstance(label, str) and label.endswith("_"):
                raise Unreadable(
                    f"Record {position} has the field {quoted(label)}, which must be understood (RFC 8428) and is not "
                    "known here. Send the pack without it."
                )
        if "bver" in record and not _version_is_known(record["bver"]):
            raise Unreadable(
                f"Record {position} has bver {described(record['bver'])}; versions 1 to {VERSION_PLAIN_MAX} and "
                f"{VERSION_SECONDARY_UNITS} are read here. Leave bver out."
            )


def resolve(records: Sequence[object]) -> Iterator[Resolved | Fault]:
    """Each record with its base fields applied, or why not. Records of base fields alone give nothing.

    Source: RFC 8428 sections 4.1 to 4.6.
    """
    base: dict[str, object] = {}
    for position, record in enumerate(records, start=1):
        try:
            if not isinstance(record, Mapping):
                raise Unreadable(f"{described(record)} stands where a record was expected. Send an object.")
            base |= {label: record[label] for label in BASE_FIELDS if label in record}
            if any(label in record for label in RECORD_FIELDS):
                yield _resolved(position, record, base)
        except Unreadable as fault:
            yield Fault(f"record {position}", fault.reason, str(fault))


def _resolved(position: int, record: Mapping[str, object], base: Mapping[str, object]) -> Resolved:
    name = _text("bn", base.get("bn", "")) + _text("n", record.get("n", ""))
    if not NAME.fullmatch(name):
        raise Unreadable(f"The name is {quoted(name)}. Letters, digits and -:./_ are allowed, a letter or digit first.")
    value = _value(record, base)
    symbol: str | None = None
    if "u" in record:
        symbol = _text("u", record["u"])
    elif "bu" in base and isinstance(value, float):
        symbol = _text("bu", base["bu"])
    time_s = _number("bt", base.get("bt", 0)) + _number("t", record.get("t", 0))
    if not abs(time_s) <= STAMP_S_MAX:
        raise Unreadable(f"bt and t together are {described(time_s)} s, which is no time. Send seconds since 1970.")
    return Resolved(position, name, symbol, value, time_s)


def _value(record: Mapping[str, object], base: Mapping[str, object]) -> float | str | bool | bytes | None:
    given = [label for label in VALUE_FIELDS if label in record]
    if len(given) > 1:
        raise Unreadable(f"{' and '.join(given)} stand in one record. Only one value may stand.")
    if given == ["vb"]:
        if not isinstance(record["vb"], bool):
            raise Unreadable(f"vb is {described(record['vb'])}. true or false was expected.")
        return record["vb"]
    if given == ["vs"]:
        return _text("vs", record["vs"])
    if given == ["vd"]:
        data = record["vd"]
        if not isinstance(data, str | bytes):
            raise Unreadable(f"vd is {described(data)}. Data was expected.")
        return data
    if given or "bv" in base:  # RFC 8428 section 4.5.4: whichever of the two is missing counts as zero
        value = _number("bv", base.get("bv", 0)) + _number("v", record.get("v", 0))
        if not isfinite(value):
            raise Unreadable("bv and v together are beyond any number.")
        return float(value)
    if "s" in record or "bs" in base:
        return None
    raise Unreadable("The record has no value. Send v, or vb for a switch.")


def _number(label: str, thing: object) -> Seconds:
    if isinstance(thing, Decimal):  # CBOR tag 4, RFC 8428 section 6
        thing = float(thing)
    if isinstance(thing, bool) or not isinstance(thing, int | float):
        raise Unreadable(f"{label} is {described(thing)}. A number was expected.")
    if isinstance(thing, int) and thing.bit_length() <= 64:
        return thing
    try:
        number = float(thing)
    except OverflowError:
        raise Unreadable(f"{label} is {described(thing)}, beyond any number that is kept here.") from None
    if not isfinite(number):
        raise Unreadable(f"{label} is {described(number)}. A finite number was expected.")
    return number


def _text(label: str, thing: object) -> str:
    if not isinstance(thing, str):
        raise Unreadable(f"{label} is {described(thing)}. Text was expected.")
    return thing


def _version_is_known(version: object) -> bool:
    if isinstance(version, bool) or not isinstance(version, int | float):
        return False
    return version == VERSION_SECONDARY_UNITS or (1 <= version <= VERSION_PLAIN_MAX and version == int(version))


def _array(pack: object) -> list[object]:
    if not isinstance(pack, list):
        raise Unreadable(f"The payload is {described(pack)}. A SenML pack is an array of records: put it into [ ].")
    return pack


def _integer(digits: str) -> int | float:
    return int(digits) if len(digits) <= INTEGER_DIGITS_MAX else float(digits)


def _with_names(record: Mapping[object, object]) -> dict[object, object]:
    # type(), not isinstance: True is the key 1 to Python, and no label of ours.
    return {CBOR_LABELS.get(key, key) if type(key) is int else key: value for key, value in record.items()}
