"""How many messages an MQTT broker sends ahead of acknowledgement: waiting for more of them would be in vain."""

from __future__ import annotations

from loamline_schemas.settings import BatchSettings, BrokerSettings

#: MQTT 5, 3.1.2.11.3: the receive maximum is two bytes.
_LARGEST_RECEIVE_MAXIMUM = 65_535
#: MQTT 3.1.1 has no receive maximum; brokers send few messages ahead of acknowledgement (20: common practice).
_WINDOW_3_1_1 = 20


def receive_maximum(batch: BatchSettings) -> int:
    """Return what an MQTT 5 broker is told: two batches, so that one can fill while the other is stored."""
    return min(2 * batch.messages, batch.queue_messages, _LARGEST_RECEIVE_MAXIMUM)


def window(broker: BrokerSettings, batch: BatchSettings) -> int:
    """Return how many messages a broker sends ahead of acknowledgement."""
    return receive_maximum(batch) if broker.protocol == "5" else _WINDOW_3_1_1
