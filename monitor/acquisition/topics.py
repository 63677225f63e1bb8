"""Topics: what a message is about, by where it was published.

In: a topic's text. Out: site and unit of readings, site and gateway of a link state, or nothing. Touches nothing.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReadingsTopic:
    """Readings of one unit, as the topic names them; neither need exist."""

    site: str
    unit: str


@dataclass(frozen=True, slots=True)
class LinkTopic:
    """Link state of one gateway, as the topic names it; neither need exist."""

    site: str
    gateway: str


def parse_topic(topic: str, prefix: str) -> ReadingsTopic | LinkTopic | None:
    """What a topic of ours is about; None for one that is not ours. Names are not checked here."""
    if not topic.startswith(f"{prefix}/"):
        return None
    levels = topic[len(prefix) + 1 :].split("/")
    if len(levels) != 3:
        return None
    site, name, kind = levels
    if kind == "readings":
        return ReadingsTopic(site, name)
    if kind == "link":
        return LinkTopic(site, name)
    return None


def readings_filter(prefix: str) -> str:
    """The subscription that takes in the readings of every unit."""
    return f"{prefix}/+/+/readings"


def link_filter(prefix: str) -> str:
    """The subscription that takes in the link state of every gateway."""
    return f"{prefix}/+/+/link"
