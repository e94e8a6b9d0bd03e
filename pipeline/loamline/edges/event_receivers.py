"""Receivers of events and of feeds: a webhook that is posted to, and an MQTT topic. One at a time, by one thread.

By default CloudEvents 1.0 in structured mode: the whole event is the body, as application/cloudevents+json. A post
carries the Standard Webhooks headers, signed anew on each attempt where there is a secret; `webhook-id` is the event's
id and stays the same, so that a receiver can tell what it has already. Redirects are not followed: a signed body goes
nowhere else.
"""

from __future__ import annotations

import contextlib
import http.client
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from threading import Event
from typing import Any, Protocol
from urllib.parse import urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from loamline.core.cloud_events import MEDIA_TYPE
from loamline.edges.webhook_signature import sign

#: Of an answer's body, no more than this is read before the connection is used again.
_MOST_ANSWER_BYTES = 64 * 1024
#: These mean that the receiver is not well; any other refusal is about this event.
_AWAY = frozenset({401, 403, 404, 407, 408, 410, 425, 429})
_LONGEST_ASKED_S = 3600.0


class AwayError(Exception):
    """The receiver took nothing; it may take the same event later. `after_s`: not sooner, as it asked."""

    def __init__(self, sentence: str, after_s: float = 0.0) -> None:
        super().__init__(sentence)
        self.after_s = after_s


class RefusedError(Exception):
    """The receiver is well, but does not take this event; others it may."""


class Receiver(Protocol):
    """Where events go."""

    name: str

    def send(self, event_id: str, body: bytes) -> None:
        """Return once the event is taken. Raises AwayError or RefusedError."""

    def close(self) -> None:
        """Leave."""


class WebhookReceiver:
    """Posts to `url`, over one connection as long as that lasts; a 2xx answer means taken."""

    def __init__(
        self,
        url: str,
        *,
        secret: str | None,
        timeout_s: float,
        clock: Callable[[], float],
        media_type: str = MEDIA_TYPE,
    ) -> None:
        parts = urlsplit(url)
        self._host, self._tls, self._port = str(parts.hostname), parts.scheme == "https", parts.port
        self._target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        # A query may hold a key.
        self.name = f"{parts.scheme}://{parts.netloc}{parts.path}"
        self._secret, self._timeout_s, self._clock, self._media_type = secret, timeout_s, clock, media_type
        self._connection: http.client.HTTPConnection | None = None

    def send(self, event_id: str, body: bytes) -> None:
        """Return once the answer is 2xx. Raises AwayError or RefusedError."""
        at = int(self._clock())
        headers = {"content-type": self._media_type, "webhook-id": event_id, "webhook-timestamp": str(at)}
        if self._secret is not None:
            headers["webhook-signature"] = sign(self._secret, event_id, at, body)
        reused = self._connection is not None
        try:
            status, after = self._post(body, headers)
        except (OSError, http.client.HTTPException) as problem:
            self.close()
            if not reused or isinstance(problem, TimeoutError):
                raise AwayError(f"expected {self.name} to answer, got {_told(problem)}") from None
            # An idle connection may be closed by the other side at any time; that is no failure yet.
            try:
                status, after = self._post(body, headers)
            except (OSError, http.client.HTTPException) as again:
                self.close()
                raise AwayError(f"expected {self.name} to answer, got {_told(again)}") from None
        if 200 <= status < 300:
            return
        sentence = f"expected {self.name} to answer 2xx, got {status}"
        if 400 <= status < 500 and status not in _AWAY:
            raise RefusedError(sentence)
        raise AwayError(sentence, _seconds(after, self._clock()))

    def close(self) -> None:
        """Hang up."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _post(self, body: bytes, headers: dict[str, str]) -> tuple[int, str | None]:
        if self._connection is None:
            self._connection = self._connect()
        self._connection.request("POST", self._target, body, headers)
        answer = self._connection.getresponse()
        answer.read(_MOST_ANSWER_BYTES)
        if answer.will_close or not answer.isclosed():
            self.close()
        return answer.status, answer.headers.get("retry-after")

    def _connect(self) -> http.client.HTTPConnection:
        if self._tls:
            context = ssl.create_default_context()
            return http.client.HTTPSConnection(self._host, self._port, timeout=self._timeout_s, context=context)
        return http.client.HTTPConnection(self._host, self._port, timeout=self._timeout_s)


@dataclass(frozen=True)
class BrokerAccess:
    """How to come in at a broker; `ca_file` turns TLS on."""

    host: str
    port: int
    client_id: str
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None


class TopicReceiver:
    """Publishes to one topic with QoS 1 over MQTT 5; the broker's acknowledgement means taken."""

    def __init__(self, access: BrokerAccess, topic: str, *, timeout_s: float, media_type: str = MEDIA_TYPE) -> None:
        self._access, self._topic, self._timeout_s, self._media_type = access, topic, timeout_s, media_type
        self.name = f"mqtt {access.host}:{access.port} {topic}"
        self._client: mqtt.Client | None = None

    def send(self, event_id: str, body: bytes) -> None:
        """Return once the broker has acknowledged it. Raises AwayError."""
        try:
            if self._client is None:
                self._client = self._connect()
            self._publish(self._client, body)
        except (OSError, ValueError, RuntimeError) as problem:
            self.close()
            raise AwayError(f"expected {self.name} to take {event_id}, got {_told(problem)}") from None

    def close(self) -> None:
        """Leave; what is not acknowledged is forgotten here, and sent again from the outbox."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            with contextlib.suppress(AttributeError):  # paho forgets its thread an instant before that ends
                client.loop_stop()

    def _publish(self, client: mqtt.Client, body: bytes) -> None:
        answered, told = Event(), []

        def on_publish(_client: mqtt.Client, _userdata: Any, mid: int, reason: Any, _properties: Any) -> None:
            told.append((mid, reason))
            answered.set()

        client.on_publish = on_publish
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = self._media_type
        properties.PayloadFormatIndicator = 1
        sent = client.publish(self._topic, body, qos=1, properties=properties)
        if sent.rc != mqtt.MQTT_ERR_SUCCESS:
            raise OSError(mqtt.error_string(sent.rc))
        if not answered.wait(self._timeout_s):
            raise TimeoutError
        for mid, reason in told:
            if mid == sent.mid and reason.is_failure:
                raise OSError(str(reason))

    def _connect(self) -> mqtt.Client:
        access, welcome = self._access, Event()
        said: list[Any] = []
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=access.client_id, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        client.suppress_exceptions = True
        client.connect_timeout = self._timeout_s

        def on_connect(_client: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
            said.append(reason)
            welcome.set()

        client.on_connect = on_connect
        if access.username is not None:
            client.username_pw_set(access.username, access.password)
        if access.ca_file is not None:
            client.tls_set(
                str(access.ca_file),
                None if access.certificate_file is None else str(access.certificate_file),
                None if access.key_file is None else str(access.key_file),
            )
        client.connect(access.host, access.port, keepalive=60)
        client.loop_start()
        if not welcome.wait(self._timeout_s) or said[0].is_failure:
            client.disconnect()
            with contextlib.suppress(AttributeError):
                client.loop_stop()
            raise OSError(str(said[0]) if said else "no answer to our CONNECT")
        return client


def _told(problem: Exception) -> str:
    if isinstance(problem, TimeoutError):
        return "no answer in time"
    return str(problem).splitlines()[0] if str(problem) else type(problem).__name__


def _seconds(retry_after: str | None, now_s: float) -> float:
    """Return what Retry-After asks for (RFC 9110, 10.2.3): seconds or a date; 0 where it says nothing of use."""
    if retry_after is None:
        return 0.0
    try:
        asked = float(retry_after) if retry_after.strip().isdigit() else (
            parsedate_to_datetime(retry_after).timestamp() - now_s
        )  # fmt: skip
    except (ValueError, TypeError, OverflowError):
        return 0.0
    return min(max(asked, 0.0), _LONGEST_ASKED_S)
