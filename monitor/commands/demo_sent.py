"""What was sent in the demo: a mailbox behind a real SMTP server, a webhook receiver, and a page that shows both.

In: mails and webhooks of the call-outs, over their real protocols. Out: one page, and the same as JSON at /sent.json.
May import: aiosmtpd, which only the demo extra brings; standardwebhooks, the standard library. Touches two ports.
Nothing is kept on disk. All that came from outside is escaped before it is shown.
"""

import json
import re
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from string import Template
from typing import Any

from standardwebhooks import Webhook, WebhookVerificationError

from monitor.commands.demo_ports import browser_url, family, free_port

KEPT_MAX = 100  # mails and webhooks each: more than a demo sends in days
BODY_BYTES_MAX = 1_000_000
# In escaped text, so that "&" reads "&amp;"; the last character is none that ends a sentence.
ADDRESS = re.compile(r"https?://(?:&amp;|[^\s<>&])*[^\s<>&;,.:!?)\]]")
PAGE = Path(__file__).with_name("demo_sent.html")


@dataclass(frozen=True, slots=True)
class Mail:
    """One mail that arrived."""

    at: str
    to: str
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Received:
    """One webhook that arrived. verified: whether its signature is right. summary: its own. text: its JSON."""

    at: str
    id: str
    verified: bool
    type: str
    summary: str
    text: str


class Sent:
    """What has arrived so far, newest first; any thread may ask and add."""

    def __init__(self, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._mails: deque[Mail] = deque(maxlen=KEPT_MAX)
        self._webhooks: deque[Received] = deque(maxlen=KEPT_MAX)

    def add_mail(self, content: bytes) -> None:
        """Keep a mail as it came over the wire."""
        message = message_from_bytes(content, policy=default)
        assert isinstance(message, EmailMessage), "the default policy makes these"
        body = message.get_body(preferencelist=("plain", "html"))
        text = body.get_content() if body is not None else ""
        mail = Mail(self._now(), str(message["to"] or ""), str(message["subject"] or ""), text.strip())
        with self._lock:
            self._mails.appendleft(mail)

    def add_webhook(self, body: bytes, headers: dict[str, str], secret: str) -> bool:
        """Keep a webhook, right or wrong; whether its signature is right."""
        try:
            Webhook(secret).verify(body, headers)
            verified = True
        except (WebhookVerificationError, ValueError):
            verified = False
        try:
            event = json.loads(body)
            kind, summary = str(event["type"]), str(event["data"]["summary"])
            text = json.dumps(event, indent=2, ensure_ascii=False)
        except (ValueError, KeyError, TypeError):
            kind, summary, text = "not one of ours", "", body.decode("utf-8", "replace")
        received = Received(self._now(), headers.get("webhook-id", ""), verified, kind, summary, text)
        with self._lock:
            if all(known.id != received.id for known in self._webhooks):  # sent twice is shown once
                self._webhooks.appendleft(received)
        return verified

    def snapshot(self) -> tuple[list[Mail], list[Received]]:
        """Mails and webhooks, newest first."""
        with self._lock:
            return list(self._mails), list(self._webhooks)

    def _now(self) -> str:
        return self._clock().isoformat(timespec="seconds").replace("+00:00", "Z")


def sent_html(mails: list[Mail], webhooks: list[Received]) -> str:
    """Both lists as HTML."""
    mail_parts = [
        f"<article><h3>{escape(mail.subject)}</h3><p>to {escape(mail.to)}, {mail.at}</p>"
        f"<pre>{_linked(mail.text)}</pre></article>"
        for mail in mails
    ]
    webhook_parts = [
        f"<article><h3>{escape(hook.summary or hook.type)}</h3>"
        f"<p>{escape(hook.type)}, signature {'verified' if hook.verified else 'WRONG'}, {hook.at}</p>"
        f"<details><summary>As it came</summary><pre>{escape(hook.text)}</pre></details></article>"
        for hook in webhooks
    ]
    nothing = "<p>Nothing yet.</p>"
    return (
        f"<section><h2>Mailbox ({len(mails)})</h2>{''.join(mail_parts) or nothing}</section>"
        f"<section><h2>Webhooks ({len(webhooks)})</h2>{''.join(webhook_parts) or nothing}</section>"
    )


def _linked(text: str) -> str:
    """Escaped text with its addresses as links."""
    return ADDRESS.sub(lambda found: f'<a href="{found[0]}">{found[0]}</a>', escape(text))


class SentServer:
    """The mailbox, the webhook receiver and their page, each on its own thread."""

    def __init__(self, *, host: str, wished_port: int, secret: str) -> None:
        """
        Args:
            host: where the page listens; the SMTP server is on loopback, always. wished_port: else any.
            secret: that webhooks are signed with.
        """
        from aiosmtpd.controller import Controller  # lazily: the program without its demo does not need it

        self._host = host
        self.sent = Sent()
        self.pages_url = ""
        self.port = free_port(host, wished_port)
        self.smtp_port = free_port()
        self._smtp = Controller(_SmtpHandler(self.sent), hostname="127.0.0.1", port=self.smtp_port)
        self._http = _HttpServer((host, self.port), self, secret)
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.1,), name="sent", daemon=True)

    @property
    def url(self) -> str:
        """Where a browser on this machine finds the page."""
        return browser_url(self._host, self.port)

    @property
    def webhook_url(self) -> str:
        """Where webhooks go: on this machine."""
        return f"{self.url}/webhook"

    def start(self) -> None:
        """Listen."""
        self._smtp.start()
        self._thread.start()

    def stop(self) -> None:
        """Listen no more."""
        self._smtp.stop(no_assert=True)
        if self._thread.is_alive():
            self._http.shutdown()
        self._http.server_close()


class _SmtpHandler:
    def __init__(self, sent: Sent) -> None:
        self._sent = sent

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self._sent.add_mail(envelope.content)
        return "250 OK"


class _HttpServer(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, address: tuple[str, int], server: SentServer, secret: str) -> None:
        self.address_family = family(address[0])
        self.owner = server
        self.secret = secret
        super().__init__(address, _Handler)


class _Handler(BaseHTTPRequestHandler):
    server: _HttpServer
    timeout = 10  # a caller that says nothing does not hold a thread for good

    def do_GET(self) -> None:
        owner = self.server.owner
        mails, webhooks = owner.sent.snapshot()
        if self.path == "/":
            page = Template(PAGE.read_text(encoding="utf-8"))
            text = page.substitute(pages=escape(owner.pages_url), sent=sent_html(mails, webhooks))
            self._answer(200, "text/html; charset=utf-8", text)
        elif self.path == "/sent":
            self._answer(200, "text/html; charset=utf-8", sent_html(mails, webhooks))
        elif self.path == "/sent.json":
            both = {"mails": [asdict(mail) for mail in mails], "webhooks": [asdict(hook) for hook in webhooks]}
            self._answer(200, "application/json", json.dumps(both))
        else:
            self._answer(404, "text/plain; charset=utf-8", "Here is nothing. The page is at /.\n")

    def do_POST(self) -> None:
        length = self.headers.get("content-length", "")
        if self.path != "/webhook" or not length.isdecimal() or int(length) > BODY_BYTES_MAX:
            self._answer(404, "text/plain; charset=utf-8", "Webhooks go to /webhook, with a length.\n")
            return
        body = self.rfile.read(int(length))
        headers = {name.lower(): value for name, value in self.headers.items()}
        if self.server.owner.sent.add_webhook(body, headers, self.server.secret):
            self._answer(204, "text/plain", "")
        else:
            self._answer(401, "text/plain; charset=utf-8", "The signature is wrong.\n")

    def _answer(self, status: int, content_type: str, text: str) -> None:
        content = text.encode()
        self.send_response(status)
        if status != 204:
            self.send_header("content-type", content_type)
            self.send_header("content-length", str(len(content)))
        self.send_header("cache-control", "no-store")
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: object) -> None:
        """Requests are no news: the demo prints its address and nothing more."""
