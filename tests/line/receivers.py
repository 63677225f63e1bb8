"""Where call-outs arrive: a webhook receiver that holds each to its signature, and a mail server. Both real, both here.

In: HTTP and SMTP on loopback. Out: what came and when, on the wall clock.
"""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from standardwebhooks import Webhook

from tests.brokers import free_port

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
SECRET_VARIABLE = "STILLREADY_CALL_OUTS__WEBHOOKS__0__SECRET"


@dataclass(frozen=True)
class Hook:
    """One webhook that came. key: its idempotency key; event: the CloudEvent."""

    at_s: float
    key: str
    event: dict[str, Any]


@dataclass
class Hooks:
    """All of them, in the order of arrival. refused: those whose signature did not hold."""

    url: str = ""
    came: list[Hook] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


@contextmanager
def hook_receiver() -> Iterator[Hooks]:
    """A receiver of signed webhooks, as anybody would build it with the standardwebhooks package."""
    hooks = Hooks()
    verifier = Webhook(SECRET)

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            at_s = time.time()
            try:
                verifier.verify(body, dict(self.headers))
                hooks.came.append(Hook(at_s, self.headers["webhook-id"], json.loads(body)))
                status = 204
            except Exception as reason:  # whatever is wrong with it, the test shall see it
                hooks.refused.append(f"{reason!r}: {body[:200]!r}")
                status = 400
            self.send_response(status)
            self.send_header("content-length", "0")
            self.end_headers()

        def handle(self) -> None:
            try:
                super().handle()
            except ConnectionError:  # a sender that was killed
                self.close_connection = True

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    hooks.url = f"http://127.0.0.1:{server.server_address[1]}/hook"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield hooks
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10.0)


@dataclass(frozen=True)
class Mail:
    """One mail that came."""

    at_s: float
    message: EmailMessage


@dataclass
class Mailbox:
    """All of them, in the order of arrival."""

    port: int
    came: list[Mail] = field(default_factory=list)

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:
        message = message_from_bytes(envelope.content, policy=policy.default)
        self.came.append(Mail(time.time(), message))  # type: ignore[arg-type]
        return "250 OK"


@contextmanager
def mail_server() -> Iterator[Mailbox]:
    """A mail server that keeps what it takes."""
    mailbox = Mailbox(free_port())
    controller = Controller(mailbox, hostname="127.0.0.1", port=mailbox.port)
    controller.start()
    try:
        yield mailbox
    finally:
        controller.stop()


def settings_for(hooks: Hooks, mailbox: Mailbox | None = None) -> str:
    """A settings file that tells these of every call-out; the secret stands in the environment."""
    mail = ""
    if mailbox is not None:
        mail = f"""
emails = [{{ name = "Ines", email = "ines@valley.example" }}]
[call_outs.smtp]
host = "127.0.0.1"
port = {mailbox.port}
security = "none"
"""
    return f"""
[broker]
reconnect_least = "100 ms"
reconnect_greatest = "1 s"

[call_outs]
retry_first = "1 s"
webhooks = [{{ url = "{hooks.url}" }}]
{mail}"""
