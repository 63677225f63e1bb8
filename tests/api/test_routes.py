"""The fixed routes, spoken to as another program would, over real stores."""

import csv
import io
from dataclasses import replace

import pytest

from monitor.advice import load_advice
from monitor.alarms.lifecycle import Kind, State
from monitor.stores.protocols import CallOut
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, to_rfc3339
from tests.builders import NOW_NS, heater_failed, readings_of


def alarm_of(client, condition: str) -> dict:
    """The newest alarm of a condition."""
    return client.get("/api/v1/alarms", params={"condition": condition}).json()["alarms"][0]


def test_units_that_ask_for_someone_come_first(client):
    units = client.get("/api/v1/units").json()["units"]
    assert [(unit["unit"], unit["readiness"]) for unit in units] == [
        ("weir-1", "not_ready"),
        ("mill-2", "not_until_visit"),
        ("lookout-1", "unknown"),
        ("mill-1", "until_visit"),
    ]


def test_a_unit_tells_its_readiness_its_visit_its_readings_and_what_is_not_watched(client):
    unit = client.get("/api/v1/units/mill-2").json()
    assert unit["sentence"] == (
        "May stop being ready before the visit Thu 15 Jan 09:00 MST: jacket-water heater gives no heat. "
        "The earliest is today 19:30 MST."
    )
    assert unit["next_visit"] == {"start": "2026-01-15T16:00:00Z", "end": "2026-01-15T18:00:00Z", "assumed": False}
    assert unit["last_visit"] == "2026-01-08T17:10:00Z"
    water = unit["newest"][0]
    assert (water["signal"], water["value"], water["normal"]) == ("jacket_water_temperature", 33.4, 41.0)
    assert "Coolant level: no level switch reports." in unit["not_watched"]
    assert unit["alarms"] == [alarm_of(client, "heater_failed")["id"]]


def test_a_unit_tells_what_changed_and_asks_nothing(house, client):
    text = "Float moved from 13.50 to 13.62 V at 25 Cel, steady since."
    house.views["mill-1"] = replace(house.views["mill-1"], changes=((NOW_NS - 2 * DAY_NS, text),))
    assert client.get("/api/v1/units/mill-1").json()["changes"] == [{"time": "2026-01-11T17:30:00Z", "text": text}]
    shown = client.get("/units/mill-1", headers={"Accept": "text/html"}).text
    assert f'<li><span class="at">Sun 11 Jan 10:30 MST</span> {text}</li>' in shown
    assert "What changed" in shown


def test_a_silent_unit_is_not_called_ready(client):
    unit = client.get("/api/v1/units/lookout-1").json()
    assert unit["readiness"] == "unknown"
    assert {silent["signal"] for silent in unit["silent"]} == {
        "jacket_water_temperature",
        "battery_voltage",
        "gas_pressure",
        "enclosure_temperature",
    }
    assert unit["next_visit"]["assumed"] is True
    assert unit["next_visit"]["end"] == to_rfc3339(NOW_NS + 7 * DAY_NS)


def test_addresses_contacts_and_equipment_are_not_given_before_there_is_a_sign_in(client):
    everything = client.get("/api/v1/units").text + client.get("/openapi.json").text
    for private in ('"address"', '"access"', '"contacts"', '"equipment"'):
        assert private not in everything


def test_a_visit_that_nobody_recorded_is_a_note(house, client):
    house.now_ns = NOW_NS + 4 * DAY_NS  # Saturday: Thursday's visit was not recorded
    unit = client.get("/api/v1/units/mill-1").json()
    assert unit["notes"] == ["The visit of Thu 15 Jan 09:00 MST is not on record."]
    assert unit["last_visit"] is None
    made = client.post("/api/v1/visits/mill", json={"by": "Ines", "at": "2026-01-15T17:00:00Z"})
    assert made.status_code == 201
    after = client.get("/api/v1/units/mill-1").json()
    assert (after["notes"], after["last_visit"]) == ([], "2026-01-15T17:00:00Z")


def test_a_visit_in_the_future_is_refused(client):
    refused = client.post("/api/v1/visits/mill", json={"by": "Ines", "at": "2026-02-01T00:00:00Z"})
    assert refused.status_code == 422
    assert "has not come yet" in refused.json()["detail"]


def test_a_year_of_readings_comes_in_one_light_answer(house, client):
    year = range(NOW_NS - 365 * DAY_NS, NOW_NS, HOUR_NS)
    house.readings.append(
        readings_of(house.fleet, "mill-1", "charger_current", year, [1.0 + n % 7 for n in range(len(year))])
    )
    answer = client.get(
        "/api/v1/readings",
        params={
            "unit": "mill-1",
            "signal": "charger_current",
            "from": "2025-01-13T17:30:00Z",
            "to": to_rfc3339(NOW_NS),
        },
    )
    columns = answer.json()
    assert len(columns["time"]) == 600
    assert (min(columns["least"]), max(columns["greatest"])) == (1.0, 7.0)
    assert len(answer.content) < 60_000


def test_readings_come_raw_where_points_allow(client):
    columns = client.get(
        "/api/v1/readings",
        params={"unit": "mill-1", "signal": "battery_voltage", "from": "2026-01-13T16:00:00Z", "points": 20},
    ).json()
    assert columns["time"] == [
        f"2026-01-13T{hour}:{minute}:00Z" for hour, minute in [(16, "00"), (16, "10"), (16, "20"), (16, "30"),
        (16, "40"), (16, "50"), (17, "00"), (17, "10"), (17, "20")]
    ]  # fmt: skip
    assert columns["least"] == columns["mean"] == columns["greatest"]
    assert columns["symbol"] == "V"


def test_csv_says_the_same_as_json(client):
    asked = {"unit": "mill-1", "signal": "gas_pressure", "points": 7}
    columns = client.get("/api/v1/readings", params=asked).json()
    answer = client.get("/api/v1/readings", params=asked | {"format": "csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["time"] for row in rows] == columns["time"]
    for name in ("least", "mean", "greatest"):
        assert [float(row[name]) for row in rows] == columns[name]


def test_a_span_the_wrong_way_round_is_refused(client):
    asked = {"unit": "mill-1", "signal": "gas_pressure", "from": "2026-01-13T00:00:00Z", "to": "2026-01-12T00:00:00Z"}
    assert client.get("/api/v1/readings", params=asked).status_code == 422


@pytest.mark.parametrize(
    ("asked", "conditions"),
    [
        ({}, ["high_gas_pressure", "heater_failed", "exercise_overdue"]),
        ({"unit": "mill-2"}, ["heater_failed"]),
        ({"site": "mill"}, ["heater_failed", "exercise_overdue"]),
        ({"condition": "exercise_overdue"}, ["exercise_overdue"]),
        ({"urgency": "now"}, ["high_gas_pressure"]),
        ({"state": "acknowledged"}, []),
        ({"from": to_rfc3339(NOW_NS - HOUR_NS)}, ["high_gas_pressure"]),
        ({"to": to_rfc3339(NOW_NS - DAY_NS)}, ["exercise_overdue"]),
        ({"site": "weir", "unit": "mill-2"}, []),
    ],
)
def test_alarms_are_filtered_newest_first(client, asked, conditions):
    page = client.get("/api/v1/alarms", params=asked).json()
    assert [alarm["condition"] for alarm in page["alarms"]] == conditions


def test_alarms_are_paged_by_cursor(client):
    seen, cursor = [], None
    for _ in range(3):
        page = client.get("/api/v1/alarms", params={"limit": 1} | ({"cursor": cursor} if cursor else {})).json()
        seen += [alarm["condition"] for alarm in page["alarms"]]
        cursor = page["next_cursor"]
    assert seen == ["high_gas_pressure", "heater_failed", "exercise_overdue"]
    assert cursor is None


def test_an_alarm_carries_all_that_the_contract_lists(client):
    alarm = client.get(f"/api/v1/alarms/{alarm_of(client, 'heater_failed')['id']}").json()
    assert alarm["evidence"]["measured"] == 33.4
    assert alarm["evidence"]["expected"] == 41.0
    assert alarm["evidence"]["limits_version"] == 3
    assert [(cause["cause"], cause["probability"]) for cause in alarm["causes"]] == [
        ("heater_failed/element_open", 0.62),
        ("heater_failed/no_ac_supply", 0.27),
    ]
    assert alarm["not_ready_at"]["p10"] == to_rfc3339(NOW_NS + 9 * HOUR_NS)
    assert alarm["next_visit"]["start"] == "2026-01-15T16:00:00Z"
    assert (alarm["raised_at"], alarm["acknowledged_at"], alarm["cleared_at"]) == ("2026-01-13T12:30:00Z", None, None)
    assert alarm["check"][0] == load_advice().causes["heater_failed/element_open"].check[0]  # the likeliest cause first
    assert len(alarm["bring"]) >= 3
    assert alarm["cautions"][0].startswith("The unit can start without warning")
    assert [line["what"] for line in alarm["history"]] == ["raised"]


def test_acknowledging_keeps_name_and_note_and_tells_everybody(house, client):
    alarm_id = alarm_of(client, "heater_failed")["id"]
    answer = client.post(f"/api/v1/alarms/{alarm_id}/acknowledge", json={"by": " Ines ", "note": "There at 11."})
    alarm = answer.json()
    assert (alarm["state"], alarm["acknowledged_by"], alarm["note"]) == ("acknowledged", "Ines", "There at 11.")
    assert alarm["acknowledged_at"] == to_rfc3339(NOW_NS)
    assert [change.after.state for change in house.answered] == [State.ACKNOWLEDGED]
    assert house.live.statistics().published == 1
    assert [line["what"] for line in alarm["history"]] == ["raised", "acknowledged"]


def test_a_second_acknowledgement_is_a_conflict_in_words(client):
    address = f"/api/v1/alarms/{alarm_of(client, 'heater_failed')['id']}/acknowledge"
    assert client.post(address, json={"by": "Ines"}).status_code == 200
    second = client.post(address, json={"by": "Tomas"})
    assert second.status_code == 409
    assert second.json()["detail"] == "This alarm is acknowledged: it does not take 'acknowledge'."


def test_a_shelf_has_an_end_and_can_be_left(client):
    alarm_id = alarm_of(client, "heater_failed")["id"]
    until = to_rfc3339(NOW_NS + DAY_NS)
    shelved = client.post(f"/api/v1/alarms/{alarm_id}/shelve", json={"by": "Ines", "until": until, "note": "Part."})
    assert (shelved.json()["state"], shelved.json()["shelved_until"]) == ("shelved", until)
    left = client.post(f"/api/v1/alarms/{alarm_id}/unshelve", json={"by": "Ines"})
    assert (left.json()["state"], left.json()["shelved_until"]) == ("unacknowledged", None)


@pytest.mark.parametrize("until", [to_rfc3339(NOW_NS - MINUTE_NS), to_rfc3339(NOW_NS + 8 * DAY_NS)])
def test_a_shelf_that_has_ended_or_never_ends_is_refused(client, until):
    alarm_id = alarm_of(client, "heater_failed")["id"]
    refused = client.post(f"/api/v1/alarms/{alarm_id}/shelve", json={"by": "Ines", "until": until})
    assert refused.status_code == 409
    assert "A shelf needs an end" in refused.json()["detail"]


def test_what_was_found_is_kept(client):
    alarm_id = alarm_of(client, "heater_failed")["id"]
    found = client.post(f"/api/v1/alarms/{alarm_id}/found", json={"by": "Ines", "found": "Element open, replaced."})
    assert found.json()["history"][-1] == {
        "time": to_rfc3339(NOW_NS),
        "what": "found",
        "by": "Ines",
        "note": "Element open, replaced.",
    }


def test_readiness_comes_back_when_the_alarm_clears(house, client):
    house.judge(replace(heater_failed(), kind=Kind.CLEARED, at_ns=NOW_NS, noticed_ns=NOW_NS))
    assert client.get("/api/v1/units/mill-2").json()["readiness"] == "until_visit"


def test_call_outs_name_people_but_neither_addresses_nor_web_addresses(house, client):
    secret = "https://hooks.valley.example/k/9f3"
    pushes = [
        CallOut("k1", ("",), "raised", "email", "ines@valley.example", "{}", NOW_NS, NOW_NS),
        CallOut("k2", ("",), "raised", "webhook", secret, "{}", NOW_NS, NOW_NS),
    ]

    def plan(changes, told):
        return [replace(push, alarm_ids=(changes[0].after.id,)) for push in pushes]

    later = heater_failed("mill-1", at_ns=NOW_NS)
    change = house.operations.record_assessment([later], NOW_NS, plan)[0]
    kept = house.operations.call_outs(change.after.id)[0]
    error = f"{secret} and <ines@valley.example> did not answer"
    house.operations.record_try(replace(kept, outcome="failed", tries=2, last_error=error, last_try_ns=NOW_NS))
    answer = client.get("/api/v1/call-outs", params={"alarm": change.after.id})
    by_channel = {push["channel"]: push for push in answer.json()["call_outs"]}
    assert by_channel["email"]["recipient"] == "Ines"
    assert by_channel["webhook"]["recipient"] == ""
    assert "failed" in {push["outcome"] for push in by_channel.values()}
    assert "valley.example" not in answer.text


def test_a_call_out_for_several_alarms_is_given_for_each(house, client):
    def plan(changes, told):
        alarms = tuple(change.after.id for change in changes)
        return [CallOut("k", alarms, "raised", "email", "ines@valley.example", "{}", NOW_NS, NOW_NS)]

    findings = [
        replace(heater_failed(unit, at_ns=NOW_NS), condition="readings_missing") for unit in ("mill-1", "mill-2")
    ]
    alarms = [change.after.id for change in house.operations.record_assessment(findings, NOW_NS, plan)]
    assert len(alarms) == 2
    for alarm in alarms:
        [push] = client.get("/api/v1/call-outs", params={"alarm": alarm}).json()["call_outs"]
        assert (push["alarm"], push["alarms"]) == (alarms[0], alarms)
        assert "Email to Ines: waiting" in client.get(f"/alarms/{alarm}").text
        assert "one call for 2 alarms" in client.get(f"/alarms/{alarm}").text
