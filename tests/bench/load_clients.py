"""The two clients beside a daemon under load: one that sends at a rate, and one that only counts.

`python -m tests.bench.load_clients send HOST PORT PER_S` and `count HOST PORT MESSAGES`; each a process of its own that
imports little, so that it is there at once and its work is none of the daemon's.
"""

from __future__ import annotations

import sys
import threading
import time
from array import array

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from loamline.edges.publisher import Publisher

_TICK_S = 0.01


def send(host: str, port: int, per_s: int) -> None:
    """Publish the lines of standard input, QoS 1, 0 for as quickly as may be; write when each went, as doubles."""
    bodies = sys.stdin.buffer.read().split(b"\n")
    went = array("d")
    with Publisher(host=host, port=port, protocol="5", window=2_000) as publisher:
        begun = time.time()
        for number, body in enumerate(bodies):
            due = begun + number / per_s if per_s else 0.0
            while (left := due - time.time()) > 0:
                time.sleep(min(left, _TICK_S))
            went.append(time.time())
            publisher.publish("load/x", body)
    sys.stdout.buffer.write(went.tobytes())


def count(host: str, port: int, wanted: int) -> None:
    """Count so many messages of a kept session as a bare subscriber does; print how many seconds that took."""
    seen, done, times = 0, threading.Event(), [0.0, 0.0]

    def on_message(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen >= wanted:
            times[1] = time.perf_counter()
            done.set()

    def on_subscribe(*_: object) -> None:
        if not wanted:
            done.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load-counter", protocol=mqtt.MQTTv5)
    client.on_message, client.on_subscribe = on_message, on_subscribe
    client.on_connect = lambda *_: client.subscribe("load/#", qos=1)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval, properties.ReceiveMaximum = 3600, 4000
    times[0] = time.perf_counter()
    client.connect(host, port, clean_start=False, properties=properties)
    client.loop_start()
    done.wait(600)
    client.disconnect()
    client.loop_stop()
    sys.stdout.write(str(times[1] - times[0]))


if __name__ == "__main__":
    {"send": send, "count": count}[sys.argv[1]](sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
