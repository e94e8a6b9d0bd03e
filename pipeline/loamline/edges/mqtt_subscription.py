"""What one session is subscribed to: the topic filters of the settings, the canary's topic, and nothing older.

The broker says "granted" also where it denies (common practice of access control lists): only the canary tells.
"""

from __future__ import annotations

import contextlib
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions
from structlog.typing import FilteringBoundLogger

from loamline.edges.mqtt_canary import Canary
from loamline.edges.mqtt_filters import KnownFilters
from loamline_schemas.settings import BrokerSettings

#: A canary that was not delivered in this time is of no use to anybody any more, seconds.
_CANARY_EXPIRY_S = 120


class Subscription:
    """The subscription of one session, renewed on every connection. All but `fly` belongs to the network thread."""

    def __init__(
        self,
        broker: BrokerSettings,
        canary: Canary | None,
        filters: KnownFilters | None,
        log: FilteringBoundLogger,
    ) -> None:
        self._broker, self._canary, self._log = broker, canary, log
        self._filters = filters or KnownFilters(None)
        self._asked = [*broker.topics, *([] if canary is None else [canary.topic])]
        self.granted = False

    def ask(self, client: mqtt.Client) -> None:
        """Subscribe to what is told now, and unsubscribe from what was told once."""
        removed = sorted(self._filters.of(self._broker.name) - set(self._asked))
        if removed:
            self._log.info("unsubscribing from what is no longer in the settings", topics=removed)
            client.unsubscribe(removed)
        try:
            # The broker takes both in order: with the second answered, the first is done (`on_subscribe`).
            self._filters.remember(self._broker.name, [*removed, *self._asked])
        except OSError as problem:
            self._log.warning("can't note what is subscribed", reason=str(problem))
        if self._broker.protocol == "5":
            # A retained message would come again with each subscription.
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(topic, options) for topic in self._asked])
        else:
            # QoS 1 even if published with 2: QoS 2 loses messages when a consumer dies (it is acknowledged on arrival).
            client.subscribe([(topic, 1) for topic in self._asked])

    def on_subscribe(
        self, _client: mqtt.Client, _userdata: Any, _mid: int, reasons: list[ReasonCode], _props: Any
    ) -> None:
        """Take in what the broker grants."""
        for topic, reason in zip(self._asked, reasons, strict=False):
            if reason.is_failure:
                self._log.error("broker refused the subscription", topic=topic, reason=str(reason))
            elif self._canary is not None and topic == self._canary.topic:
                self._canary.granted()
            elif reason.value == 0:
                self._log.error("expected QoS 1, the broker grants QoS 0: messages can get lost", topic=topic)
            else:
                self.granted = True
                self._log.info("subscribed", topic=topic, qos=reason.value)
        with contextlib.suppress(OSError):  # told by `ask`
            self._filters.remember(self._broker.name, self._asked)

    def ended(self) -> None:
        """Take note that the connection has ended."""
        self.granted = False
        if self._canary is not None and self._canary.ended():
            hint = f"some brokers hang up on whoever may not publish; may we, to {self._canary.topic}?"
            self._log.warning("the connection ended with a canary on its way", hint=hint)

    def fly(self, client: mqtt.Client) -> None:
        """Send the canary, where it is time."""
        content = None if self._canary is None else self._canary.due()
        if self._canary is None or content is None:
            return
        properties = None
        if self._broker.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = _CANARY_EXPIRY_S
        client.publish(self._canary.topic, content, qos=1, properties=properties)

    def on_publish(self, _client: mqtt.Client, _userdata: Any, _mid: int, reason: ReasonCode, _props: Any) -> None:
        """Take in what the broker says of the canary; MQTT 3.1.1 has no way to say that it is not let through."""
        if reason.is_failure and self._canary is not None:
            self._canary.denied()
            hint = "let it, or set watch.canary_every_s = 0; a subscription that is denied or stalls goes unnoticed now"
            self._log.error("broker takes no canary", reason=str(reason), topic=self._canary.topic, hint=hint)

    def heard(self, topic: str, content: bytes) -> bool:
        """Take note of a message; return whether it is a canary, and no uplink, whichever daemon sent it."""
        if self._canary is None:
            return False
        self._canary.traffic()
        if not self._canary.is_one(topic):
            return False
        missing = self._canary.missing
        if self._canary.heard(content) and missing:
            self._log.info("canary back")
        return True
