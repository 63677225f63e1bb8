"""The connection to the broker: persistent session, manual acknowledgement, again and again until told to stop.

In: messages of the broker, MQTT 5. Out: each handed to `deliver` on the network thread, with the means to acknowledge
it. May import: paho, monitor.acquisition.traffic, monitor.settings. Touches the network and the certificate files of
the settings.

Each connection has a paho client of its own. A message id means something on its connection only: an acknowledgement
that comes after a reconnect goes to a client that is gone, and can never be taken for another message's.
"""

import logging
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from threading import Event, Thread
from urllib.parse import urlsplit

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.acquisition.traffic import Came, QuickClient, Traffic
from monitor.settings import Broker

log = logging.getLogger(__name__)

KEEPALIVE_S = 30  # a dead network is noticed after one and a half of it
RECONNECT_S_MIN = 0.05  # whatever the setting says: a refused connect returns at once
STOP_S = 10.0  # how long a stop waits for the network thread: a connect in progress may take 5 s
PORTS = {"mqtt": 1883, "mqtts": 8883}
SESSION_EXPIRY_S_MAX = 0xFFFF_FFFF  # MQTT 5.0 section 3.1.2.11.2: it means 'never'


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is."""

    host: str
    port: int
    is_tls: bool


def address(url: str) -> Address:
    """Where a broker is by its URL, which the settings have checked; port 1883, or 8883 with TLS, where it has none."""
    parts = urlsplit(url)
    return Address(parts.hostname or "", parts.port or PORTS[parts.scheme], parts.scheme == "mqtts")


def tls_context(broker: Broker) -> ssl.SSLContext:
    """TLS as the settings have it: the broker must prove its name, we show our certificate where there is one.

    Raises:
        ValueError: a file that cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
        if broker.client_certificate_file is not None:
            context.load_cert_chain(broker.client_certificate_file, broker.client_key_file)
    except OSError as error:  # ssl.SSLError is one
        files = (broker.ca_file, broker.client_certificate_file, broker.client_key_file)
        named = ", ".join(str(file) for file in files if file is not None)
        raise ValueError(f"The broker's certificates cannot be used ({error}). Check the files {named}.") from None
    return context


class Connection:
    """Keeps one session with the broker alive."""

    def __init__(
        self,
        broker: Broker,
        *,
        filters: Callable[[], Sequence[str]],
        deliver: Callable[[Came, Callable[[], None]], None],
        up: Callable[[bool], None],
        down: Callable[[str], None],
    ) -> None:
        """Prepare; `start` connects.

        Args:
            filters: what to subscribe to, asked at each connect.
            deliver: takes a message and the means to acknowledge it. It may wait: nothing is read meanwhile, the
                broker has to hold what follows, and at worst it drops a connection that is silent for too long.
            up: subscribed; told whether the broker still knew the session. down: not connected, and why.
        Raises:
            ValueError: a certificate that cannot be used.
        """
        self._broker = broker
        self._address = address(broker.url)
        self._tls = tls_context(broker) if self._address.is_tls else None
        self._filters = filters
        self._deliver = deliver
        self._up = up
        self._down = down
        self._stopping = Event()
        self._traffic: Traffic | None = None
        self._is_up = False
        self._error = ""
        self._session_known = False
        self._thread = Thread(target=self._run, name="broker connection", daemon=True)

    def start(self) -> None:
        """Begin; a broker that cannot be reached is tried again for ever."""
        self._thread.start()

    def stop(self) -> None:
        """Send what waits to be sent, disconnect, end."""
        self._stopping.set()
        traffic = self._traffic
        if traffic is not None:
            traffic.wake()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        least_s = max(self._broker.reconnect_least, RECONNECT_S_MIN)
        wait_s = least_s
        while not self._stopping.is_set():
            was_up = self._one_connection()
            wait_s = least_s if was_up else wait_s
            self._stopping.wait(wait_s)
            wait_s = max(least_s, min(wait_s * 2, self._broker.reconnect_greatest))

    def _one_connection(self) -> bool:
        """Connect and serve until the connection is lost; whether it was up at all."""
        self._is_up, self._error = False, ""
        client = self._new_client(lambda came: self._take(traffic, came))
        traffic = self._traffic = Traffic(client)

        def check() -> None:
            if self._error or self._stopping.is_set():
                client.disconnect()

        try:
            client.connect(
                self._address.host,
                self._address.port,
                KEEPALIVE_S,
                clean_start=False,
                properties=self._connect_properties(),
            )
            traffic.serve(check)
        except Exception as error:  # a broker that breaks the protocol must not end this thread
            if not isinstance(error, OSError):
                log.exception("The broker's answer could not be understood")
            self._error = f"{error}" or type(error).__name__
        finally:
            traffic.close()
        was_up, self._is_up = self._is_up, False
        where = f"{self._address.host}:{self._address.port}"
        self._down(f"No connection to the broker at {where}: {self._error or 'it was closed'}")
        return was_up

    def _new_client(self, take: Callable[[Came], None]) -> QuickClient:
        broker = self._broker
        client = QuickClient(broker.client_id, take)
        if broker.username is not None:
            client.username_pw_set(
                broker.username, broker.password.get_secret_value() if broker.password is not None else None
            )
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        # With it set, a thread that acknowledges only queues: the network thread alone writes, or packets would mix.
        client.on_socket_register_write = lambda *_: None
        return client

    def _connect_properties(self) -> Properties:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.SessionExpiryInterval = min(int(self._broker.session_expiry), SESSION_EXPIRY_S_MAX)
        properties.ReceiveMaximum = self._broker.receive_maximum
        return properties

    def _on_connect(
        self, client: Client, _userdata: object, flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._error = f"the broker refused: {reason}. Check user name, password and client_id."
            return
        self._session_known = flags.session_present
        # Again at each connect, though the session remembers: it may be gone, and link states are sent anew only so.
        client.subscribe([(name, SubscribeOptions(qos=1)) for name in self._filters()])

    def _on_subscribe(
        self, _client: Client, _userdata: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        refused = [
            f"{name} ({reason})" for name, reason in zip(self._filters(), reasons, strict=False) if reason.is_failure
        ]
        if refused:
            self._error = f"the broker refused the subscription {', '.join(refused)}. Allow it there."
            return
        self._is_up = True
        self._up(self._session_known)

    def _take(self, traffic: Traffic, came: Came) -> None:
        """An exception out of here would end the network thread."""
        traffic.delivered += 1
        try:
            self._deliver(came, partial(traffic.acknowledge, came.mid))
        except Exception:
            log.exception("A message could not be queued; the broker will send it again")
            self._error = "a message could not be queued. Please report it."
