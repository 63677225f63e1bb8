"""Topics: ours are told from others, and from each other."""

import pytest

from monitor.acquisition.topics import LinkTopic, ReadingsTopic, parse_topic


def test_readings_topic_names_site_and_unit():
    assert parse_topic("stillready/works/pump-1/readings", "stillready") == ReadingsTopic("works", "pump-1")


def test_link_topic_names_site_and_gateway():
    assert parse_topic("stillready/works/box/link", "stillready") == LinkTopic("works", "box")


def test_a_prefix_may_have_levels():
    assert parse_topic("a/b/works/pump-1/readings", "a/b") == ReadingsTopic("works", "pump-1")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "stillready",
        "stillready/works/readings",
        "stillready/works/pump-1/x/readings",
        "stillready/works/pump-1/other",
        "other/works/pump-1/readings",
        "stillreadyx/works/pump-1/readings",
    ],
)
def test_other_topics_are_none_of_ours(topic):
    assert parse_topic(topic, "stillready") is None
