"""Every page on a phone and on a desk, in light and dark: no complaint, nothing cut off, no barrier."""

import pytest
from axe_playwright_python.sync_playwright import Axe

PATHS = ("/", "/units/mill-2", "/alarms", "heater_failed", "high_gas_pressure")


def path_of(house, path: str) -> str:
    """A page's path; a condition stands for the call-out of its alarm."""
    alarms = {alarm.condition: alarm.id for alarm in house.operations.standing()}
    return f"/alarms/{alarms[path]}" if path in alarms else path


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("desktop", "dark")])
@pytest.mark.parametrize("path", PATHS)
def test_a_page_has_no_serious_barrier_and_fits(watch, looked_at, quiet_house, path, size, scheme):
    page = watch(looked_at, path_of(quiet_house, path), size=size, color_scheme=scheme)
    page.evaluate("for (const folded of document.querySelectorAll('details')) folded.open = true")
    found = Axe().run(page).response["violations"]
    serious = [(each["id"], [node["html"] for node in each["nodes"]]) for each in found
               if each["impact"] in ("serious", "critical")]  # fmt: skip
    assert serious == []
    overflow = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert overflow <= 0


@pytest.mark.parametrize("path", PATHS)
def test_what_a_thumb_presses_is_large_enough(watch, looked_at, quiet_house, path):
    page = watch(looked_at, path_of(quiet_house, path))
    for control in page.locator("button:visible, input:visible, select:visible, textarea:visible").all():
        assert control.bounding_box()["height"] >= 44


def test_the_first_screen_of_the_round_answers_on_a_phone(watch, looked_at):
    page = watch(looked_at, "/")
    for name in ("Weir 1", "Mill 2", "Lookout 1"):
        box = page.locator(".answer").get_by_role("link", name=name).bounding_box()
        assert box["y"] + box["height"] < 740


def test_urgency_is_told_by_shape_and_word_not_by_colour_alone(watch, looked_at):
    page = watch(looked_at, "/")
    shapes = {
        mark: page.locator(f".lines .mark-{mark}").first.inner_html() for mark in ("now", "before_visit", "at_visit")
    }
    assert len(set(shapes.values())) == 3
    assert page.locator("#unit-weir-1 .lines").get_by_text("Needed now").is_visible()


def test_the_strip_has_a_name_for_whoever_does_not_see_it(watch, looked_at):
    page = watch(looked_at, "/")
    name = "Time strip: Jacket-water heater gives no heat since today 05:30 MST; next visit Thu 15 Jan 09:00 MST."
    assert page.get_by_role("img", name=name).count() == 1


def test_only_a_forecast_draws_a_band(watch, looked_at):
    page = watch(looked_at, "/")
    assert page.locator("#unit-mill-2 .band").count() == 1
    assert page.locator("#unit-weir-1 .band").count() == 0


def test_the_bar_under_the_thumb_leads_to_the_answer_and_steps_aside(watch, looked_at, quiet_house):
    page = watch(looked_at, path_of(quiet_house, "heater_failed"))
    bar = page.get_by_role("link", name="Answer this call")
    bar.click()
    page.get_by_role("button", name="I take it (acknowledge)").wait_for()
    bar.wait_for(state="hidden")


def test_a_call_out_prints_what_to_do_and_no_forms(watch, looked_at, quiet_house):
    page = watch(looked_at, path_of(quiet_house, "heater_failed"), size="desktop")
    page.emulate_media(media="print")
    assert page.get_by_text("Check, in this order").is_visible()
    assert not page.locator("form").first.is_visible()
