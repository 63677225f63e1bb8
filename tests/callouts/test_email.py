"""Call-outs by email, against a real SMTP server: the mail arrives as meant, and refusals are understood."""

import json
import socket
import ssl
import subprocess
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default
from types import SimpleNamespace

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Kind
from monitor.callouts.channels import Ending
from monitor.callouts.email import Email, email_message
from monitor.callouts.plan import planner
from monitor.settings import Smtp


@contextmanager
def mail_server(*, rcpt="250 OK", data="250 OK", rude=False, **smtp_options):
    """A server on a free loopback port; it keeps what it takes and answers as told."""
    mails = []

    class Handler:
        async def handle_RCPT(self, server, session, envelope, address, options):
            if rcpt.startswith("250"):
                envelope.rcpt_tos.append(address)
            return rcpt

        async def handle_DATA(self, server, session, envelope):
            if data.startswith("250"):
                mails.append(
                    SimpleNamespace(
                        to=list(envelope.rcpt_tos),
                        raw=bytes(envelope.content),
                        message=message_from_bytes(envelope.content, policy=default),
                        encrypted=session.ssl is not None,
                    )
                )
            return data

        async def handle_QUIT(self, server, session, envelope):
            if rude:
                server.transport.abort()
            return "221 Bye"

    with socket.socket() as probe:  # aiosmtpd does not find a free port by itself
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    controller = Controller(Handler(), hostname="127.0.0.1", port=port, **smtp_options)
    controller.start()
    try:
        yield SimpleNamespace(port=port, mails=mails)
    finally:
        controller.stop()


def smtp(server, security="none", **more):
    return Smtp(host="127.0.0.1", port=server.port, security=security, sender="ready@example.org", timeout=5.0, **more)


@pytest.fixture
def mail(build):
    return build.call_out("key-1", channel="email", recipient="mia@example.org")


@pytest.fixture
def planned(build, fleet, advice, visit):
    """A call-out as the plan makes it."""
    plan = planner(fleet, build.settings(), "https://ready.example.org", lambda site, at_ns: visit, advice)
    [call_out] = plan(build.Story().batch(build.finding(Kind.RAISED, build.T0)), {})
    return call_out


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate for loopback, made for this run."""
    folder = tmp_path_factory.mktemp("tls")
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    subject = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-days", "2"]
    subprocess.run([*command, *subject, "-keyout", key, "-out", certificate], check=True, capture_output=True)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(certificate, key)
    return SimpleNamespace(serving=serving, trusting=ssl.create_default_context(cafile=str(certificate)))


def test_the_mail_arrives_with_what_a_person_needs(planned):
    with mail_server() as server:
        tried = Email(smtp(server)).send(planned, 0)
        [arrived] = server.mails
    assert tried.ending is Ending.DELIVERED
    assert arrived.to == ["mia@example.org"]
    message = arrived.message
    assert message["Subject"] == "NOW: Pump house 1, Jacket-water heater gives no heat"
    assert message["From"] == "Stillready <ready@example.org>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Message-ID"] == f"<{planned.key}@example.org>"
    assert message["Date"].datetime.isoformat() == "2026-11-25T10:12:01+00:00"
    assert message.get_content_type() == "text/plain"
    assert message.get_content().replace("\r\n", "\n") == json.loads(planned.body)["data"]["text"]
    assert max(len(line) for line in arrived.raw.splitlines()) <= 78


def test_the_same_call_out_is_the_same_mail_whenever_it_is_sent(planned):
    with mail_server() as server:
        channel = Email(smtp(server))
        channel.send(planned, 0)
        channel.send(planned, 10**18)
        first, again = (mail.raw for mail in server.mails)
    assert first == again


def test_mails_of_one_alarm_refer_to_the_same_message(build):
    first = email_message(build.call_out("a", channel="email", recipient="mia@example.org"), "s@example.org")
    later = email_message(
        build.call_out("b", EventType.RETURNED, channel="email", recipient="mia@example.org"), "s@example.org"
    )
    assert first["References"] == later["References"] == "<alarm-1@example.org>"
    assert first["Message-ID"] != later["Message-ID"]


def test_a_mail_that_speaks_for_several_alarms_joins_their_threads_within_a_bound(build):
    alarms = tuple(f"alarm-{n}" for n in range(500))
    call_out = build.call_out("a", channel="email", recipient="mia@example.org", alarm_ids=alarms)
    references = email_message(call_out, "s@example.org")["References"].split()
    assert references == [f"<alarm-{n}@example.org>" for n in range(30)]


@pytest.mark.parametrize(
    ("code", "ending"),
    [
        ("550 no such mailbox", Ending.NEVER),
        ("450 mailbox busy", Ending.LATER),
        ("530 sign in first", Ending.LATER),
    ],
)
def test_a_refused_recipient_is_given_up_only_where_it_is_for_good(mail, code, ending):
    with mail_server(rcpt=code) as server:
        tried = Email(smtp(server)).send(mail, 0)
    assert tried.ending is ending
    assert tried.error == f"the mail server refused the recipient: {code}"


@pytest.mark.parametrize(("code", "ending"), [("554 no, thank you", Ending.NEVER), ("452 no room left", Ending.LATER)])
def test_a_refused_message_is_given_up_only_where_it_is_for_good(mail, code, ending):
    with mail_server(data=code) as server:
        tried = Email(smtp(server)).send(mail, 0)
    assert (tried.ending, tried.error) == (ending, f"the mail server refused: {code}")


def test_a_server_that_is_not_there_may_be_there_later(mail):
    with mail_server() as server:
        settings = smtp(server)
    tried = Email(settings).send(mail, 0)
    assert tried.ending is Ending.LATER
    assert "refused" in tried.error.lower()


def test_a_server_that_hangs_up_after_taking_the_mail_has_taken_it(mail):
    with mail_server(rude=True) as server:
        assert Email(smtp(server)).send(mail, 0).ending is Ending.DELIVERED
        assert len(server.mails) == 1


def test_starttls_is_used_and_the_server_is_checked(mail, certificate):
    with mail_server(tls_context=certificate.serving, require_starttls=True) as server:
        settings = smtp(server, "starttls")
        assert Email(settings, certificate.trusting).send(mail, 0).ending is Ending.DELIVERED
        assert [mail.encrypted for mail in server.mails] == [True]
        stranger = Email(settings).send(mail, 0)
        assert stranger.ending is Ending.LATER
        assert stranger.error.startswith("no encrypted connection to the mail server:")
        assert len(server.mails) == 1


def test_without_encryption_nothing_is_sent_where_encryption_was_asked(mail):
    with mail_server() as server:
        tried = Email(smtp(server, "starttls")).send(mail, 0)
        assert tried.ending is Ending.LATER
        assert server.mails == []


def test_tls_from_the_first_byte(mail, certificate):
    with mail_server(ssl_context=certificate.serving) as server:
        assert Email(smtp(server, "tls"), certificate.trusting).send(mail, 0).ending is Ending.DELIVERED
        assert len(server.mails) == 1


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")  # of the server, here on loopback only
def test_it_signs_in_and_a_wrong_password_waits_to_be_mended(mail):
    def check(server, session, envelope, mechanism, data):
        return AuthResult(success=(data.login, data.password) == (b"ready", b"right"), handled=False)

    with mail_server(authenticator=check, auth_required=True, auth_require_tls=False) as server:
        right = Email(smtp(server, username="ready", password="right")).send(mail, 0)
        wrong = Email(smtp(server, username="ready", password="wrong")).send(mail, 0)
        assert len(server.mails) == 1
    assert right.ending is Ending.DELIVERED
    assert wrong.ending is Ending.LATER
    assert wrong.error.startswith("the mail server did not let us sign in: 535")
    assert "wrong" not in wrong.error


@pytest.mark.parametrize(
    "recipient",
    ["", "mia", "mia@", "@example.org", "mia@example.org\r\nBcc: all@example.org", "mia@example.org, b@example.org"],
)
def test_what_is_no_address_is_given_up_and_reaches_nobody(build, recipient):
    with mail_server() as server:
        tried = Email(smtp(server)).send(build.call_out("k", channel="email", recipient=recipient), 0)
        assert server.mails == []
    assert tried.ending is Ending.NEVER
    assert tried.error.startswith("this address cannot be written to:")


def test_a_summary_cannot_begin_another_header(build, mail):
    body = json.loads(mail.body)
    body["data"]["summary"] = "NOW: Pump\r\nBcc: all@example.org"
    hostile = build.call_out("k", channel="email", recipient="mia@example.org")
    object.__setattr__(hostile, "body", json.dumps(body))
    message = email_message(hostile, "s@example.org")
    assert message["Bcc"] is None
    assert message["Subject"] == "NOW: Pump Bcc: all@example.org"
    assert b"\r\nBcc:" not in message.as_bytes()


def test_a_lone_dot_and_umlauts_survive_the_way(build):
    call_out = build.call_out("k", channel="email", recipient="mia@example.org")
    body = json.loads(call_out.body)
    body["data"] |= {"summary": "NOW: Wärterhaus – kalt", "text": "28 °C\n.\nFrom here on\n" + "lang " * 40 + "\n"}
    object.__setattr__(call_out, "body", json.dumps(body))
    with mail_server() as server:
        Email(smtp(server)).send(call_out, 0)
        [arrived] = server.mails
    assert arrived.message["Subject"] == "NOW: Wärterhaus – kalt"
    assert arrived.message.get_content().replace("\r\n", "\n") == body["data"]["text"]
