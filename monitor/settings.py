"""Every setting, in one place: name, measure, default, meaning.

In: what monitor.settings_sources found in file, environment and command line. Out: one frozen object, checked. May
import: monitor.times, monitor.mappings, pydantic. Touches nothing.
"""

import re
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    field_validator,
    model_validator,
)

from monitor.mappings import MappingRule as MappingRule
from monitor.times import SECOND_NS

SECONDS_MAX = 100 * 366 * 86_400  # longer than any of these is a slip of the pen
DURATION_PATTERN = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h|d|)", re.ASCII)
SECONDS_PER = {"": 1.0, "ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def duration_s(text: object) -> object:
    """Seconds of a duration as people write it: "15 min", "30 s", "2 h", "7 d", or a plain number of seconds.

    What is no text passes through for pydantic to judge.

    Raises:
        ValueError: no number or no known measure; the text says how to write it.
    """
    if not isinstance(text, str):
        return text
    match = DURATION_PATTERN.fullmatch(text.strip())
    if match is None:
        raise ValueError(f'"{text}" is no duration. Write it as "30 s", "15 min", "2 h" or "7 d".')
    return float(match[1]) * SECONDS_PER[match[2]]


def host_and_port(listen: str) -> tuple[str, int]:
    """Host and port of "127.0.0.1:8460" or "[::1]:8460".

    Raises:
        ValueError: no host, or no port from 0 to 65535 (0: any that is free).
    """
    host, colon, port = listen.rpartition(":")
    bare = host.removeprefix("[").removesuffix("]")
    if not (
        colon and bare and port.isascii() and port.isdigit() and int(port) <= 65_535 and (":" in bare) == (host != bare)
    ):
        raise ValueError(f'"{listen}" is no HOST:PORT. Write it like "127.0.0.1:8460", or "[::1]:8460" for IPv6.')
    return bare, int(port)


def _listen(text: str) -> str:
    host_and_port(text)
    return text


def _web_address(text: str) -> str:
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError(f'"{text}" is no web address. It begins with http:// or https:// and a host.')
    return text


Seconds = Annotated[float, BeforeValidator(duration_s), Field(ge=0, le=SECONDS_MAX)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Broker(_Part):
    """The MQTT broker and how much may be under way."""

    url: str = "mqtt://127.0.0.1:1883"  # mqtt:// or mqtts://
    username: str | None = None
    password: SecretStr | None = None
    ca_file: Path | None = None  # certificates that the broker's own must lead to; None: the machine's
    client_certificate_file: Path | None = None
    client_key_file: Path | None = None
    client_id: str = "stillready"  # names the persistent session: one per running program
    topic_prefix: str = "stillready"
    shared_group: str | None = None  # collectors of one group divide the messages ($share)
    session_expiry: Seconds = 7 * 86_400.0  # how long the broker keeps messages while the program is away
    receive_maximum: int = Field(500, ge=1, le=65_535)  # messages under way before the broker waits for an ack
    batch_messages: int = Field(2_000, ge=1)  # at most this many messages a commit
    reconnect_least: Seconds = 1.0
    reconnect_greatest: Seconds = 60.0
    payload_bytes_max: int = Field(262_144, ge=1)

    @field_validator("url")
    @classmethod
    def _url(cls, text: str) -> str:
        parts = urlsplit(text)
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or parts.path.strip("/") or parts.query:
            raise ValueError(
                f'"{_without_user(text)}" is no broker. Write it like "mqtt://127.0.0.1:1883" or mqtts://….'
            )
        if parts.username is not None:
            raise ValueError("the address holds a user. Give username here and the password in the environment.")
        try:
            _ = parts.port
        except ValueError:
            raise ValueError(f'"{text}" has no port from 0 to 65535. Write it like "mqtt://127.0.0.1:1883".') from None
        return text

    @field_validator("topic_prefix")
    @classmethod
    def _topic_prefix(cls, text: str) -> str:
        if not text or text.strip("/") != text or set("+#$\0") & set(text):
            raise ValueError(f'"{text}" is no topic. Write it like "stillready" or "works/stillready", without + # $.')
        return text

    @field_validator("shared_group")
    @classmethod
    def _shared_group(cls, text: str | None) -> str | None:
        if text is not None and (not text or set("+#/\0") & set(text)):
            raise ValueError(f'"{text}" names no group. Use a word without + # and /.')
        return text


def _without_user(url: str) -> str:
    return re.sub(r"//[^/@]*@", "//…@", url)  # a password in a wrong place shall not be repeated in a log


class Smtp(_Part):
    """The mail server that carries call-outs."""

    host: str = Field(min_length=1)
    port: int = Field(587, ge=1, le=65_535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    username: str | None = None
    password: SecretStr | None = None
    sender: str = "stillready@localhost"  # what stands in From
    timeout: Seconds = 20.0


class Webhook(_Part):
    """One receiver of signed CloudEvents."""

    url: Annotated[str, AfterValidator(_web_address)]
    secret: SecretStr  # "whsec_" and base64, as the Standard Webhooks specification has it
    timeout: Seconds = 10.0
    rings_phone: bool = (
        False  # whether what stands behind it rings a phone or sends a text; `check` asks for one that does
    )


class Recipient(_Part):
    """Who is told by email."""

    name: str
    email: str = Field(pattern=r"^[^@\s]+@[^@\s]+$")


class CallOuts(_Part):
    """How a person is reached."""

    smtp: Smtp | None = None  # None: no emails
    emails: tuple[Recipient, ...] = ()  # who gets every call-out by email
    webhooks: tuple[Webhook, ...] = ()  # receivers of every call-out
    retry_first: Seconds = 5.0  # wait before the second try; it doubles from try to try
    retry_greatest: Seconds = 900.0  # but never grows beyond this
    give_up_after: Seconds = 86_400.0  # then a call-out counts as given up, which shows


class Settings(_Part):
    """All of them."""

    data: Path = Path("stillready-data")  # folder for readings and operations data
    fleet: Path = Path("fleet.toml")  # the fleet file
    limits: Path | None = None  # limits.toml; None: the defaults
    secrets_file: Path | None = (
        None  # passwords and signing secrets, laid out like the settings file; None: environment
    )
    listen: Annotated[str, AfterValidator(_listen)] = "127.0.0.1:8460"  # where API and pages are served
    public_url: Annotated[str, AfterValidator(_web_address)] = (
        "http://127.0.0.1:8460"  # begins the links in messages; where nothing is said, it follows listen
    )
    broker: Broker = Broker()
    call_outs: CallOuts = CallOuts()
    mappings: tuple[MappingRule, ...] = ()  # gateway mappings, beside those of the fleet file
    clock_tolerance: Seconds = 300.0  # how far in the future a stamp may lie
    measures: Literal["si", "us"] = "si"  # what people see; inside and at the doors it is always SI

    @model_validator(mode="before")
    @classmethod
    def _link_to_where_it_listens(cls, content: object) -> object:
        """Without a public_url, links lead to where the pages are served: right on this machine, and in a demo."""
        if isinstance(content, dict) and content.get("public_url") is None and isinstance(content.get("listen"), str):
            with suppress(ValueError):  # the field itself says what is wrong
                host, port = host_and_port(content["listen"])
                host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104  every address, not one
                content = {**content, "public_url": f"http://{f'[{host}]' if ':' in host else host}:{port}"}
        return content

    @property
    def clock_tolerance_ns(self) -> int:
        """As ns."""
        return int(self.clock_tolerance * SECOND_NS)
