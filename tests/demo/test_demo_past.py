"""How a later start of the demo goes on, or says why it cannot."""

from monitor.commands import demo_story, demo_world
from monitor.commands.demo import _gone_on
from monitor.commands.demo_story import Story
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, from_rfc3339
from simulator.ongoing import Ongoing

NOW = from_rfc3339("2026-11-04T12:00:00Z")


def kept_demo(directory, story=None) -> Story:
    """A folder in which a demo ended a quarter of an hour after its story began."""
    story = story or Story(NOW - HOUR_NS, ())
    demo_story.save(story, directory)
    ongoing = Ongoing(story.scenario)
    ongoing.until(story.began_ns + 15 * MINUTE_NS)
    demo_world.save(ongoing.kept, story.scenario, directory)
    return story


def test_a_later_start_goes_on_from_where_the_world_stood(tmp_path, capsys):
    story = kept_demo(tmp_path)
    gone_on, kept = _gone_on(tmp_path, (story.began_ns, story.began_ns + 16 * MINUTE_NS), NOW)
    assert gone_on == story
    assert kept is not None
    assert kept.at_ns == story.began_ns + 15 * MINUTE_NS
    assert capsys.readouterr().err == ""


def test_a_world_that_cannot_be_read_is_said_in_a_sentence_and_the_valley_begins_anew(tmp_path, capsys):
    story = kept_demo(tmp_path)
    path = tmp_path / demo_world.FILE_NAME
    path.write_text(path.read_text()[:-40])
    assert _gone_on(tmp_path, (story.began_ns, story.began_ns), NOW) == (None, None)
    assert capsys.readouterr().err == f"{path} cannot be gone on from: it is damaged. The valley begins anew.\n"


def test_where_nothing_was_filled_in_yet_the_valley_begins_anew_without_a_word(tmp_path, capsys):
    assert _gone_on(tmp_path, None, NOW) == (None, None)
    kept_demo(tmp_path)
    assert _gone_on(tmp_path, None, NOW) == (None, None)
    assert capsys.readouterr().err == ""


def test_after_a_long_absence_the_valley_begins_anew(tmp_path):
    story = kept_demo(tmp_path)
    gone_on, _ = _gone_on(tmp_path, (story.began_ns, story.began_ns), NOW + 30 * DAY_NS)
    assert gone_on is None
