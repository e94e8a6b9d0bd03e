"""SIGTERM: what is queued is stored and acknowledged, and the daemon is gone within 10 s, whoever holds it up."""

from __future__ import annotations

import socket
from itertools import islice
from pathlib import Path

import pytest

from loamline.edges.publisher import Publisher
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import Mosquitto, a_broker
from tests.support.proxy import Proxy, a_proxy
from tests.support.uplinks import as_bytes, fleet, raw_key, raw_log

pytestmark = pytest.mark.broker


class Behind(Mosquitto):
    """A broker as it is reached through a proxy."""

    def __init__(self, proxy: Proxy) -> None:
        self.host, self.port = proxy.host, proxy.port


def test_a_broker_that_went_deaf_and_a_sender_that_stops_halfway_hold_it_up_no_longer(tmp_path: Path) -> None:
    """Neither says goodbye; what was stored stays stored, and the exit code says that nothing was left."""
    sent = list(islice(fleet(9), 50))
    with a_broker(tmp_path) as broker, a_proxy((broker.host, broker.port)) as proxy:
        flags = ("--webhook-port", "0", "--client-id", "behind")
        daemon = Daemon(Behind(proxy), tmp_path / "s.duckdb", *flags)
        url = daemon.wait_for("listening")["url"]
        daemon.wait_for("subscribed")
        with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
            for uplink in sent:
                publisher.publish("loamline/uplinks/a", as_bytes(uplink))
        until(lambda: daemon.committed("read") == 50)
        host, port = url.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port))) as halfway:
            halfway.sendall(b"POST /uplinks HTTP/1.1\r\nHost: a\r\nContent-Length: 1000\r\n\r\n{")
            proxy.deaf.set()
            daemon.process.terminate()
            assert daemon.process.wait(timeout=10) == 0
    assert raw_log(tmp_path / "s.duckdb") == {raw_key(uplink): 1 for uplink in sent}
