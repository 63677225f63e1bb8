"""Open pages stay true: what happens elsewhere shows without a reload, and what somebody writes is not taken away."""

import pytest
from playwright.sync_api import expect

from tests import asking
from tests.builders import NOW_NS, heater_failed, readings_of


def call_out(house, condition: str = "heater_failed") -> str:
    """The path of the call-out of a condition's alarm."""
    return next(f"/alarms/{alarm.id}" for alarm in house.operations.standing() if alarm.condition == condition)


def mark(page) -> None:
    """Make a reload visible: it would take this away."""
    page.evaluate("window.neverReloaded = true")


def was_reloaded(page) -> bool:
    """Whether it did."""
    return not page.evaluate("window.neverReloaded === true")


@pytest.mark.parametrize("size", ["phone", "desktop"])
def test_an_acknowledgement_by_the_api_shows_on_the_open_page(watch, house, address, size):
    path = call_out(house)
    page = watch(address, path, size=size)
    mark(page)
    expect(page.get_by_role("button", name="I take it (acknowledge)")).to_be_attached()
    asking.post(f"{address}/api/v1{path}/acknowledge", json={"by": "Tomas", "note": "I am near."}).raise_for_status()
    expect(page.get_by_text("Tomas has it since today 10:30 MST.")).to_be_visible()
    expect(page.locator("#history")).to_contain_text("Acknowledged, Tomas: “I am near.”")
    expect(page.get_by_role("button", name="I take it (acknowledge)")).to_have_count(0)
    assert not was_reloaded(page)


def test_acknowledging_on_the_page_needs_no_reload(watch, house, address):
    page = watch(address, call_out(house))
    mark(page)
    page.get_by_label("Your name").first.fill("Ines")
    page.get_by_label("Note").fill("There at 11.")
    page.get_by_role("button", name="I take it (acknowledge)").click()
    expect(page.get_by_text("Ines has it since today 10:30 MST.")).to_be_visible()
    assert not was_reloaded(page)
    assert house.operations.standing()[1].acknowledged_by == "Ines"


def test_found_and_shelved_work_on_the_page_too(watch, house, address):
    page = watch(address, call_out(house))
    page.get_by_text("Record what was found").click()
    page.locator("form[action$=found]").get_by_label("Your name").fill("Ines")
    page.get_by_label("What you found and did").fill("Breaker was off.")
    page.get_by_role("button", name="Record").click()
    expect(page.locator("#history")).to_contain_text("Found, Ines: “Breaker was off.”")
    page.get_by_text("Shelve: not to be called for a while").click()
    page.get_by_role("button", name="Shelve").click()  # the name is remembered on this device
    expect(page.get_by_text("Ines has shelved it until today 14:30 MST.")).to_be_visible()


def test_a_form_works_without_scripts(watch, house, address):
    page = watch(address, call_out(house), java_script_enabled=False)
    page.get_by_label("Your name").first.fill("Ines")
    page.get_by_role("button", name="I take it (acknowledge)").click()
    expect(page.get_by_text("Ines has it since today 10:30 MST.")).to_be_visible()


def test_what_somebody_is_writing_is_not_taken_away(watch, house, address):
    path = call_out(house)
    page = watch(address, path)
    page.get_by_label("Note").fill("I am half way through this sent")
    asking.post(f"{address}/api/v1{path}/acknowledge", json={"by": "Tomas"}).raise_for_status()
    expect(page.get_by_text("Tomas has it since today 10:30 MST.")).to_be_visible()
    expect(page.get_by_label("Note")).to_have_value("I am half way through this sent")


def test_a_refusal_is_said_and_the_words_stay(watch, house, address):
    path = call_out(house)
    page = watch(address, path, forgives="Failed to load resource")
    page.route("**/api/v1/alarms/*/acknowledge", lambda route: route.abort())
    page.get_by_label("Your name").first.fill("Ines")
    page.get_by_label("Note").fill("On my way")
    page.get_by_role("button", name="I take it (acknowledge)").click()
    expect(page.get_by_role("alert")).to_contain_text("It did not get through")
    expect(page.get_by_label("Note")).to_have_value("On my way")


def test_a_new_alarm_shows_on_the_open_round(watch, house, address):
    page = watch(address, "/", size="desktop")
    mark(page)
    expect(page.get_by_text("The other one should stay ready")).to_be_visible()
    alarm = house.judge(heater_failed("mill-1", at_ns=NOW_NS))[0]
    house.live.publish_alarm(alarm)
    expect(page.get_by_text("2 units may stop being ready before the next visit:")).to_be_visible()
    assert not was_reloaded(page)


def test_a_newer_value_shows_on_the_open_round_as_the_server_would_write_it(watch, house, address):
    page = watch(address, "/")
    water = page.locator("[data-unit=mill-1][data-signal=jacket_water_temperature]")
    expect(water).to_have_text("39.7\u00a0°C")
    house.live.publish_batch(readings_of(house.fleet, "mill-1", "jacket_water_temperature", [NOW_NS + 1], [-3.04]))
    expect(water).to_have_text("\u22123.0\u00a0°C")


def test_a_page_that_lost_the_program_says_how_old_it_is(watch, house, address):
    page = watch(address, "/")
    expect(page.locator("#stale")).to_be_hidden()
    page.clock.install()
    page.route("**/api/v1/events?*", lambda route: route.fulfill(status=204))
    page.reload()
    page.clock.fast_forward("04:00")
    expect(page.locator("#stale")).to_have_text(
        "This page is 4 min old: the connection to the program is lost. Trying again."
    )
