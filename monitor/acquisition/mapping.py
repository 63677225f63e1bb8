"""Mapping: gateways that publish one plain number a topic, where the topic says unit and signal.

In: the mapping rules of the settings and the fleet, once; then topics and payloads. Out: compiled rules with their
subscriptions; a value in the signal's symbol. May import: monitor.acquisition (faults, packs, symbols), monitor.fleet,
monitor.settings. Touches nothing.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from monitor.acquisition.faults import Unreadable, did_you_mean, quoted
from monitor.acquisition.packs import Taken, plausible
from monitor.acquisition.symbols import BEYOND_SENML, SAME, SECONDARY, Door, conversions
from monitor.fleet import Fleet
from monitor.settings import MappingRule
from monitor.signals import Signal

PLACEHOLDERS = ("unit", "signal")
PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
NUMBER_LENGTH_MAX = 64  # characters of a payload that is one number; anything longer is something else
SWITCH_WORDS = {"true": 1.0, "on": 1.0, "false": 0.0, "off": 0.0}


@dataclass(frozen=True, slots=True)
class CompiledRule:
    """One rule, checked.

    pattern: matches a topic, with the groups unit and signal where the topic names them. subscription: the MQTT filter.
    unit, signal: where the rule names them. symbol: of what comes; None: the signal's own.
    """

    pattern: re.Pattern[str]
    subscription: str
    unit: str | None
    signal: str | None
    symbol: str | None
    factor: float
    offset: float


@dataclass(frozen=True, slots=True)
class Match:
    """The rule that takes a topic, and the unit and signal that both together name; neither need exist."""

    rule: CompiledRule
    unit: str
    signal: str


def compile_rules(rules: Sequence[MappingRule], fleet: Fleet) -> tuple[CompiledRule, ...]:
    """The rules, ready to match.

    Raises:
        ValueError: all that is wrong with them, a line each: the rule, what is there, what to do.
    """
    faults: list[str] = []
    for number, rule in enumerate(rules, start=1):
        faults += [
            f"[[mappings]] number {number}, topic {quoted(rule.topic)}: {fault}" for fault in _faults(rule, fleet)
        ]
    if faults:
        raise ValueError("\n".join(faults))
    return tuple(_compiled(rule) for rule in rules)


def match(rules: Sequence[CompiledRule], topic: str) -> Match | None:
    """The first rule that takes a topic, None where there is none."""
    for rule in rules:
        found = rule.pattern.fullmatch(topic)
        if found:
            named = found.groupdict()
            return Match(rule, rule.unit or named["unit"], rule.signal or named["signal"])
    return None


def read_number(payload: bytes, *, rule: CompiledRule, taken: Taken) -> float:
    """Value of one plain payload, in the signal's symbol.

    value = factor * number + offset, then converted from the rule's symbol.

    Args:
        taken: what the unit takes under the signal, with the conversions of Door.MAPPING.
    Raises:
        Unreadable: no number, or one that this signal cannot have.
    """
    number = _number(payload, is_switch=taken.signal.is_switch)
    conversion = SAME
    if rule.symbol is not None:
        if rule.symbol not in taken.conversions:
            raise Unreadable(
                f'The mapping says from = "{rule.symbol}"; {taken.signal.name} takes {", ".join(taken.conversions)}.'
            )
        conversion = taken.conversions[rule.symbol]
    return plausible(conversion(rule.factor * number + rule.offset), taken)


def _number(payload: bytes, *, is_switch: bool) -> float:
    text = payload[: NUMBER_LENGTH_MAX + 1].decode("ascii", "replace").strip()
    if len(payload) <= NUMBER_LENGTH_MAX and NUMBER.fullmatch(text):
        return float(text)
    if is_switch and text.lower() in SWITCH_WORDS:
        return SWITCH_WORDS[text.lower()]
    expected = "0, 1, true, false, on or off" if is_switch else "one plain number like 27.1"
    raise Unreadable(f"The payload is {quoted(text)}; {expected} was expected.")


def _faults(rule: MappingRule, fleet: Fleet) -> list[str]:
    named = PLACEHOLDER.findall(rule.topic)
    faults = []
    if any(name not in PLACEHOLDERS for name in named) or re.search(r"[{}]", PLACEHOLDER.sub("", rule.topic)):
        faults.append("only {unit} and {signal} may stand in braces.")
    if len(named) != len(set(named)):
        faults.append("a name in braces stands twice. Keep one.")
    if not rule.topic or any(character in rule.topic for character in "+#\0"):
        faults.append("an MQTT topic without wildcards was expected. Put {unit} or {signal} where it varies.")
    if not isfinite(rule.factor) or rule.factor == 0 or not isfinite(rule.offset):
        faults.append("factor and offset must be finite numbers, factor not 0.")
    faults += _unit_faults(rule, fleet, stands_in_topic="unit" in named)
    faults += _signal_faults(rule, fleet, stands_in_topic="signal" in named)
    return faults


def _unit_faults(rule: MappingRule, fleet: Fleet, *, stands_in_topic: bool) -> list[str]:
    if rule.unit is None:
        return [] if stands_in_topic else ["no unit is known. Put {unit} into the topic, or add unit = …."]
    if stands_in_topic:
        return ["unit stands in the topic and beside it. Keep one of the two."]
    if rule.unit not in fleet.units:
        return [f'unit is "{rule.unit}", which the fleet file does not have.{did_you_mean(rule.unit, fleet.units)}']
    return []


def _signal_faults(rule: MappingRule, fleet: Fleet, *, stands_in_topic: bool) -> list[str]:
    known = {signal.name: signal for signal in fleet.signals if not signal.internal}
    if rule.signal is None:
        if not stands_in_topic:
            return ["no signal is known. Put {signal} into the topic, or add signal = …."]
        return _symbol_faults(rule.from_, tuple(known.values()))
    if stands_in_topic:
        return ["signal stands in the topic and beside it. Keep one of the two."]
    if rule.signal not in known:
        return [f'signal is "{rule.signal}", which does not exist.{did_you_mean(rule.signal, known)}']
    return _symbol_faults(rule.from_, (known[rule.signal],))


def _symbol_faults(symbol: str | None, signals: Sequence[Signal]) -> list[str]:
    taken = [written for signal in signals for written in conversions(signal.symbol, Door.MAPPING)]
    if symbol is None or symbol in taken:
        return []
    if symbol in SECONDARY or symbol in BEYOND_SENML or len(signals) > 1:
        suggestion = f" It takes {', '.join(dict.fromkeys(taken))}."
    else:
        suggestion = did_you_mean(symbol, taken) or f" It takes {', '.join(taken)}."
    return [f'from is "{symbol}", which cannot be turned into what the signal has.{suggestion}']


def _compiled(rule: MappingRule) -> CompiledRule:
    pattern, position = "", 0
    for placeholder in PLACEHOLDER.finditer(rule.topic):
        pattern += re.escape(rule.topic[position : placeholder.start()]) + f"(?P<{placeholder[1]}>[^/]+)"
        position = placeholder.end()
    pattern += re.escape(rule.topic[position:])
    levels = ["+" if PLACEHOLDER.search(level) else level for level in rule.topic.split("/")]
    return CompiledRule(
        re.compile(pattern), "/".join(levels), rule.unit, rule.signal, rule.from_, rule.factor, rule.offset
    )
