"""A client that asks a broker one thing after the other and waits for each answer; `broker_check` asks by it."""

from __future__ import annotations

import contextlib
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from paho.mqtt import client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from loamline.edges.mqtt_client import new_client
from loamline_schemas.settings import BrokerSettings

#: For one answer, seconds.
PATIENCE_S = 5.0
_WINDOW = 100


class ProbeError(Exception):
    """The broker gave no answer, or refused; the message says which."""


@dataclass(frozen=True)
class Welcome:
    """The broker's CONNACK: whether it has a session of ours, and of MQTT 5 what it grants."""

    session_present: bool
    granted: dict[str, Any]


class Probe:
    """One connection; a context manager, which leaves no session behind unless `keep` is set.

    `expiry_s`: of the session asked for (MQTT 5), or any but 0 for a session that stands (3.1.1). Without
    `acknowledge`, what comes stays with the broker, for whose session this is.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        client_id: str,
        *,
        clean: bool = True,
        expiry_s: int = 0,
        acknowledge: bool = True,
    ) -> None:
        self._broker, self._clean, self._expiry_s, self._acknowledge = broker, clean, expiry_s, acknowledge
        self._five = broker.protocol == "5"
        self.keep = False
        self.heard: list[tuple[str, bytes]] = []
        self._changed = threading.Condition()
        self._welcome: tuple[mqtt.ConnectFlags, ReasonCode, Properties | None] | None = None
        self._hung_up: str | None = None
        self._granted: list[ReasonCode] = []
        self._published: dict[int, ReasonCode] = {}
        told = broker.model_copy(update={"client_id": client_id})
        # In MQTT 3.1.1 the session goes when the connection does, unless it is to stand.
        client = self._client = new_client(told, clean_session=clean and not expiry_s)
        client.suppress_exceptions = True
        client.max_inflight_messages_set(_WINDOW)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._five and not self.keep:
            properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0
            self._client.disconnect(properties=properties)
        else:
            self._client.disconnect()
        # paho forgets its thread an instant before that ends, between its own check and its join.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()

    def connect(self) -> Welcome:
        """Connect; return what the broker says. Raises ProbeError, also where it refuses, with its reason."""
        properties = None
        if self._five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = self._expiry_s
        broker = self._broker
        clean = self._clean if self._five else mqtt.MQTT_CLEAN_START_FIRST_ONLY
        try:
            self._client.connect(broker.host, broker.port, broker.keepalive_s, clean_start=clean, properties=properties)
        except OSError as problem:
            raise ProbeError(str(problem)) from problem
        self._client.loop_start()
        self._wait(lambda: self._welcome is not None or self._hung_up is not None, "an answer to CONNECT")
        if self._welcome is None:
            raise ProbeError("it hung up in place of an answer to CONNECT")
        flags, reason, told = self._welcome
        if reason.is_failure:
            raise ProbeError(str(reason))
        granted = {} if told is None else told.json()  # type: ignore[no-untyped-call]
        return Welcome(flags.session_present, granted)

    def subscribe(self, filters: list[str], qos: int = 1) -> list[int]:
        """Subscribe; return the reason code of each: the QoS granted, or 128 and above."""
        self._granted = []
        self._client.subscribe([(topic, qos) for topic in filters])
        self._wait(lambda: bool(self._granted), "an answer to SUBSCRIBE")
        return [reason.value for reason in self._granted]

    def publish(self, messages: list[tuple[str, bytes]], patience_s: float = PATIENCE_S) -> list[int]:
        """Publish with QoS 1; return the reason code of each PUBACK. In MQTT 3.1.1 that is always 0."""
        numbers = [self._client.publish(topic, payload, qos=1).mid for topic, payload in messages]
        self._wait(lambda: all(number in self._published for number in numbers), "an answer to PUBLISH", patience_s)
        return [self._published[number].value for number in numbers]

    def wait_for(self, done: Callable[[], bool], patience_s: float = PATIENCE_S) -> bool:
        """Wait until `done()` of what was heard; return whether it came to that."""
        until = time.monotonic() + patience_s
        with self._changed:
            while not done():
                left = until - time.monotonic()
                if left <= 0 or self._hung_up is not None:
                    return done()
                self._changed.wait(left)
        return True

    def _wait(self, done: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
        if not self.wait_for(done, patience_s):
            if self._hung_up is not None:
                raise ProbeError(f"it hung up in place of {what}: {self._hung_up}")
            raise ProbeError(f"no sign of {what} within {patience_s:g} s")

    # Network thread ----------------------------------------------------------------------------------

    def _tell(self) -> None:
        with self._changed:
            self._changed.notify_all()

    def _on_connect(self, _client: Any, _userdata: Any, flags: Any, reason: ReasonCode, told: Any) -> None:
        self._welcome = (flags, reason, told)
        self._tell()

    def _on_disconnect(self, client: mqtt.Client, _userdata: Any, _flags: Any, reason: ReasonCode, _told: Any) -> None:
        self._hung_up = str(reason)
        client.disconnect()  # or paho would try again for ever
        self._tell()

    def _on_subscribe(self, _client: Any, _userdata: Any, _mid: int, reasons: list[ReasonCode], _told: Any) -> None:
        self._granted = reasons
        self._tell()

    def _on_publish(self, _client: Any, _userdata: Any, mid: int, reason: ReasonCode, _told: Any) -> None:
        self._published[mid] = reason
        self._tell()

    def _on_message(self, client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        with contextlib.suppress(UnicodeDecodeError):
            self.heard.append((message.topic, bytes(message.payload)))
        if self._acknowledge:
            client.ack(message.mid, message.qos)
        self._tell()


def a_client_id(broker: BrokerSettings) -> str:
    """Return a client id of our own, so that nobody who is connected is hung up on."""
    return f"{broker.client_id[:40]}-doctor-{secrets.token_hex(4)}"
