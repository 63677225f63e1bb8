"""Templates to pages: one environment, autoescaped, undefined names are errors.

In: a template's name and what it shows. Out: an HTML response. May import: jinja2, fastapi. Reads its own templates.
"""

from collections.abc import Mapping
from hashlib import blake2b
from importlib.resources import files

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

STATIC_NAMES = ("pages.css", "pages.js", "favicon.svg")


def static_bytes(name: str) -> bytes:
    """One of our static files."""
    return files("monitor.api").joinpath("static", name).read_bytes()


def _stamp() -> str:
    """Changes when a static file does, so that browsers may keep them for long."""
    digest = blake2b(digest_size=4)
    for name in STATIC_NAMES:
        digest.update(static_bytes(name))
    return digest.hexdigest()


STAMP = _stamp()
ENVIRONMENT = Environment(
    loader=PackageLoader("monitor.api"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
ENVIRONMENT.globals["stamp"] = STAMP


def render(request: Request, name: str, shows: Mapping[str, object], *, status: int = 200) -> HTMLResponse:
    """A page. It is not to be stored: it shows the present."""
    text = ENVIRONMENT.get_template(name).render(path=request.url.path, **shows)
    return HTMLResponse(text, status, {"Cache-Control": "no-store"})


def wants_page(request: Request) -> bool:
    """Whether whoever asks is a browser showing a page: never under /api, /health and /metrics."""
    path = request.url.path
    if path.startswith(("/api/", "/health/", "/metrics", "/openapi.json")):
        return False
    return "text/html" in request.headers.get("accept", "")
