"""A small MQTT publisher that knows what the broker has acknowledged; the demo and the tests speak through it."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, Literal, Self

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode


class PublishError(Exception):
    """A message did not get to the broker; the message says what was expected and what came."""


class Publisher:
    """Publishes with QoS 1, at most `window` messages ahead of the broker's acknowledgements; a context manager.

    Used by one thread. Leaving the context waits until everything is acknowledged.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        protocol: Literal["5", "3.1.1"] = "3.1.1",
        client_id: str = "",
        window: int = 100,
        patience_s: float = 30.0,
    ) -> None:
        self._host, self._port, self._window, self._patience_s = host, port, window, patience_s
        self._changed = threading.Condition()
        self._unacknowledged = 0
        self._welcome: ReasonCode | None = None
        self._refusal: ReasonCode | None = None
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311,
        )
        self._client.suppress_exceptions = True
        self._client.max_inflight_messages_set(window)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish

    def __enter__(self) -> Self:
        try:
            self._client.connect(self._host, self._port, keepalive=30)
        except OSError as problem:
            raise PublishError(
                f"expected an MQTT broker at {self._host}:{self._port}, got {problem}; start it first"
            ) from problem
        self._client.loop_start()
        self._wait(lambda: self._welcome is not None, "the broker to answer our CONNECT")
        if self._welcome is not None and self._welcome.is_failure:
            self._leave()
            raise PublishError(f"expected {self._host}:{self._port} to accept us, got {self._welcome}")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        try:
            if kind is None:
                self.flush()
        finally:
            self._leave()

    def publish(self, topic: str, payload: bytes) -> None:
        """Send a message, after waiting for room in the window. Raises PublishError."""
        self._wait(lambda: self._unacknowledged < self._window, "an acknowledgement")
        with self._changed:
            self._unacknowledged += 1
        told = self._client.publish(topic, payload, qos=1)
        # Without a connection paho keeps the message and sends it on the next one.
        if told.rc not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN):
            raise PublishError(f"expected to publish to {topic}, got {mqtt.error_string(told.rc)}")

    def flush(self) -> None:
        """Wait until the broker has acknowledged everything. Raises PublishError."""
        self._wait(lambda: self._unacknowledged == 0, "the last acknowledgements")

    def _wait(self, done: Callable[[], bool], what: str) -> None:
        until = time.monotonic() + self._patience_s
        with self._changed:
            while not done():
                left = until - time.monotonic()
                if left <= 0:
                    raise PublishError(f"expected {what} within {self._patience_s:g} s, got none")
                self._changed.wait(left)
            if self._refusal is not None:
                raise PublishError(f"expected the broker to take every message, got {self._refusal}")

    def _leave(self) -> None:
        self._client.disconnect()
        # paho forgets its thread an instant before that ends, between its own check and its join.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()

    def _on_connect(self, _client: mqtt.Client, _userdata: Any, _flags: Any, reason: ReasonCode, _props: Any) -> None:
        with self._changed:
            self._welcome = reason
            self._changed.notify_all()

    def _on_publish(self, _client: mqtt.Client, _userdata: Any, _mid: int, reason: ReasonCode, _props: Any) -> None:
        with self._changed:
            self._unacknowledged -= 1
            if reason.is_failure:
                self._refusal = reason
            self._changed.notify_all()
