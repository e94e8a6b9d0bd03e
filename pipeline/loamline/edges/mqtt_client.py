"""An MQTT client as the daemon uses it, and how long it waits before it tries again."""

from __future__ import annotations

import random
from pathlib import Path

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from structlog.typing import FilteringBoundLogger

from loamline.edges.intake import IntakeError
from loamline.edges.mqtt_window import receive_maximum
from loamline.edges.secret_file import SecretFileError, read_secret
from loamline_schemas.settings import BatchSettings, BrokerSettings

_DAY_S = 86_400
_SHORTEST_S, _LONGEST_S = 1.0, 30.0


class MqttError(IntakeError):
    """The subscription can't be set up; the message says what was expected, what came and what to do."""


class Backoff:
    """Seconds until the next try, doubled from one to the next up to half a minute.

    By chance up to half of it is taken off, so that the many who lost the same broker do not all come back at once.
    """

    def __init__(self) -> None:
        self._most_s = _SHORTEST_S

    def next_s(self) -> float:
        """Return how long to wait now."""
        most_s, self._most_s = self._most_s, min(2 * self._most_s, _LONGEST_S)
        return random.uniform(most_s / 2, most_s)  # noqa: S311 - no secret

    def reset(self) -> None:
        """Begin anew: it worked."""
        self._most_s = _SHORTEST_S


def new_client(broker: BrokerSettings, *, clean_session: bool = False) -> mqtt.Client:
    """Return a client with manual acknowledgement that is not connected. Raises MqttError.

    `clean_session` is for MQTT 3.1.1; in MQTT 5 the connection is told.
    """
    five = broker.protocol == "5"
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client_id,
        clean_session=None if five else clean_session,
        protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
        manual_ack=True,
    )
    if broker.username is not None:
        client.username_pw_set(broker.username, _password(broker))
    if broker.ca_file is not None:
        certificate, key = _text(broker.certificate_file), _text(broker.key_file)
        try:
            client.tls_set(ca_certs=str(broker.ca_file), certfile=certificate, keyfile=key)
        except OSError as problem:
            names = ", ".join(name for name in (str(broker.ca_file), certificate, key) if name)
            raise MqttError(f"expected readable PEM files for TLS, got {problem} from {names}") from problem
    return client


def connect(client: mqtt.Client, broker: BrokerSettings, batch: BatchSettings) -> None:
    """Connect in the background, to a session that stands for days; again whenever the connection is lost."""
    properties = None
    if broker.protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = broker.session_expiry_days * _DAY_S
        properties.ReceiveMaximum = receive_maximum(batch)
    client.connect_async(
        broker.host, broker.port, keepalive=broker.keepalive_s, clean_start=False, properties=properties
    )
    client.loop_start()


def tell_end(log: FilteringBoundLogger, reason: ReasonCode, *, connected: bool) -> None:
    """Log that a connection has ended against our will, and what may be the cause."""
    if connected:
        taken_over = reason.getName() == "Session taken over"
        hint = {"hint": "another client uses this client id; give each daemon its own"} if taken_over else {}
        log.warning("lost connection, connecting again", reason=str(reason), **hint)
    else:
        # A broker that wants a certificate, TLS or another version of MQTT just hangs up.
        hint = {"hint": "check the port, TLS on both sides, the client certificate and the MQTT version"}
        log.warning("broker hung up before it accepted us, trying again", reason=str(reason), **hint)


def _password(broker: BrokerSettings) -> str | None:
    if broker.password_file is not None:
        try:
            return read_secret(broker.password_file)
        except SecretFileError as problem:
            raise MqttError(f"broker {broker.host}:{broker.port}, password_file: {problem}") from None
    return broker.password.get_secret_value() if broker.password else None


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)
