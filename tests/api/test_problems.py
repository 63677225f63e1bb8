"""What goes wrong is said as problem details, with a sentence and what to do; other pages cannot answer."""

from dataclasses import replace

import pytest
from fastapi.testclient import TestClient

from monitor.api.app import create_app
from monitor.api.guards import BODY_BYTES_MAX
from monitor.stores.protocols import StoreUnavailable


def problem(answer, status: int) -> dict:
    """The problem of an answer, its form checked."""
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == status
    assert body["detail"]
    return body


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/v1/units/mil-2", 404),
        ("GET", "/api/v1/alarms/none-such", 404),
        ("GET", "/api/v1/nothing", 404),
        ("DELETE", "/api/v1/units", 415),
        ("GET", "/api/v1/visits/mill", 405),
        ("GET", "/api/v1/readings", 422),
        ("GET", "/api/v1/readings?unit=mill-1&signal=battery_voltage&from=yesterday", 422),
        ("GET", "/api/v1/readings?unit=mill-1&signal=batery_voltage", 404),
        ("GET", "/api/v1/alarms?cursor=made-up", 422),
        ("GET", "/api/v1/alarms?condition=tired", 422),
        ("GET", "/api/v1/call-outs?alarm=none-such", 404),
    ],
)
def test_every_error_is_a_problem(client, method, path, status):
    assert problem(client.request(method, path), status)["what_to_do"]


def test_a_misspelt_unit_is_told_the_nearest_one(client):
    assert problem(client.get("/api/v1/units/mil-2"), 404)["what_to_do"] == 'Did you mean "mill-2"?'


def test_a_naive_time_is_refused_with_how_to_write_it(client):
    asked = {"unit": "mill-1", "signal": "battery_voltage", "from": "2026-01-13T10:00:00"}
    body = problem(client.get("/api/v1/readings", params=asked), 422)
    assert "Add Z for UTC" in body["detail"]
    assert body["errors"][0]["place"] == "query.from"


def test_all_that_is_wrong_with_a_body_is_said_at_once(client):
    body = problem(client.post("/api/v1/visits/mill", json={"by": "", "at": "soon", "colour": "grey"}), 422)
    assert {error["place"] for error in body["errors"]} == {"body.by", "body.at", "body.colour"}


def test_a_store_that_is_away_is_a_503_that_says_when_to_come_back(house):
    house.operations.close()
    with TestClient(create_app(house.parts()), raise_server_exceptions=False) as client:
        answer = client.get("/api/v1/alarms")
    problem(answer, 503)
    assert int(answer.headers["retry-after"]) > 0


def test_a_mistake_of_ours_is_a_500_without_its_inside(house):
    def broken() -> int:
        raise RuntimeError("the inside of it")

    parts = replace(house.parts(), clock=broken)
    with TestClient(create_app(parts), raise_server_exceptions=False) as client:
        answer = client.get("/api/v1/units")
    problem(answer, 500)
    assert "inside of it" not in answer.text
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


def test_a_browser_gets_the_problem_as_a_page(client):
    answer = client.get("/units/mil-2", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert "Did you mean &#34;mill-2&#34;?" in answer.text


FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://testserver"}, 403),
        ({"Origin": "http://rebound.example", "Host": "rebound.example"}, 403),
        ({}, 403),  # a form without the page it belongs to
        ({"Origin": "http://testserver"}, 303),
        ({"Origin": "http://127.0.0.1:8460", "Host": "127.0.0.1:8460"}, 303),
    ],
)
def test_only_our_own_pages_can_post_a_form(house, client, headers, status):
    alarm_id = house.operations.standing()[0].id
    answer = client.post(
        f"/alarms/{alarm_id}/acknowledge", content="by=Ines", headers=FORM | headers, follow_redirects=False
    )
    assert answer.status_code == status
    state = house.operations.alarm(alarm_id).state
    assert state == ("acknowledged" if status == 303 else "unacknowledged")


@pytest.mark.parametrize(
    ("headers", "status"),
    [({}, 200), ({"Origin": "http://elsewhere.example"}, 403), ({"Origin": "http://testserver"}, 200)],
)
def test_json_from_another_page_is_refused_from_a_program_it_is_not(house, client, headers, status):
    alarm_id = house.operations.standing()[0].id
    answer = client.post(f"/api/v1/alarms/{alarm_id}/acknowledge", json={"by": "Ines"}, headers=headers)
    assert answer.status_code == status


def test_a_body_that_is_neither_json_nor_form_is_refused(client):
    answer = client.post("/api/v1/visits/mill", content='{"by":"Ines"}', headers={"Content-Type": "text/plain"})
    problem(answer, 415)


def test_a_body_that_is_no_text_is_refused(client):
    json = {"Content-Type": "application/json"}
    body = problem(client.post("/api/v1/visits/mill", content=b"\xff\xfe{", headers=json), 400)
    assert body["what_to_do"] == "Send JSON as UTF-8 text."


def test_a_body_too_large_is_refused_announced_or_not(client):
    large = b'{"by":"' + b"a" * BODY_BYTES_MAX + b'"}'
    json = {"Content-Type": "application/json"}
    problem(client.post("/api/v1/visits/mill", content=large, headers=json), 413)
    problem(client.post("/api/v1/visits/mill", content=iter([large[:999], large[999:]]), headers=json), 413)


def test_pages_keep_to_themselves(client):
    headers = client.get("/").headers
    assert "script-src 'self'" in headers["content-security-policy"]
    assert "unsafe-inline" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


def test_a_store_error_on_a_page_is_a_page(house):
    def away(unit: str):
        raise StoreUnavailable("The disk is full.")

    with TestClient(create_app(replace(house.parts(), watched=away))) as client:
        answer = client.get("/", headers={"Accept": "text/html"})
    assert answer.status_code == 503
    assert "The disk is full." in answer.text
