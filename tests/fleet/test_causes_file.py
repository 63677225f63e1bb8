"""The table of causes: the program's own is whole, a site adds to it without code, and what is wrong is said."""

import pytest

from models.diagnosis import diagnosed
from monitor.advice import load_advice
from monitor.causes_file import default_causes
from monitor.fleet import parse_fleet
from monitor.limits_file import LimitsError, parse_limits

FLEET = parse_fleet('[sites.mill]\n[units.mill-1]\nsite = "mill"\n')

SQUIRRELS = """
[symptoms.gnawed]
says = "the water falls and the enclosure smells"
tested_by = "heater_failed"
unexplained = 0.0001

[causes."heater_failed/gnawed_cord"]
usual = 0.05
shows = { no_heat = 0.9, gnawed = 0.9 }

[causes."heater_failed/element_open"]
usual = 0.002
shows = { no_heat = 0.97 }
"""


def test_each_cause_of_the_program_can_be_found_and_has_its_words():
    table, advice = default_causes(), load_advice()
    for name, cause in table.causes.items():
        assert max(cause.shows.values()) > 0.5, name
        assert name in advice.causes, f"advice.toml says nothing of {name}"


def test_a_site_adds_a_cause_and_changes_another_without_code():
    table = parse_limits(SQUIRRELS, FLEET).causes
    found = {one.cause: one.probability for one in diagnosed(table, {"no_heat": 0.95, "gnawed": 0.95}).likely}
    assert max(found, key=found.__getitem__) == "heater_failed/gnawed_cord"
    assert table.causes["heater_failed/element_open"].usual == 0.002
    assert "heater_failed/thermostat_open" in table.causes, "the others stay"
    assert "heater_failed/gnawed_cord" not in parse_limits("", FLEET).causes.causes


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[causes."heater_faild/x"]\nusual = 0.1\nshows = { no_heat = 0.9 }', 'Did you mean "heater_failed"?'),
        ('[causes."heater_failed"]\nusual = 0.1\nshows = { no_heat = 0.9 }', "no cause under a condition"),
        ('[causes."heater_failed/x"]\nusual = 0.1\nshows = { no_heet = 0.9 }', 'Did you mean "no_heat"?'),
        ('[causes."heater_failed/x"]\nusual = 0.1\nshows = { no_heat = 9 }', "outside 0 to 1"),
        ('[causes."heater_failed/x"]\nusual = 1.0\nshows = { no_heat = 0.9 }', "nothing is as sure as that"),
        ('[causes."heater_failed/x"]\nshows = { no_heat = 0.9 }', "usual is missing"),
        ('[causes."heater_failed/x"]\nusual = "often"\nshows = { no_heat = 0.9 }', "where a number was expected"),
        ('[causes."heater_failed/x"]\nusual = 0.1', "shows is missing"),
        ('[causes."heater_failed/x"]\nusual = 0.1\nshow = { no_heat = 0.9 }', 'Did you mean "shows"?'),
        ('[symptoms.s]\ntested_by = "heater_fails"\nsays = "x"\nunexplained = 0.1', "which is no condition"),
        ('[symptoms.s]\ntested_by = "heater_failed"\nunexplained = 0.1', "says is missing"),
        ("causes = 3", "where a table was expected"),
    ],
)
def test_what_is_wrong_with_a_table_is_said_with_what_to_do(text, says):
    with pytest.raises(LimitsError) as raised:
        parse_limits(text, FLEET)
    assert says in str(raised.value)
