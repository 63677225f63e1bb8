"""What stands before every route: size of bodies, where a POST may come from, headers that keep pages to themselves.

In and out: ASGI messages. May import: starlette. Touches nothing.

There is no sign-in yet, so these guard against one thing: another web page, open in the browser of somebody on the
same network, answering alarms behind their back. Browsers send Origin with every such POST; other programs do not.
"""

from http import HTTPStatus
from ipaddress import ip_address
from urllib.parse import urlsplit

import orjson
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_BYTES_MAX = 65_536  # an answer is a name and a note of some lines
CONTENT_TYPES = ("application/json", "application/x-www-form-urlencoded")
CHANGING = frozenset({"POST", "PUT", "PATCH", "DELETE"})
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def host_name(authority: str) -> str:
    """The host of a Host header or an origin's authority, without port and brackets, in lower case."""
    try:
        return (urlsplit(f"//{authority}").hostname or "").lower()
    except ValueError:
        return ""


def is_trusted_host(authority: str, public_url: str) -> bool:
    """Whether a name is ours: public_url's, localhost, or a plain address.

    Any other name could be one that a hostile page owns and has pointed at this machine.
    """
    name = host_name(authority)
    if name in ("localhost", host_name(urlsplit(public_url).netloc)):
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def refusal(headers: Headers, public_url: str) -> tuple[int, str, str] | None:
    """Why a changing request is not let in: status, sentence, what to do; None: it is."""
    length = headers.get("content-length", "0")
    if length.isascii() and length.isdigit() and int(length) > BODY_BYTES_MAX:
        return 413, f"The body is larger than {BODY_BYTES_MAX} bytes.", "Send a shorter note."
    content_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if content_type not in CONTENT_TYPES:
        return 415, "The body is neither JSON nor a form of our own pages.", "Send it as application/json."
    origin, host = headers.get("origin"), headers.get("host", "")
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return 403, "Another web page sent this.", "Answer on Stillready's own pages."
    if origin is None:
        if content_type == "application/json":
            return None  # no browser: other programs send no origin
        return 403, "A form came without the page it belongs to.", "Send JSON, or use Stillready's own pages."
    if urlsplit(origin).netloc.lower() not in (host.lower(), urlsplit(public_url).netloc.lower()):
        return 403, "Another web page sent this.", "Answer on Stillready's own pages."
    if not is_trusted_host(urlsplit(origin).netloc, public_url):
        name = host_name(host)
        return 403, f'"{name}" is not a name of this program.', f"Set public_url to the address with {name}, if it is."
    return None


class BodyTooLarge(HTTPException):
    """More came than is taken, whatever was announced. An HTTP exception: readers of bodies let those pass."""

    def __init__(self) -> None:
        super().__init__(413)


class Guards:
    """The middleware."""

    def __init__(self, app: ASGIApp, *, public_url: str) -> None:
        self._app = app
        self._public_url = public_url

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in or refuse it; add the headers to whatever goes out."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        guarded = _with_headers(send)
        refused = refusal(Headers(scope=scope), self._public_url) if scope["method"] in CHANGING else None
        if refused:
            await _refuse(guarded, scope["path"], *refused)
            return
        await self._app(scope, _bounded(receive), guarded)


def _bounded(receive: Receive) -> Receive:
    taken = 0

    async def bounded() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > BODY_BYTES_MAX:
            raise BodyTooLarge()
        return message

    return bounded


def _with_headers(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return with_headers


async def _refuse(send: Send, path: str, status: int, detail: str, what_to_do: str) -> None:
    body = orjson.dumps(
        {
            "type": "about:blank",
            "title": HTTPStatus(status).phrase,
            "status": status,
            "detail": detail,
            "what_to_do": what_to_do,
            "instance": path,
            "errors": [],
        }
    )
    headers = [(b"content-type", b"application/problem+json"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
