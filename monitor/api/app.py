"""The web application: the API's routes, the pages, what guards both.

In: the parts that the wiring hands over. Out: one ASGI application. May import: all of monitor.api.
"""

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.middleware.gzip import GZipMiddleware

from monitor.api import problems
from monitor.api.events import events_route
from monitor.api.guards import Guards
from monitor.api.health import health_routes
from monitor.api.pages import page_routes
from monitor.api.parts import Parts, ProgramStatus, UnitView
from monitor.api.routes import routes
from monitor.api.templating import STATIC_NAMES, static_bytes

__all__ = ["Parts", "ProgramStatus", "UnitView", "create_app"]

DESCRIPTION = (
    "Whether standby gas engine-generators are still ready to start, and what to do about those that are not. Times "
    "are RFC 3339 in UTC, values in their signal's symbol (RFC 8428), errors problem details (RFC 9457). The program "
    "only watches: nothing here starts, stops or resets an engine."
)
MEDIA_TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
KEPT_FOR = "public, max-age=31536000, immutable"  # addresses carry a stamp that changes with the file


def create_app(parts: Parts) -> FastAPI:
    """The application over these parts."""
    app = FastAPI(
        title="Stillready",
        version="1",
        description=DESCRIPTION,
        docs_url=None,  # the usual viewers load scripts from elsewhere
        redoc_url=None,
        separate_input_output_schemas=False,
    )
    app.add_middleware(GZipMiddleware, minimum_size=1_024)
    app.add_middleware(Guards, public_url=parts.settings.public_url)
    problems.install(app)
    app.include_router(routes(parts))
    app.include_router(events_route(parts.live))
    app.include_router(health_routes(parts))
    app.include_router(page_routes(parts))
    for name in STATIC_NAMES:
        app.add_api_route(f"/static/{name}", _static(name), methods=["GET", "HEAD"], include_in_schema=False)
    app.add_api_route("/favicon.ico", _static("favicon.svg"), methods=["GET", "HEAD"], include_in_schema=False)
    plain = app.openapi

    def described() -> dict[str, Any]:
        return _only_problems(plain())

    app.openapi = described  # type: ignore[method-assign]  # FastAPI's own way to extend what it describes
    return app


def _static(name: str) -> Callable[[], Response]:
    body, media_type = static_bytes(name), MEDIA_TYPES[name.rpartition(".")[2]]

    def static_file() -> Response:
        return Response(body, 200, {"Cache-Control": KEPT_FOR}, media_type)

    return static_file


def _only_problems(schema: dict[str, Any]) -> dict[str, Any]:
    """The description without the framework's own error bodies, which this app never gives."""
    for path in schema["paths"].values():
        for operation in path.values():
            for status, response in operation["responses"].items():
                if status[0] in "45" and problems.MEDIA_TYPE in response.get("content", {}):
                    response["content"].pop("application/json", None)
    for name in ("HTTPValidationError", "ValidationError"):
        schema["components"]["schemas"].pop(name, None)
    return schema
