"""The way in over MQTT: a subscription that outlives the process, acknowledged only for what is stored.

paho's network thread does nothing but enqueue. One other thread takes batches (`Subscriber.receive`, or that of an
`Intake` where there are several ways in), stores them, then calls `Subscriber.acknowledge`. Whatever is not
acknowledged stays with the broker, which delivers it again on the next connection; so a message may come twice, and
only the writer tells duplicates (the DUP flag proves nothing).

A connection that only looks alive is found by the canary (`mqtt_canary`) and by a look at paho's thread.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Concatenate, ParamSpec

from paho.mqtt import client as mqtt
from paho.mqtt.reasoncodes import ReasonCode
from structlog.typing import FilteringBoundLogger

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.inbox import QUEUE_BYTES, Delivery, Inbox
from loamline.edges.mqtt_canary import Canary, no_uplinks
from loamline.edges.mqtt_client import Backoff, MqttError, connect, new_client, tell_end
from loamline.edges.mqtt_filters import KnownFilters
from loamline.edges.mqtt_subscription import Subscription
from loamline.edges.mqtt_window import window
from loamline_schemas.settings import BatchSettings, BrokerSettings

__all__ = ["MqttError", "Subscriber"]

_FAREWELL_S = 3.0

_Arguments = ParamSpec("_Arguments")


class Subscriber:
    """One durable MQTT subscription with manual acknowledgement, whose messages `reader` reads.

    `receive` and `acknowledge` belong to one thread. `inbox` is the queue that it shares with other ways in; without
    one it makes its own, of at most `queue_bytes`. `longest_wait_s` is how long the network thread may wait for room
    before it hangs up on purpose; the default, half the keepalive, stays clear of the broker's own patience of one
    and a half. `filters` remembers what the session was subscribed to, so that what is no longer told is unsubscribed.
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
        canary: Canary | None = None,
        filters: KnownFilters | None = None,
    ) -> None:
        self.name = broker.name
        self._broker, self._batch = broker, batch
        self._log = log.bind(broker=f"{broker.host}:{broker.port}")
        self._longest_wait_s = broker.keepalive_s / 2 if longest_wait_s is None else longest_wait_s
        self._reader = reader
        own = {"messages": batch.queue_messages, "size_bytes": queue_bytes, "ripe": batch.messages}
        self._inbox = Inbox(**own, windows={self.name: window(broker, batch)}) if inbox is None else inbox
        # Counts connections and their ends. Packet ids start anew when the broker lost the session, so an
        # acknowledgement of an earlier connection could acknowledge a message that was never stored.
        self._generation = 0
        self._acknowledging = threading.RLock()
        self._gone = threading.Event()
        self._unacknowledged = 0
        self.canary = canary
        self._subscription = Subscription(broker, canary, filters, self._log)
        self._backoff = Backoff()
        self._connected = self._refused = False
        self._met_before = self._closing = False
        # While it stands, we have hung up on purpose, until `tend` connects again; it then says so in these words.
        self._paused: str | None = None
        self._paused_at_s = self._again_at_s = 0.0
        self._client: mqtt.Client | None = None
        self._network_thread: threading.Thread | None = None

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and the connection stands."""
        return self._connected

    @property
    def subscribed(self) -> bool:
        """Whether the broker has granted a topic filter on the connection that stands."""
        return self._subscription.granted

    def state(self) -> dict[str, Any]:
        """Return how the subscription is."""
        return {
            "kind": "mqtt",
            "open": self._connected and self.subscribed and not (self.canary is not None and self.canary.missing),
            "connected": self._connected,
            "subscribed": self.subscribed,
            "topics": list(self._broker.topics),
            "hung_up_on_purpose": self._paused is not None,
            "canary": None if self.canary is None else self.canary.state(),
        }

    def start(self) -> None:
        """Connect in the background, and again whenever the connection is lost. Raises MqttError."""
        self._gone.clear()
        self._paused = self._network_thread = None
        self._next_generation()
        self._client = self._with_callbacks(new_client(self._broker))
        connect(self._client, self._broker, self._batch)

    def receive(self, wait_s: float) -> list[Delivery]:
        """Return the next batch where this is the only way in: see `Intake.receive`."""
        self.tend()
        linger_s = self._batch.milliseconds / 1000
        return self._inbox.take(most=self._batch.messages, wait_s=wait_s, linger_s=linger_s)

    def tend(self) -> None:
        """Connect again where we hung up on purpose, once nothing from here waits; see that the way in is open."""
        if self._inbox.closed or self._client is None:
            return
        if self._paused is not None:
            self._come_back(self._paused)
        elif self._network_thread is not None and not self._network_thread.is_alive():
            # paho's is_connected() would stay true. What raised is told by Python itself, on standard error.
            self._log.error("network thread ended, please report this")
            self._hang_up("connecting again after the network thread ended", wait_s=self._backoff.next_s())
            self._gone.set()
        elif self.canary is not None and (waited_s := self.canary.overdue(self._unacknowledged)) is not None:
            hint = f"does the broker let {self._broker.client_id} publish and subscribe to {self.canary.topic}?"
            self._log.error("canary not back, connecting again", waited_s=round(waited_s, 3), hint=hint)
            self._hang_up("connecting again")
        elif self._connected:
            self._subscription.fly(self._client)

    def hold(self) -> None:
        """Hang up, and stay away until `tend` is called: nothing more can be stored."""
        if self._client is not None and self._paused is None and not self._inbox.closed:
            self._log.warning("hanging up until there is room on the disk")
            self._hang_up("room on the disk again, connecting again")

    def _hang_up(self, until: str, *, wait_s: float = 0.0) -> None:
        self._paused, self._paused_at_s = until, time.monotonic()
        self._again_at_s = self._paused_at_s + wait_s
        if self._client is not None and self._client.disconnect() != mqtt.MQTT_ERR_SUCCESS:
            self._gone.set()  # there was no connection, so nothing will tell of its end

    def _come_back(self, words: str) -> None:
        now = time.monotonic()
        # A socket that takes nothing never sees our goodbye go out; the broker drops it when we come again.
        gone = self._gone.is_set() or now > self._paused_at_s + _FAREWELL_S
        if gone and not self._inbox.holds(self.name) and now >= self._again_at_s:
            self._log.info(words)
            self._ended()
            self.start()

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        """Acknowledge what is stored; return how many acknowledgements were handed to the connection, canaries aside.

        Those of an earlier connection are not sent: the broker delivers these messages again.
        """
        sent = 0
        with self._acknowledging:
            for delivery in deliveries:
                if self._client is not None and delivery.generation == self._generation:
                    self._unacknowledged -= 1
                    if delivery.qos == 1:
                        self._client.ack(delivery.mid, delivery.qos)
                        sent += delivery.reader is not no_uplinks
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

    def _with_callbacks(self, client: mqtt.Client) -> mqtt.Client:
        client.on_connect = self._guarded(self._on_connect)
        client.on_connect_fail = self._guarded(self._on_connect_fail)
        client.on_pre_connect = self._guarded(self._on_pre_connect)
        client.on_publish = self._guarded(self._subscription.on_publish)
        client.on_subscribe = self._guarded(self._subscription.on_subscribe)
        client.on_message = self._guarded(self._on_message)
        client.on_disconnect = self._guarded(self._on_disconnect)
        return client

    # Network thread ----------------------------------------------------------------------------------

    def _guarded(
        self, callback: Callable[Concatenate[mqtt.Client, _Arguments], None]
    ) -> Callable[Concatenate[mqtt.Client, _Arguments], None]:
        """Return a callback that raises nothing: that would end the network thread while is_connected() stays true."""

        def call(client: mqtt.Client, /, *args: _Arguments.args, **kwargs: _Arguments.kwargs) -> None:
            try:
                if client is self._client:
                    callback(client, *args, **kwargs)
                else:
                    client.disconnect()  # given up for another one, which it must not take the session from
            except Exception as problem:  # noqa: BLE001 - what it was about stays unacknowledged and comes again
                self._log.error("defect in a callback, please report this", reason=repr(problem))

        return call

    def _next_generation(self) -> None:
        with self._acknowledging:
            self._generation += 1
            self._unacknowledged = 0

    def _on_pre_connect(self, _client: mqtt.Client, _userdata: Any) -> None:
        self._network_thread = threading.current_thread()
        self._next_generation()

    def _on_connect(
        self, client: mqtt.Client, _userdata: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, _props: Any
    ) -> None:
        self._next_generation()
        self._refused = reason.is_failure
        if self._refused:
            self._log.error("broker refused us", reason=str(reason), hint="check username, password and protocol")
            return
        if self._paused is not None:
            client.disconnect()  # told to hang up while this was on its way
            return
        self._gone.clear()
        self._connected = True
        self._backoff.reset()
        session = "resumed" if flags.session_present else "new"
        self._log.info("connected", session=session, client_id=self._broker.client_id, protocol=self._broker.protocol)
        if self._met_before and not flags.session_present:
            self._log.warning("the broker lost our session and the messages in it", hint="turn its persistence on")
        self._met_before = True
        self._subscription.ask(client)

    def _on_connect_fail(self, client: mqtt.Client, _userdata: Any) -> None:
        # paho calls this while it handles the error, and hands it to nobody.
        self._log.warning("broker unreachable, trying again", reason=str(sys.exception()))
        self._wait_longer(client)

    def _wait_longer(self, client: mqtt.Client) -> None:
        delay_s = self._backoff.next_s()
        client.reconnect_delay_set(delay_s, delay_s)  # type: ignore[arg-type] # it sleeps as long as this says

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        if self._paused:
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        content = bytes(message.payload)
        # A canary goes into the queue like the others: acknowledgements have to go out in order (MQTT 5, 4.6).
        reader = no_uplinks if self._subscription.heard(topic, content) else self._reader
        delivery = Delivery(self._generation, message.mid, message.qos, topic, content, self.name, reader)
        with self._acknowledging:
            self._unacknowledged += 1
        if self._inbox.put(delivery, self._longest_wait_s) or self._inbox.closed:
            return
        # Waiting longer would let the keepalive lapse. The rest stays at the broker until the queue is drained.
        self._log.warning("queue full, hanging up until it is drained", queued=len(self._inbox))
        self._hang_up("queue drained, connecting again")

    def _on_disconnect(
        self, client: mqtt.Client, _userdata: Any, _flags: mqtt.DisconnectFlags, reason: ReasonCode, _props: Any
    ) -> None:
        meant = self._paused is not None or self._closing
        if not (meant or self._refused):
            tell_end(self._log, reason, connected=self._connected)
        self._wait_longer(client)
        self._ended()
        self._gone.set()

    def _ended(self) -> None:
        self._next_generation()
        self._connected = False
        self._subscription.ended()
