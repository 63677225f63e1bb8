"""Mapping: gateways that publish one plain number a topic, where the topic says unit and signal.

In: the mapping rules of the fleet file and the settings, once; then topics and payloads. Out: compiled rules with
their subscriptions; a value in the signal's symbol. May import: monitor.acquisition (faults, packs, symbols),
monitor.fleet, monitor.mappings, monitor.toml_tables. Touches nothing.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.acquisition.faults import Unreadable, quoted
from monitor.acquisition.packs import Taken, plausible
from monitor.acquisition.symbols import SAME, Door, conversions
from monitor.fleet import Fleet
from monitor.mappings import MappingRule
from monitor.signals import Signal
from monitor.toml_tables import did_you_mean

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
    faults = [f'[[mappings]] of topic "{rule.topic}": {fault}' for rule in rules for fault in _faults(rule, fleet)]
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
    """What is wrong with a rule beside what it checks itself."""
    faults = []
    named = PLACEHOLDER.findall(rule.topic)
    if any(name not in PLACEHOLDERS for name in named) or re.search(r"[{}]", PLACEHOLDER.sub("", rule.topic)):
        faults.append("only {unit} and {signal} may stand in braces.")
    if any(character in rule.topic for character in "+#\0"):
        faults.append("it holds a wildcard. Put {unit} or {signal} where it varies.")
    if rule.unit is not None and rule.unit not in fleet.units:
        faults.append(f'unit is "{rule.unit}", which the fleet does not have.{did_you_mean(rule.unit, fleet.units)}')
    known = {signal.name: signal for signal in fleet.signals if not signal.internal}
    if rule.signal is None:
        return faults + _symbol_faults(rule.from_, tuple(known.values()))
    if rule.signal not in known:
        return [*faults, f'signal is "{rule.signal}", which does not exist.{did_you_mean(rule.signal, known)}']
    return faults + _symbol_faults(rule.from_, (known[rule.signal],))


def _symbol_faults(symbol: str | None, signals: Sequence[Signal]) -> list[str]:
    taken = dict.fromkeys(written for signal in signals for written in conversions(signal.symbol, Door.MAPPING))
    if symbol is None or symbol in taken:
        return []
    which = signals[0].name if len(signals) == 1 else "no signal"
    verb = "does not take" if len(signals) == 1 else "takes"
    return [f'from is "{symbol}", which {which} {verb}. Known: {", ".join(taken)}.']


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
