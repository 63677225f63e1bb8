"""The program itself: live, ready, metrics in the contract's names."""

from dataclasses import replace

from fastapi.testclient import TestClient
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from monitor.api.app import create_app
from tests.builders import House


def samples(client) -> dict:
    """Every sample of /metrics, read by the format's own parser."""
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    return {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_metrics_have_the_contracts_names(client):
    assert samples(client) == {
        ("stillready_messages_received_total",): 120.0,
        ("stillready_readings_stored_total",): 480.0,
        ("stillready_readings_quarantined_total",): 2.0,
        ("stillready_alarms_open",): 3.0,
        ("stillready_assessment_lag_seconds",): 30.0,
        ("stillready_call_outs_total", ("channel", "email"), ("outcome", "delivered")): 3.0,
    }


def test_two_apps_in_one_process_keep_their_metrics_apart(house, client, tmp_path_factory):
    other = House(tmp_path_factory.mktemp("other"))
    with TestClient(create_app(other.parts())) as speaking:
        assert samples(speaking)["stillready_alarms_open",] == 0.0
    assert samples(client)["stillready_alarms_open",] == 3.0
    other.close()


def test_live_while_it_answers_ready_while_it_can_work(house, client):
    assert client.get("/health/live").json() == {"live": True}
    assert client.get("/health/ready").json()["ready"] is True
    house.status = replace(house.status, listening=False, errors=("The readings store is full.",))
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert [error["detail"] for error in answer.json()["errors"]] == [
        "Not connected to the broker: no readings arrive.",
        "The readings store is full.",
    ]
    assert client.get("/health/live").status_code == 200


def test_an_operations_store_that_is_away_is_not_ready(house, client):
    house.operations.close()
    assert client.get("/health/ready").status_code == 503
