"""The demo's mailbox and webhook receiver, spoken to over SMTP and HTTP as the call-outs do."""

import smtplib
from datetime import UTC, datetime
from email.message import EmailMessage

import pytest
from standardwebhooks import Webhook

from monitor.commands.demo_ports import free_port
from monitor.commands.demo_sent import Mail, Received, SentServer, sent_html
from tests import asking

SECRET = "whsec_c3RpbGxyZWFkeSBkZW1vIHNlY3JldA=="
BODY = '{"type": "raised", "data": {"summary": "Quay crane: low gas pressure"}}'


@pytest.fixture
def server():
    running = SentServer(host="127.0.0.1", wished_port=0, secret=SECRET)
    running.pages_url = "http://127.0.0.1:1/?a=1&b=2"
    running.start()
    yield running
    running.stop()


def signed(body: str = BODY, *, identity: str = "id-1", secret: str = SECRET) -> dict[str, str]:
    now = datetime.now(UTC)
    return {
        "content-type": "application/cloudevents+json",
        "webhook-id": identity,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": Webhook(secret).sign(identity, now, body),
    }


def mail_to(server: SentServer, subject: str, text: str) -> None:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = "a@valley.example", "duty@valley.example", subject
    message.set_content(text)
    with smtplib.SMTP("127.0.0.1", server.smtp_port) as smtp:
        smtp.send_message(message)


def test_a_mail_is_shown_with_its_subject_and_text_decoded(server):
    mail_to(server, "Kälte: water at 31 °C", "See http://127.0.0.1:1/alarms/x.")
    got = asking.get(f"{server.url}/sent.json").json()["mails"]
    assert [(mail["to"], mail["subject"]) for mail in got] == [("duty@valley.example", "Kälte: water at 31 °C")]
    assert got[0]["text"] == "See http://127.0.0.1:1/alarms/x."


def test_a_webhook_with_the_right_signature_is_taken_and_shown_as_verified(server):
    answer = asking.post(server.webhook_url, content=BODY, headers=signed())
    assert answer.status_code == 204
    got = asking.get(f"{server.url}/sent.json").json()["webhooks"]
    assert [(hook["id"], hook["verified"], hook["type"]) for hook in got] == [("id-1", True, "raised")]
    assert got[0]["summary"] == "Quay crane: low gas pressure"


@pytest.mark.parametrize(
    ("body", "headers"),
    [
        (BODY.replace("Quay", "Key"), signed()),
        (BODY, signed(secret="whsec_YW5vdGhlcg==")),
        (BODY, {}),
    ],
)
def test_a_webhook_that_was_changed_or_not_signed_by_us_is_refused_and_shown_as_wrong(server, body, headers):
    answer = asking.post(server.webhook_url, content=body, headers=headers)
    assert answer.status_code == 401
    assert [hook["verified"] for hook in asking.get(f"{server.url}/sent.json").json()["webhooks"]] == [False]


def test_a_webhook_sent_twice_is_taken_twice_and_shown_once(server):
    headers = signed()
    answers = [asking.post(server.webhook_url, content=BODY, headers=headers).status_code for _ in range(2)]
    assert answers == [204, 204]
    assert len(asking.get(f"{server.url}/sent.json").json()["webhooks"]) == 1


def test_the_page_shows_both_newest_first_and_links_to_the_pages(server):
    mail_to(server, "first", "one")
    mail_to(server, "second", "two")
    asking.post(server.webhook_url, content=BODY, headers=signed())
    page = asking.get(server.url).text
    assert 'href="http://127.0.0.1:1/?a=1&amp;b=2"' in page
    assert 0 < page.index("<h3>second</h3>") < page.index("<h3>first</h3>")
    assert "<h3>Quay crane: low gas pressure</h3>" in page
    assert asking.get(f"{server.url}/sent").text in page


def test_other_addresses_and_bodies_without_end_are_refused(server):
    assert asking.get(f"{server.url}/../etc/passwd").status_code == 404
    assert asking.post(server.url, content="x").status_code == 404
    assert asking.post(server.webhook_url, content=iter([b"x"])).status_code == 404  # chunked: no length


def test_what_came_from_outside_is_escaped_and_only_web_addresses_become_links():
    mail = Mail("2026-11-01T00:00:00Z", "<i>you</i>", "<b>", "go to http://h/a?b=1&c=2, then <script> javascript:x")
    hook = Received("2026-11-01T00:00:00Z", "1", True, "<u>", "<s>", "</pre><script>")
    html = sent_html([mail], [hook])
    assert '<a href="http://h/a?b=1&amp;c=2">http://h/a?b=1&amp;c=2</a>, then' in html
    assert not any(tag in html for tag in ("<i>", "<b>", "<u>", "<s>", "<script"))
    assert html.count("<a ") == 1


def test_a_port_that_is_taken_gives_another(server):
    assert free_port("127.0.0.1", server.port) != server.port
