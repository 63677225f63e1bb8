"""The command `check`: would this program run here, and could it reach a person?

In: settings that were read. Out: one line for each thing looked at, good, in doubt or bad. May import: all of monitor.
Touches the files of the settings, the broker (with a session of its own, so that a running program keeps its), the mail
server, and writes one file into the data folder that it removes again.
"""

import os
import smtplib
import socket
import ssl
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from threading import Event
from time import monotonic

from monitor.acquisition.connection import address, tls_context
from monitor.acquisition.decoder import Decoder
from monitor.callouts.webhook import Webhooks
from monitor.fleet import Fleet, FleetError, load_fleet
from monitor.limits_file import LimitsError, load_limits
from monitor.settings import Broker, Settings, Smtp
from monitor.visits import load_visits

ANSWER_S = 10.0  # how long a server may take
LOOP_S = 0.5  # how long one wait for its packets lasts
DISK_FREE_BYTES_LEAST = 1_000_000_000  # some months of readings of a hundred units


class Grade(StrEnum):
    """How a thing is."""

    GOOD = "ok"
    DOUBTFUL = "warning"
    BAD = "fault"


@dataclass(frozen=True, slots=True)
class Looked:
    """One thing looked at; text: what was seen and, unless it is good, what to do."""

    grade: Grade
    what: str
    text: str


def looks(settings: Settings, *, fetch: Callable[[str], bytes] | None = None) -> Iterator[Looked]:
    """Everything, one after the other, so that a person sees each as it is done.

    Args:
        fetch: for visit calendars at web addresses; None: only kept copies are read.
    """
    yield Looked(Grade.GOOD, "settings", "read; every variable and key is known")
    fleet: Fleet | None = None
    try:
        fleet = load_fleet(settings.fleet)
        yield Looked(
            Grade.GOOD,
            "fleet",
            f"{_counted(len(fleet.units), 'unit')} at {_counted(len(fleet.sites), 'site')} in {settings.fleet}",
        )
    except FleetError as error:
        yield from (Looked(Grade.BAD, "fleet", fault) for fault in error.faults)
    if fleet is not None:
        yield from _fleet_looks(settings, fleet, fetch)
    yield _data_look(settings.data)
    yield _secrets_look(settings.secrets_file)
    yield broker_look(settings.broker)
    yield from _call_out_looks(settings)


def _fleet_looks(settings: Settings, fleet: Fleet, fetch: Callable[[str], bytes] | None) -> Iterator[Looked]:
    try:
        load_limits(settings.limits, fleet)
        yield Looked(Grade.GOOD, "limits", f"{settings.limits or 'the defaults'} hold for every unit")
    except LimitsError as error:
        yield from (Looked(Grade.BAD, "limits", fault) for fault in error.faults)
    try:
        Decoder(fleet, settings)
        yield Looked(Grade.GOOD, "mappings", f"{len(fleet.mappings) + len(settings.mappings)} understood")
    except ValueError as error:
        yield from (Looked(Grade.BAD, "mappings", line) for line in str(error).splitlines())
    calendar = load_visits(fleet, copies=settings.data / "calendars", fetch=fetch)
    yield from (Looked(Grade.DOUBTFUL, "visits", f"Site {site}: {note}") for site, note in calendar.notes.items())
    for site in fleet.sites.values():
        if site.visits is None and site.visit_rule is None:
            text = f"Site {site.id} has neither visits nor visit_rule: seven days are assumed each time. Add one."
            yield Looked(Grade.DOUBTFUL, "visits", text)
        if "timezone" in site.assumed:
            yield Looked(
                Grade.DOUBTFUL, "fleet", f'Site {site.id} gives no timezone, UTC is assumed. Add timezone = "…".'
            )
    assumed = [unit.id for unit in fleet.units.values() if "battery_type" in unit.assumed]
    if assumed:
        units = _counted(len(assumed), "unit")
        text = f"No battery_type for {units} (first: {assumed[0]}): flooded is assumed, and shown so."
        yield Looked(Grade.DOUBTFUL, "fleet", text)


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


def _data_look(data: Path) -> Looked:
    try:
        data.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=data, prefix=".check-") as file:
            file.write(b"x")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        text = f"{data} cannot be written to: {error.strerror}. Give the folder to the user that runs stillready."
        return Looked(Grade.BAD, "data", text)
    space = os.statvfs(data)
    free = space.f_bavail * space.f_frsize
    if free < DISK_FREE_BYTES_LEAST:
        text = f"{data} has only {free / 1e9:.1f} GB left. Make room: a full disk stops the watch."
        return Looked(Grade.DOUBTFUL, "data", text)
    return Looked(Grade.GOOD, "data", f"{data} can be written to, {free / 1e9:.0f} GB are free")


def _secrets_look(path: Path | None) -> Looked:
    if path is None:
        return Looked(Grade.GOOD, "secrets", "from the environment only")
    if path.stat().st_mode & 0o077:
        text = f"{path} can be read by others on this machine. Run: chmod 600 {path}"
        return Looked(Grade.DOUBTFUL, "secrets", text)
    return Looked(Grade.GOOD, "secrets", f"{path} can be read by its owner only")


def broker_look(broker: Broker, *, answer_s: float = ANSWER_S) -> Looked:
    """Whether the broker lets us in. The session is another one than the running program's, and ends at once."""
    from paho.mqtt.client import Client, ConnectFlags, MQTTv5
    from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
    from paho.mqtt.reasoncodes import ReasonCode

    answered, answers = Event(), list[ReasonCode]()

    def on_connect(client: Client, data: object, flags: ConnectFlags, reason: ReasonCode, properties: object) -> None:
        answers.append(reason)
        answered.set()

    try:
        place = address(broker.url)
        client = Client(CallbackAPIVersion.VERSION2, client_id=f"{broker.client_id}-check", protocol=MQTTv5)
        if broker.username is not None:
            password = broker.password.get_secret_value() if broker.password is not None else None
            client.username_pw_set(broker.username, password)
        if place.is_tls:
            client.tls_set_context(tls_context(broker))
        client.on_connect = on_connect
        client.connect_timeout = answer_s
        client.connect(place.host, place.port, clean_start=True)
        give_up_at = monotonic() + answer_s
        while not answered.is_set() and monotonic() < give_up_at:
            if client.loop(min(answer_s, LOOP_S)) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
        client.disconnect()
    except ValueError as error:
        return Looked(Grade.BAD, "broker", str(error))
    except OSError as error:
        return Looked(Grade.BAD, "broker", f"{broker.url} does not answer ({_reason(error)}). {_broker_advice(broker)}")
    if not answers:
        text = f"{broker.url} is no MQTT 5 broker, or expects TLS: it did not answer as one. Check port and mqtt(s)://."
        return Looked(Grade.BAD, "broker", text)
    if answers[0].is_failure:
        text = f"{broker.url} refused: {answers[0]}. Check user name, password and what the broker allows."
        return Looked(Grade.BAD, "broker", text)
    return Looked(Grade.GOOD, "broker", f"{broker.url} lets us in")


def _broker_advice(broker: Broker) -> str:
    return (
        "Check host, port and certificates." if broker.url.startswith("mqtts") else "Check host and port, and start it."
    )


def _reason(error: OSError) -> str:
    if isinstance(error, socket.gaierror):
        return "no such host"
    return error.strerror or str(error) or "no answer in time"


def _call_out_looks(settings: Settings) -> Iterator[Looked]:
    call_outs = settings.call_outs
    if call_outs.smtp is not None:
        yield smtp_look(call_outs.smtp)
        if not call_outs.emails:
            text = "call_outs.smtp is set, but nobody stands in call_outs.emails. Add who is to be told."
            yield Looked(Grade.DOUBTFUL, "call-outs", text)
    elif call_outs.emails:
        text = "call_outs.emails names people, but call_outs.smtp no mail server: nobody gets an email. Add one."
        yield Looked(Grade.BAD, "call-outs", text)
    if not call_outs.emails and not call_outs.webhooks:
        text = "Nobody is called: neither call_outs.emails nor call_outs.webhooks names anyone. Add one at least."
        yield Looked(Grade.BAD, "call-outs", text)
    try:
        Webhooks(call_outs.webhooks)
    except ValueError as error:
        yield Looked(Grade.BAD, "call-outs", str(error))
    if not any(webhook.rings_phone for webhook in call_outs.webhooks):
        text = (
            "No step of a call-out can ring a phone: emails and plain webhooks let people sleep. Add a webhook to a "
            "text or voice service and say rings_phone = true there."
        )
        yield Looked(Grade.DOUBTFUL, "call-outs", text)


def smtp_look(smtp: Smtp) -> Looked:
    """Whether the mail server answers, encrypts and takes the password. No mail is sent."""
    where = f"{smtp.host}:{smtp.port}"
    try:
        server: smtplib.SMTP
        if smtp.security == "tls":
            server = smtplib.SMTP_SSL(smtp.host, smtp.port, timeout=ANSWER_S, context=ssl.create_default_context())
        else:
            server = smtplib.SMTP(smtp.host, smtp.port, timeout=ANSWER_S)
        with server:
            if smtp.security == "starttls":
                server.starttls(context=ssl.create_default_context())
            if smtp.username is not None and smtp.password is not None:
                server.login(smtp.username, smtp.password.get_secret_value())
            server.noop()
    except smtplib.SMTPAuthenticationError:
        return Looked(Grade.BAD, "mail", f"{where} refused the password of {smtp.username}. Check both.")
    except smtplib.SMTPException as error:
        return Looked(Grade.BAD, "mail", f"{where} does not do what was asked ({error}). Check port and security.")
    except OSError as error:
        return Looked(Grade.BAD, "mail", f"{where} does not answer ({_reason(error)}). Check host, port and security.")
    return Looked(Grade.GOOD, "mail", f"{where} answers{' and takes the password' if smtp.username else ''}")
