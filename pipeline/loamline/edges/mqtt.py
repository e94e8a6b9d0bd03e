"""The way in over MQTT: a subscription that outlives the process, acknowledged only for what is stored.

paho's network thread does nothing but enqueue. One other thread takes batches (`Subscriber.receive`, or that of an
`Intake` where there are several ways in), stores them, then calls `Subscriber.acknowledge`. Whatever is not
acknowledged stays with the broker, which delivers it again on the next connection; so a message may come twice, and
only the writer tells duplicates (the DUP flag proves nothing).
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, ParamSpec

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions
from structlog.typing import FilteringBoundLogger

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.inbox import QUEUE_BYTES, Delivery, Inbox
from loamline.edges.intake import IntakeError
from loamline.edges.mqtt_window import receive_maximum, window
from loamline.edges.secret_file import SecretFileError, read_secret
from loamline_schemas.settings import BatchSettings, BrokerSettings

_DAY_S = 86_400
_FAREWELL_S = 5.0

_Arguments = ParamSpec("_Arguments")


class MqttError(IntakeError):
    """The subscription can't be set up; the message says what was expected, what came and what to do."""


class Subscriber:
    """One durable MQTT subscription with manual acknowledgement, whose messages `reader` reads.

    `receive` and `acknowledge` belong to one thread. `inbox` is the queue that it shares with other ways in; without
    one it makes its own, of at most `queue_bytes`. `longest_wait_s` is how long the network thread may wait for room
    before it hangs up on purpose; the default, half the keepalive, stays clear of the broker's own patience of one
    and a half.
    """

    def __init__(
        self,
        *,
        broker: BrokerSettings,
        batch: BatchSettings,
        log: FilteringBoundLogger,
        inbox: Inbox | None = None,
        reader: EnvelopeReader = read_message,
        queue_bytes: int = QUEUE_BYTES,
        longest_wait_s: float | None = None,
    ) -> None:
        self.name = broker.name
        self._broker, self._batch = broker, batch
        self._log = log.bind(broker=f"{broker.host}:{broker.port}")
        self._longest_wait_s = broker.keepalive_s / 2 if longest_wait_s is None else longest_wait_s
        self._reader = reader
        if inbox is None:
            inbox = Inbox(
                messages=batch.queue_messages,
                size_bytes=queue_bytes,
                ripe=batch.messages,
                windows={self.name: window(broker, batch)},
            )
        self._inbox = inbox
        # Counts connections and their ends. Packet ids start anew when the broker lost the session, so an
        # acknowledgement of an earlier connection could acknowledge a message that was never stored.
        self._generation = 0
        self._acknowledging = threading.RLock()
        self._gone = threading.Event()
        self._connected = self._subscribed = self._refused = False
        self._met_before = self._paused = self._closing = False
        self._client: mqtt.Client | None = None

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._connected

    @property
    def subscribed(self) -> bool:
        """Whether the broker has granted a topic filter on the connection that stands."""
        return self._subscribed

    def start(self) -> None:
        """Connect in the background, and again whenever the connection is lost. Raises MqttError."""
        self._gone.clear()
        self._paused = False
        client = self._client = self._new_client()
        properties = None
        if self._broker.protocol == "5":
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = self._broker.session_expiry_days * _DAY_S
            properties.ReceiveMaximum = receive_maximum(self._batch)
        client.connect_async(
            self._broker.host,
            self._broker.port,
            keepalive=self._broker.keepalive_s,
            clean_start=False,
            properties=properties,
        )
        client.loop_start()

    def receive(self, wait_s: float) -> list[Delivery]:
        """Return the next batch where this is the only way in: see `Intake.receive`."""
        self.tend()
        linger_s = self._batch.milliseconds / 1000
        return self._inbox.take(most=self._batch.messages, wait_s=wait_s, linger_s=linger_s)

    def tend(self) -> None:
        """Connect again after the queue was full, once nothing from here waits in it."""
        if self._paused and self._gone.is_set() and not self._inbox.holds(self.name) and not self._inbox.closed:
            self._log.info("queue drained, connecting again")
            self.start()

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored; return how many acknowledgements were handed to the connection.

        Those of an earlier connection are not sent: the broker delivers these messages again.
        """
        sent = 0
        with self._acknowledging:
            for delivery in deliveries:
                if self._client is not None and delivery.qos == 1 and delivery.generation == self._generation:
                    self._client.ack(delivery.mid, delivery.qos)
                    sent += 1
        return sent

    def stop_intake(self) -> None:
        """Take nothing more; what is queued can still be received. Safe in a signal handler."""
        self._inbox.closed = True

    def close(self) -> None:
        """Send what acknowledgements are left, say goodbye and let the session stand at the broker."""
        self.stop_intake()
        if self._client is None:
            return
        self._closing = True
        if self._client.disconnect() == mqtt.MQTT_ERR_SUCCESS and not self._gone.wait(_FAREWELL_S):
            self._log.warning("the broker did not let us say goodbye; what was not acknowledged comes again")
            return
        # paho forgets its thread an instant before that ends, between its own check and its join.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()
        self._client = None

    def _new_client(self) -> mqtt.Client:
        broker = self._broker
        five = broker.protocol == "5"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if five else False,
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
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.on_connect = self._guarded(self._on_connect)
        client.on_connect_fail = self._guarded(self._on_connect_fail)
        client.on_pre_connect = self._guarded(self._on_pre_connect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_message = self._guarded(self._on_message)
        client.on_disconnect = self._guarded(self._on_disconnect)
        return client

    # Network thread ----------------------------------------------------------------------------------

    def _guarded(self, callback: Callable[_Arguments, None]) -> Callable[_Arguments, None]:
        """Return a callback that raises nothing: that would end the network thread while is_connected() stays true."""

        def call(*args: _Arguments.args, **kwargs: _Arguments.kwargs) -> None:
            try:
                callback(*args, **kwargs)
            except Exception as problem:  # noqa: BLE001 - what it was about stays unacknowledged and comes again
                self._log.error("defect in a callback, please report this", reason=repr(problem))

        return call

    def _next_generation(self) -> None:
        with self._acknowledging:
            self._generation += 1

    def _on_pre_connect(self, _client: mqtt.Client, _userdata: Any) -> None:
        self._next_generation()

    def _on_connect(
        self, client: mqtt.Client, _userdata: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, _props: Any
    ) -> None:
        self._next_generation()
        self._refused = reason.is_failure
        if self._refused:
            self._log.error("broker refused us", reason=str(reason), hint="check username, password and protocol")
            return
        self._gone.clear()
        self._connected = True
        session = "resumed" if flags.session_present else "new"
        self._log.info("connected", session=session, client_id=self._broker.client_id, protocol=self._broker.protocol)
        if self._met_before and not flags.session_present:
            self._log.warning("the broker lost our session and the messages in it", hint="turn its persistence on")
        self._met_before = True
        if self._broker.protocol == "5":
            # A retained message would come again with each subscription.
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(topic, options) for topic in self._broker.topics])
        else:
            # QoS 1 even if published with 2: QoS 2 loses messages when a consumer dies (it is acknowledged on arrival).
            client.subscribe([(topic, 1) for topic in self._broker.topics])

    def _on_connect_fail(self, _client: mqtt.Client, _userdata: Any) -> None:
        # paho calls this while it handles the error, and hands it to nobody.
        self._log.warning("broker unreachable, trying again", reason=str(sys.exception()))

    def _on_subscribe(
        self, _client: mqtt.Client, _userdata: Any, _mid: int, reasons: list[ReasonCode], _props: Any
    ) -> None:
        for topic, reason in zip(self._broker.topics, reasons, strict=False):
            if reason.is_failure:
                self._log.error("broker refused the subscription", topic=topic, reason=str(reason))
            elif reason.value == 0:
                self._log.error("expected QoS 1, the broker grants QoS 0: messages can get lost", topic=topic)
            else:
                self._subscribed = True
                self._log.info("subscribed", topic=topic, qos=reason.value)

    def _on_message(self, client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        if self._paused:
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        delivery = Delivery(
            self._generation, message.mid, message.qos, topic, bytes(message.payload), self.name, self._reader
        )
        if self._inbox.put(delivery, self._longest_wait_s) or self._inbox.closed:
            return
        # Waiting longer would let the keepalive lapse. The rest stays at the broker until the queue is drained.
        self._paused = True
        self._log.warning("queue full, hanging up until it is drained", queued=len(self._inbox))
        client.disconnect()

    def _on_disconnect(
        self, _client: mqtt.Client, _userdata: Any, _flags: mqtt.DisconnectFlags, reason: ReasonCode, _props: Any
    ) -> None:
        self._next_generation()
        meant = self._paused or self._closing
        if self._connected and not meant:
            taken_over = reason.getName() == "Session taken over"
            hint = {"hint": "another client uses this client id; give each daemon its own"} if taken_over else {}
            self._log.warning("lost connection, connecting again", reason=str(reason), **hint)
        elif not (meant or self._refused):
            # A broker that wants a certificate, TLS or another version of MQTT just hangs up.
            hint = {"hint": "check the port, TLS on both sides, the client certificate and the MQTT version"}
            self._log.warning("broker hung up before it accepted us, trying again", reason=str(reason), **hint)
        self._connected = self._subscribed = False
        self._gone.set()


def _password(broker: BrokerSettings) -> str | None:
    if broker.password_file is not None:
        try:
            return read_secret(broker.password_file)
        except SecretFileError as problem:
            raise MqttError(f"broker {broker.host}:{broker.port}, password_file: {problem}") from None
    return broker.password.get_secret_value() if broker.password else None


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)
