"""Every setting, in one place: name, measure, default, meaning.

In: settings.toml, STILLREADY_… environment variables, command-line arguments; the strongest last. Out: one frozen
object, checked. May import: monitor.times, pydantic. Reads the settings file and the environment, nothing else.
"""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr

from monitor.times import SECOND_NS


def duration_s(text: object) -> object:
    """Seconds of a duration as people write it: "15 min", "30 s", "2 h", "7 d", or a plain number of seconds.

    What is no text passes through for pydantic to judge.

    Raises:
        ValueError: no number or no known measure; the text says how to write it.
    """
    if not isinstance(text, str):
        return text
    number, _, measure = text.strip().partition(" ")
    per = {"": 1.0, "ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
    try:
        return float(number) * per[measure.strip()]
    except (ValueError, KeyError):
        raise ValueError(f'"{text}" is no duration. Write it as "30 s", "15 min", "2 h" or "7 d".') from None


Seconds = Annotated[float, BeforeValidator(duration_s), Field(ge=0)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class MappingRule(_Part):
    """One gateway mapping: topics that carry one plain number each."""

    topic: str
    signal: str | None = None  # not needed where {signal} stands in the topic
    unit: str | None = None  # not needed where {unit} stands in the topic
    from_: str | None = Field(None, alias="from")  # symbol of what comes; None: the signal's own
    factor: float = 1.0
    offset: float = 0.0


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


class Smtp(_Part):
    """The mail server that carries call-outs."""

    host: str
    port: int = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    username: str | None = None
    password: SecretStr | None = None
    sender: str = "stillready@localhost"
    timeout: Seconds = 20.0


class Webhook(_Part):
    """One receiver of signed CloudEvents."""

    url: str
    secret: SecretStr  # "whsec_" and base64, as the Standard Webhooks specification has it
    timeout: Seconds = 10.0


class Recipient(_Part):
    """Who is told by email."""

    name: str
    email: str


class CallOuts(_Part):
    """How a person is reached."""

    smtp: Smtp | None = None
    emails: tuple[Recipient, ...] = ()
    webhooks: tuple[Webhook, ...] = ()
    retry_first: Seconds = 5.0
    retry_greatest: Seconds = 900.0
    give_up_after: Seconds = 86_400.0


class Settings(_Part):
    """All of them."""

    data: Path = Path("stillready-data")
    fleet: Path = Path("fleet.toml")
    limits: Path | None = None  # limits.toml; None: the defaults
    listen: str = "127.0.0.1:8460"
    public_url: str = "http://127.0.0.1:8460"
    broker: Broker = Broker()
    call_outs: CallOuts = CallOuts()
    mappings: tuple[MappingRule, ...] = ()
    clock_tolerance: Seconds = 300.0  # how far in the future a stamp may lie
    measures: Literal["si", "us"] = "si"  # what people see; inside and at the doors it is always SI

    @property
    def clock_tolerance_ns(self) -> int:
        """As ns."""
        return int(self.clock_tolerance * SECOND_NS)
