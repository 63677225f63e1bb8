"""What to do about each condition: complete, safe to follow, and a site's own copy is checked."""

import re
import tomllib

import pytest

from monitor.advice import LINES_MAX, OURS, TEXT_MAX, AdviceFaulty, load_advice, parse_advice
from monitor.conditions import CONDITIONS, GROUP_OF, GROUPS


@pytest.fixture(scope="module")
def text():
    return OURS.read_text("utf-8")


def faults(text):
    with pytest.raises(AdviceFaulty) as faulty:
        parse_advice(text)
    return faulty.value.faults


def test_the_conditions_are_the_contracts():
    assert len(CONDITIONS) == len(set(CONDITIONS)) == 29
    assert list(GROUPS) == [
        "jacket water",
        "battery and charger",
        "gas",
        "enclosure",
        "starting",
        "telemetry",
        "learned",
    ]


def test_every_condition_has_its_advice(advice):
    assert list(advice.conditions) == list(CONDITIONS)
    titles = [entry.title for entry in advice.conditions.values()]
    assert len(set(titles)) == len(titles)
    assert max(map(len, titles)) <= 50, "the line on the lock screen has to hold the unit's name too"


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_call_out_says_that_the_unit_can_start_without_warning(advice, condition):
    cautions = advice.advised(condition).cautions
    assert cautions[0].startswith("The unit can start without warning.")
    assert cautions[1].startswith("Taking the unit out of service leaves what it protects")


@pytest.mark.parametrize(
    ("groups", "caution"),
    [
        ({"gas"}, "Gas smell or hiss"),
        ({"gas", "jacket water", "enclosure"}, "Make no exercise run to see whether it clears"),
        ({"jacket water"}, "Hot coolant under pressure scalds"),
        ({"battery and charger"}, "Battery acid burns, and hydrogen explodes"),
    ],
)
def test_cautions_stand_where_the_trade_wants_them(advice, groups, caution):
    missing = [
        condition
        for condition in CONDITIONS
        if GROUP_OF[condition] in groups
        and not any(text.startswith(caution) for text in advice.advised(condition).cautions)
    ]
    assert missing == []


def test_a_blocked_vent_is_never_to_be_poked(advice):
    advised = advice.advised("vent_blocked")
    assert "Never plug, tape, turn or blow into a regulator vent. No flame and no heat gun on ice." in advised.cautions
    assert not re.search(r"\b(poke|heat gun|torch|blow|tape)\b", " ".join(advised.check + advised.bring))


def test_no_run_is_suggested_where_it_could_do_harm(advice):
    """Source: trade table, section 8: no exercise run while gas is high, coolant low or hot, or air paths shut."""
    for condition in CONDITIONS:
        if GROUP_OF[condition] in ("gas", "jacket water", "enclosure", "battery and charger", "learned"):
            checks = " ".join(advice.conditions[condition].check).lower()
            assert not re.search(r"exercise|start it|run it|test run|let it run|crank it", checks), condition
    for condition in ("failed_to_start", "exercise_overdue"):
        last = advice.conditions[condition].check[-1]
        assert re.search(r"only", last)
        assert re.search(r"gas", last)
        assert re.search(r"coolant", last)
        assert re.search(r"air", last)


def test_the_likely_causes_own_checks_come_first(advice):
    plain = advice.advised("heater_failed")
    supply = advice.advised("heater_failed", [("heater_failed/no_ac_supply", 0.8), ("heater_failed/element_open", 0.1)])
    assert supply.check[0].startswith("The unit's own AC supply first")
    assert supply.check[1:] == plain.check
    unlikely = advice.advised("heater_failed", [("heater_failed/no_ac_supply", 0.2)])
    assert unlikely == plain


def test_a_limit_alarm_takes_checks_and_cautions_of_its_likely_cause(advice):
    advised = advice.advised("low_gas_pressure", [("vent_blocked", 0.7), ("none_of_these", 0.4)])
    assert advised.title == "Gas pressure is low"
    assert advised.check[: len(advice.conditions["vent_blocked"].check)] == advice.conditions["vent_blocked"].check
    assert len(advised.check) <= LINES_MAX
    assert len(set(advised.check)) == len(advised.check)


def test_checks_stay_few_enough_to_be_read_at_night(advice):
    causes = [("heater_failed", 0.6), ("coolant_circulation_restricted", 0.5), ("low_coolant_level", 0.4)]
    advised = advice.advised("low_water_temperature", causes)
    assert len(advised.check) == LINES_MAX
    assert not any("Level switch" in check for check in advised.check), "of the third cause nothing goes first"


def test_causes_in_words(advice):
    assert advice.cause_title("heater_failed/element_open") == "heater element open"
    assert advice.cause_title("vent_blocked") == "Vent of the gas regulator is blocked"
    assert advice.cause_title("vent_blocked/ice") == "vent blocked: ice"
    assert advice.cause_title("none_of_these") == "none of these"


def test_nothing_in_it_names_a_maker_or_a_person(text):
    assert not re.search(r"https?://|@|®|™|\+\d|\bInc\b|\bLLC\b|\bGmbH\b", text)


# A site's own copy


def test_a_sites_own_copy_is_read(tmp_path, text):
    path = tmp_path / "advice.toml"
    path.write_text(text.replace("Gas supply is low", "Gas supply is weak"), "utf-8")
    assert load_advice(path).conditions["gas_supply_low"].title == "Gas supply is weak"


def test_a_missing_condition_is_named(text):
    start = text.index("[conditions.clock_wrong]")
    without = text[:start] + text[text.index("# Learned") :]
    assert faults(without) == (
        "advice.toml, [conditions.clock_wrong]: this table is missing. Copy it from the file that we deliver.",
    )


def test_a_misspelt_condition_is_named_with_what_was_meant(text):
    found = faults(text.replace("[conditions.clock_wrong]", "[conditions.clock_wron]"))
    assert 'advice.toml, [conditions.clock_wron]: there is no such condition. Did you mean "clock_wrong"?' in found
    assert len(found) == 2, "the one that is misspelt, and the one that is missing for it"


def test_all_that_is_wrong_is_said_at_once(text):
    broken = text.replace('title = "Gas supply is low"', "title = 7").replace(
        'cautions = ["moving_parts", "no_exercise_run"]', 'cautions = ["moving_part"]'
    )
    assert faults(broken) == (
        "advice.toml, [conditions.gas_supply_low] title: is 7, expected a text that says something.",
        'advice.toml, [conditions.exercise_overdue]: cautions names "moving_part", which [cautions] does not have.',
    )


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            'title = "Gas pressure is low"',
            'title = " "',
            "[conditions.low_gas_pressure] title: is ' ', expected a text",
        ),
        ('title = "Gas pressure is low"', 'titel = "x"', '[conditions.low_gas_pressure]: "titel" means nothing here.'),
        ('title = "Gas pressure is low"', 'title = "a\\nb"', "must be one line of at most 400 characters."),
        ('title = "Gas pressure is low"', f'title = "{"x" * (TEXT_MAX + 1)}"', "must be one line of at most 400"),
        ("[causes.", "[cause.", '"cause" means nothing here. Known are always, cautions, causes, conditions.'),
        (
            'bring = ["keys of the enclosure and panel", "hand lamp"]',
            "bring = []",
            "[conditions.control_not_in_auto]: bring must be a list of 1 to 12 texts.",
        ),
        (
            'always = ["starts_without_warning", "impairment"]',
            "",
            "advice.toml: always must be a list of 1 to 12 texts.",
        ),
    ],
)
def test_what_cannot_be_used_is_said_with_its_place(text, old, new, fault):
    assert old in text
    assert any(fault in found for found in faults(text.replace(old, new)))


def test_what_is_no_toml_or_not_there_is_said(tmp_path):
    [fault] = faults("conditions = [")
    assert fault.startswith("advice.toml: ")
    with pytest.raises(AdviceFaulty, match=r"gone\.toml: cannot be read \(No such file or directory\)"):
        load_advice(tmp_path / "gone.toml")
    (tmp_path / "latin.toml").write_bytes(b'a = "\xff"')
    with pytest.raises(AdviceFaulty, match=r"latin\.toml: is not UTF-8 text"):
        load_advice(tmp_path / "latin.toml")


def test_the_file_is_what_toml_readers_read(text):
    assert set(tomllib.loads(text)) == {"always", "cautions", "causes", "conditions"}
