"""Call-outs by webhook, against a real HTTP server: signed over the bytes sent, and answers understood."""

import base64
import hashlib
import hmac
import json
import threading
import time

import pytest
import standardwebhooks
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from cloudevents.core.formats.json import JSONFormat

from monitor.alarms.lifecycle import Evidence, Kind
from monitor.callouts.channels import ERROR_MAX, Ending
from monitor.callouts.plan import planner
from monitor.callouts.webhook import Webhooks
from monitor.settings import Webhook


@pytest.fixture
def channel(build, receiver):
    made = Webhooks([Webhook(url=receiver.url, secret=build.SECRET, timeout=5.0)])
    yield made
    made.close()


@pytest.fixture
def hook(build, receiver):
    return build.call_out("key-1", recipient=receiver.url)


@pytest.fixture
def planned(build, fleet, advice, visit, receiver):
    """A call-out as the plan makes it, with more than ASCII in it."""
    settings = build.settings(emails=[], webhooks=[receiver.url])
    plan = planner(fleet, settings, "https://ready.example.org", lambda site, at_ns: visit, advice)
    evidence = Evidence("jacket_water_temperature", "Cel", 28.4, text="28,4 °C – kälter als üblich.")
    [call_out] = plan(build.Story().batch(build.finding(Kind.RAISED, build.T0, evidence=evidence)), {})
    assert not call_out.body.isascii()
    return call_out


def test_the_receiver_can_verify_it_and_read_it(build, channel, receiver, planned):
    assert channel.send(planned, time.time_ns()).ending is Ending.DELIVERED
    [request] = receiver.requests
    verified = standardwebhooks.Webhook(build.SECRET).verify(request.body, request.headers)
    headers = {name.lower(): value for name, value in request.headers.items()}
    event = from_structured_event(HTTPMessage(headers, request.body), JSONFormat())
    assert request.body == planned.body.encode("utf-8"), "what is signed is what is sent"
    assert verified == json.loads(planned.body)
    assert event.get_type() == "stillready.alarm.raised"
    assert headers["content-type"].startswith("application/cloudevents+json")
    assert headers["webhook-id"] == planned.key


def test_a_changed_body_or_another_secret_does_not_verify(build, channel, receiver, hook):
    channel.send(hook, time.time_ns())
    [request] = receiver.requests
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        standardwebhooks.Webhook(build.SECRET).verify(request.body.replace(b"now", b"old"), request.headers)
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        standardwebhooks.Webhook("whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD").verify(request.body, request.headers)


def test_the_stamp_is_the_moment_of_the_try(build, channel, receiver, hook):
    """Source of the expected value: HMAC-SHA256 of "id.timestamp.body" by hand, Standard Webhooks."""
    channel.send(hook, build.T0 + 999_999_999)
    [request] = receiver.requests
    headers = {name.lower(): value for name, value in request.headers.items()}
    assert headers["webhook-timestamp"] == str(build.T0 // 10**9)
    secret = base64.b64decode(build.SECRET.removeprefix("whsec_"))
    signed = f"key-1.{build.T0 // 10**9}.".encode() + request.body
    by_hand = base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode()
    assert headers["webhook-signature"] == f"v1,{by_hand}"


@pytest.mark.parametrize(
    ("status", "ending"),
    [
        (200, Ending.DELIVERED),
        (202, Ending.DELIVERED),
        (204, Ending.DELIVERED),
        (400, Ending.LATER),
        (404, Ending.LATER),
        (410, Ending.NEVER),
        (429, Ending.LATER),
        (500, Ending.LATER),
        (503, Ending.LATER),
    ],
)
def test_what_an_answer_means(channel, receiver, hook, status, ending):
    receiver.statuses = [status]
    tried = channel.send(hook, 0)
    assert tried.ending is ending
    assert tried.error == ("" if ending is Ending.DELIVERED else f"answered {status}")


def test_a_redirect_is_not_followed(build, channel, receiver, second_receiver, hook):
    receiver.statuses, receiver.headers = [307], {"location": second_receiver.url}
    tried = channel.send(hook, 0)
    assert tried.ending is Ending.LATER
    assert tried.error == "answered 307: redirects are not followed, set the final URL"
    assert second_receiver.requests == []


def test_of_a_long_refusal_only_the_beginning_is_read(channel, receiver, hook):
    receiver.statuses, receiver.answer = [500], b"database\r\nis down " + b"x" * 50_000_000
    tried = channel.send(hook, 0)
    assert tried.error.startswith("answered 500: database is down xxx")
    assert len(tried.error) <= ERROR_MAX
    assert receiver.cut_off.wait(20)


def test_a_receiver_that_is_not_there_may_be_there_later(build):
    channel = Webhooks([Webhook(url="http://127.0.0.1:9/", secret=build.SECRET)])
    tried = channel.send(build.call_out("k", recipient="http://127.0.0.1:9/"), 0)
    assert tried.ending is Ending.LATER
    assert tried.error.startswith("could not be reached:")
    channel.close()


def test_a_receiver_that_hangs_is_given_its_time_and_no_more(build, receiver):
    receiver.hold = threading.Event()
    channel = Webhooks([Webhook(url=receiver.url, secret=build.SECRET, timeout=0.2)])
    begun_s = time.monotonic()
    tried = channel.send(build.call_out("k", recipient=receiver.url), 0)
    assert time.monotonic() - begun_s < 5.0
    assert (tried.ending, tried.error) == (Ending.LATER, "no answer within 0.2 s")
    channel.close()


def test_a_receiver_that_left_the_settings_is_given_up(build, channel):
    tried = channel.send(build.call_out("k", recipient="http://gone.example.org/"), 0)
    assert (tried.ending, tried.error) == (Ending.NEVER, "this webhook is no longer in the settings")


@pytest.mark.parametrize("secret", ["whsec_", "whsec_!!!!", "whsec_a"])
def test_an_unreadable_secret_is_refused_at_the_door_and_not_shown(secret):
    with pytest.raises(
        ValueError, match=r"^The secret of the webhook http://h\.example\.org/ cannot be read"
    ) as refused:
        Webhooks([Webhook(url="http://h.example.org/", secret=secret)])
    assert secret not in str(refused.value).replace('"whsec_"', "")
