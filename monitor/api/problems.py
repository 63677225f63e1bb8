"""Errors as the API says them: RFC 9457 problem details, each with a plain sentence and what to do.

In: exceptions of routes, stores, the life-cycle, the framework. Out: application/problem+json, for whoever asked for a
page a small page with the same words. May import: monitor.stores.protocols, monitor.alarms.lifecycle, fastapi.
"""

import logging
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from monitor.alarms.lifecycle import Refused
from monitor.api.guards import HEADERS
from monitor.api.live import TooManyClients
from monitor.api.templating import render, wants_page
from monitor.stores.protocols import StoreUnavailable

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 5  # a locked file frees itself in seconds; longer troubles are asked about as often


class Place(BaseModel):
    """One thing that is wrong with a request: where, and what."""

    place: str
    detail: str


class ProblemDetails(BaseModel):
    """What every error looks like, RFC 9457. `what_to_do` and `errors` are members of our own."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "about:blank",
                    "title": "Not Found",
                    "status": 404,
                    "detail": 'The fleet has no unit "pump-hous-1".',
                    "what_to_do": 'Did you mean "pump-house-1"?',
                    "instance": "/api/v1/units/pump-hous-1",
                }
            ]
        }
    )

    type: str = "about:blank"
    title: str
    status: int = Field(ge=400, le=599)
    detail: str
    what_to_do: str = ""
    instance: str = ""
    errors: list[Place] = []


class Problem(Exception):
    """An error with its words, for routes to raise."""

    def __init__(
        self, status: int, detail: str, what_to_do: str = "", *, errors: Sequence[Place] = (), retry: bool = False
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.what_to_do = what_to_do
        self.errors = list(errors)
        self.headers = {"Retry-After": str(RETRY_AFTER_S)} if retry else {}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The `responses` of a route: these statuses come as problem details."""
    return {
        status: {
            "description": HTTPStatus(status).phrase,
            "model": ProblemDetails,
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
        }
        for status in statuses
    }


def answer(request: Request, problem: Problem, headers: Mapping[str, str] | None = None) -> Response:
    """A problem as JSON, or as a page for a browser that asked for one."""
    title = HTTPStatus(problem.status).phrase
    every = {**problem.headers, **(headers or {})}
    if wants_page(request):
        page = {"title": title, "detail": problem.detail, "what_to_do": problem.what_to_do, "errors": problem.errors}
        response: Response = render(request, "problem.html", page, status=problem.status)
        response.headers.update(every)
        return response
    body = ProblemDetails(
        title=title,
        status=problem.status,
        detail=problem.detail,
        what_to_do=problem.what_to_do,
        instance=request.url.path,
        errors=problem.errors,
    )
    return JSONResponse(body.model_dump(), problem.status, every, MEDIA_TYPE)


# What to do for a status that the framework raises itself.
_ADVICE: Mapping[int, tuple[str, str]] = {
    400: ("The body cannot be read.", "Send JSON as UTF-8 text."),
    404: ("There is nothing at this address.", "The round is at /, the description of the API at /openapi.json."),
    413: ("The body is larger than what is taken.", "Send a shorter note."),
    405: ("This address does not take that method.", "The Allow header names those it takes."),
}


def _of_http(error: HTTPException) -> Problem:
    detail, what_to_do = _ADVICE.get(error.status_code, (str(error.detail), ""))
    return Problem(error.status_code, detail, what_to_do)


def _of_validation(error: RequestValidationError) -> Problem:
    places: list[Place] = []
    for fault in error.errors()[:20]:  # a body of a thousand faults is not mended from the thousand-and-first
        place = ".".join(str(step) for step in fault["loc"])
        message = str(fault["msg"]).removeprefix("Value error, ")
        places.append(Place(place=place, detail=message if message.endswith(".") else f"{message}."))
    first = places[0] if places else Place(place="request", detail="It cannot be read.")
    return Problem(
        422, f"{first.place}: {first.detail}", "Correct what `errors` names and send it again.", errors=places
    )


def install(app: FastAPI) -> None:
    """Make every error of the app a problem."""

    def on_problem(request: Request, error: Exception) -> Response:
        assert isinstance(error, Problem), "registered for this type"
        return answer(request, error)

    def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException), "registered for this type"
        return answer(request, _of_http(error), error.headers)

    def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError), "registered for this type"
        return answer(request, _of_validation(error))

    def on_store(request: Request, error: Exception) -> Response:
        wait = f"Wait {RETRY_AFTER_S} s and try again; if it stays, look at the program's disk and database."
        return answer(request, Problem(503, str(error), wait, retry=True))

    def on_refused(request: Request, error: Exception) -> Response:
        return answer(request, Problem(409, str(error), "Read the alarm again: somebody may have answered meanwhile."))

    def on_full(request: Request, error: Exception) -> Response:
        return answer(request, Problem(503, str(error), "Try again later.", retry=True))

    def on_other(request: Request, error: Exception) -> Response:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        what_to_do = "Try again. If it stays, the program's log has the details under this address and time."
        # This answer is made outside the guards, which would have added their headers.
        return answer(request, Problem(500, "The program made a mistake while answering.", what_to_do), HEADERS)

    app.add_exception_handler(Problem, on_problem)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(StoreUnavailable, on_store)
    app.add_exception_handler(Refused, on_refused)
    app.add_exception_handler(TooManyClients, on_full)
    app.add_exception_handler(Exception, on_other)
