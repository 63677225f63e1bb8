"""The pages as a browser without scripts gets them. How they look and live is in tests/browser."""

from dataclasses import replace
from html.parser import HTMLParser

import pytest
from fastapi.testclient import TestClient

from monitor.api.app import create_app
from monitor.times import HOUR_NS, MINUTE_NS
from tests.builders import NOW_NS, House, readings_of


class Text(HTMLParser):
    """The words of a page, without its markup, and the addresses that it leads to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words = ""
        self.links: set[str] = set()
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.words += data

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links |= {value for name, value in attrs if name in ("href", "src") and value}

    def __contains__(self, sentence: str) -> bool:
        return sentence in " ".join(self.words.split())


def page(client, path: str) -> Text:
    """A page's words."""
    answer = client.get(path, headers={"Accept": "text/html"})
    assert answer.status_code == 200
    return Text(answer.text)


def alarm_id(house: House, condition: str) -> str:
    """The id of the alarm of a condition that stands."""
    return next(alarm.id for alarm in house.operations.standing() if alarm.condition == condition)


def test_the_round_answers_first_whether_every_unit_makes_it(client):
    words = page(client, "/")
    assert "1 unit is not ready now: Weir 1." in words
    assert "1 unit may stop being ready before the next visit: Mill 2." in words
    assert "1 unit cannot be judged: Lookout 1." in words
    assert "The other one should stay ready until the next visit." in words


def test_a_quiet_round_is_one_sentence(tmp_path):
    house = House(tmp_path)
    with TestClient(create_app(house.parts())) as client:
        assert "All 4 units should stay ready until the next visit." in page(client, "/")
    house.close()


def test_the_round_says_when_the_program_hears_nothing(house, client):
    house.status = replace(house.status, listening=False, listening_changed_ns=NOW_NS - HOUR_NS, call_outs_waiting=2)
    words = page(client, "/")
    assert "Not receiving readings since today 09:30 MST: what follows may be old." in words
    assert "2 call-outs have not gone out yet." in words


def test_an_old_value_says_how_old_it_is(client):
    assert "9 h 10 min ago" in page(client, "/")


def test_measures_follow_the_setting(tmp_path_factory):
    house = House(tmp_path_factory.mktemp("us"), measures="us")
    house.readings.append(_one(house, "mill-1", "jacket_water_temperature", 40.0))
    with TestClient(create_app(house.parts())) as client:
        assert "Jacket water 104 °F" in page(client, "/")
        newest = client.get("/api/v1/units/mill-1").json()["newest"][0]
        assert newest["value"] == 40.0  # the API stays in the signal's symbol
    house.close()


def _one(house: House, unit: str, signal: str, value: float):
    return readings_of(house.fleet, unit, signal, [NOW_NS - MINUTE_NS], [value])


def test_a_call_out_says_what_how_sure_since_when_and_what_to_do(house, client):
    words = page(client, f"/alarms/{alarm_id(house, 'heater_failed')}")
    for sentence in (
        "Needed before the visit Thu 15 Jan 09:00 MST",
        "Since today 05:30 MST, 5 h so far.",
        "Jacket water temperature was 33.4 °C, under the limit of 36.0 °C; normal for this unit is 41.0 °C.",
        "The water falls below 21.0 °C between today 19:30 MST and",
        "Heater element open 62 %",
        "Judged by version 3 of the limits.",
        "The unit can start without warning.",
        "Nobody has answered yet.",
        "Nobody was called.",
    ):
        assert sentence in words


def test_a_call_out_without_causes_says_so(house, client):
    words = page(client, f"/alarms/{alarm_id(house, 'high_gas_pressure')}")
    assert "A limit was passed; no cause was worked out." in words
    assert "There is no forecast" in words


OURS = {"Origin": "http://testserver"}


def test_a_form_acknowledges_and_leads_back(house, client):
    address = f"/alarms/{alarm_id(house, 'heater_failed')}"
    answer = client.post(f"{address}/acknowledge", data={"by": "Ines", "note": "There at 11."}, headers=OURS)
    assert answer.url.path == address
    assert "Ines has it since today 10:30 MST." in Text(answer.text)
    assert "“There at 11.”" in Text(answer.text)


@pytest.mark.parametrize(
    ("answer", "form", "says"),
    [
        ("acknowledge", {"by": " ", "note": "words I wrote"}, "Say who you are"),
        ("found", {"by": "Ines", "note": ""}, "Say what you found"),
        ("shelve", {"by": "Ines", "until": "soon", "note": "words I wrote"}, "is no time"),
        ("unshelve", {"by": "Ines"}, "it does not take 'unshelve'"),
    ],
)
def test_a_refused_form_comes_back_with_the_reason_and_what_was_written(house, client, answer, form, says):
    address = f"/alarms/{alarm_id(house, 'heater_failed')}/{answer}"
    refused = client.post(address, data=form, headers=OURS)
    assert refused.status_code == 409
    assert says in Text(refused.text)
    assert form.get("note", "") in refused.text


def test_every_shelf_that_the_page_offers_is_taken(house, client):
    address = f"/alarms/{alarm_id(house, 'heater_failed')}"
    offered = client.get(address).text.partition('name="until">')[2].partition("</select>")[0]
    ends = [piece.partition('"')[0] for piece in offered.split('value="')[1:]]
    assert len(ends) == 5
    for end in ends:
        assert "has shelved it until" in Text(
            client.post(f"{address}/shelve", data={"by": "Ines", "until": end}, headers=OURS).text
        )
        client.post(f"{address}/unshelve", data={"by": "Ines"}, headers=OURS)


def test_what_people_write_is_never_markup(house, client):
    address = f"/alarms/{alarm_id(house, 'heater_failed')}"
    client.post(f"{address}/acknowledge", data={"by": "<b>x</b>", "note": "<script>1</script>"}, headers=OURS)
    text = client.get(address).text
    assert "<script>1" not in text
    assert "&lt;b&gt;x&lt;/b&gt; has it" in text


def test_a_visit_is_recorded_from_the_units_page(house, client):
    answer = client.post("/sites/weir/visit", data={"by": "Ines", "unit": "weir-1"}, headers=OURS)
    assert answer.url.path == "/units/weir-1"
    assert house.operations.last_visit_ns("weir") == NOW_NS


def test_pages_lead_to_nothing_outside(house, client):
    for path in ("/", "/alarms", "/units/mill-2", f"/alarms/{alarm_id(house, 'heater_failed')}"):
        assert all(link.startswith(("/", "#")) for link in page(client, path).links)


def test_every_link_of_the_round_leads_somewhere(client):
    for link in page(client, "/").links:
        if link.startswith("/"):
            assert client.get(link).status_code == 200, link


def test_the_list_of_alarms_is_filtered_and_tells_units_by_name(client):
    words = page(client, "/alarms?urgency=now")
    assert "Weir 1: Gas pressure is high" in words
    assert "Mill 2:" not in words
    assert "There are no such alarms." in page(client, "/alarms?state=shelved")


def test_an_alarm_of_a_unit_that_left_the_fleet_is_still_shown(house, client, tmp_path_factory):
    parts = house.parts()
    units = {name: unit for name, unit in parts.fleet.units.items() if name != "mill-2"}
    smaller = replace(parts, fleet=replace(parts.fleet, units=units))
    with TestClient(create_app(smaller)) as speaking:
        words = page(speaking, f"/alarms/{alarm_id(house, 'heater_failed')}")
        assert "no longer in the fleet" in words
        assert speaking.get("/api/v1/alarms").json()["alarms"][1]["site"] == ""
