"""Whatever OpenAPI allows is answered as it says, whatever it forbids is refused: requests made up from the schema."""

from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from monitor.api.app import create_app
from tests.builders import House, busy_house

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
OPERATIONS = [
    "GET /api/v1/units",
    "GET /api/v1/units/{unit}",
    "POST /api/v1/visits/{site}",
    "GET /api/v1/readings",
    "GET /api/v1/alarms",
    "GET /api/v1/alarms/{alarm_id}",
    "POST /api/v1/alarms/{alarm_id}/acknowledge",
    "POST /api/v1/alarms/{alarm_id}/shelve",
    "POST /api/v1/alarms/{alarm_id}/unshelve",
    "POST /api/v1/alarms/{alarm_id}/found",
    "GET /api/v1/call-outs",
    "GET /health/live",
    "GET /health/ready",
    "GET /metrics",
]
ENDLESS = "GET /api/v1/events"  # a stream never ends; tests/api/test_events.py speaks to it


WITH_INPUT = [name for name in OPERATIONS if name.startswith("POST") or name.endswith(("readings", "alarms", "outs"))]


@pytest.fixture(scope="module")
def house(tmp_path_factory) -> Iterator[House]:
    """The valley, once for this file."""
    made = busy_house(tmp_path_factory.mktemp("valley"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def operations(house) -> dict[str, schemathesis.APIOperation]:
    """Every operation that the running app describes, by method and path."""
    schema = schemathesis.openapi.from_asgi("/openapi.json", create_app(house.parts()))
    described = [result.ok() for result in schema.get_all_operations() if isinstance(result, Ok)]
    return {f"{operation.method.upper()} {operation.path}": operation for operation in described}


@pytest.fixture(scope="module")
def real(house) -> dict[str, str]:
    """Names that exist, or nearly every made-up request would end at the first door."""
    alarm_id = house.operations.standing()[0].id
    return {"unit": "mill-1", "site": "mill", "alarm_id": alarm_id, "alarm": alarm_id, "signal": "battery_voltage"}


def test_these_tests_leave_no_operation_out(operations):
    assert sorted(operations) == sorted([*OPERATIONS, ENDLESS])


def requests(operation, mode: GenerationMode):
    """Made-up requests, the same in every run."""
    every = settings(
        max_examples=20, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    return lambda check: every(given(case=operation.as_strategy(generation_mode=mode))(check))


@pytest.mark.parametrize("named", ["made-up names", "real names"])
@pytest.mark.parametrize("name", OPERATIONS)
def test_every_answer_is_one_that_openapi_describes(operations, real, name, named):
    @requests(operations[name], GenerationMode.POSITIVE)
    def check(case):
        if named == "real names":
            for part in (case.path_parameters, case.query):
                part.update({key: real[key] for key in part if key in real})
        case.call_and_validate(checks=CHECKS)

    check()


@pytest.mark.parametrize("name", WITH_INPUT)
def test_what_openapi_forbids_is_refused(operations, name):
    @requests(operations[name], GenerationMode.NEGATIVE)
    def check(case):
        case.call_and_validate(checks=[*CHECKS, negative_data_rejection])

    check()


def test_every_route_has_a_summary_and_every_body_an_example(operations):
    schema = next(iter(operations.values())).schema.raw_schema
    for path in schema["paths"].values():
        assert all(operation["summary"] for operation in path.values())
    bodies = [name for name in schema["components"]["schemas"] if name.endswith("In")]
    assert len(bodies) == 5
    assert all(schema["components"]["schemas"][name]["examples"] for name in bodies)
