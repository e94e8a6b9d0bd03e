"""A daemon with a feed: killed while it sends, and with a receiver that is dead."""

from __future__ import annotations

import itertools
import signal
import threading

import pytest
from paho.mqtt import publish

from loamline.edges.store.connection import Store
from loamline.edges.store.feed_state import feed_states
from tests.edges.feed.given import bodies, hours, keep_last, standing
from tests.support.daemon import Daemon, until
from tests.support.event_receiver import http_receiver
from tests.support.mosquitto import a_broker, free_port
from tests.support.uplinks import as_bytes, fleet


@pytest.mark.broker
def test_the_daemon_killed_while_it_sends_leaves_no_reading_untold(stores, loamline, tmp_path):
    """kill -9 at whatever instant it is: all comes, what was not recorded twice; `loamline status` tells of it."""
    path = stores.make(hours(stores, *range(48)))
    config = tmp_path / "loamline.toml"
    hurry = threading.Event()

    def slowly(_):
        hurry.wait(0.05)
        return 204

    with a_broker(tmp_path) as broker, http_receiver() as receiver:
        receiver.answer = slowly
        config.write_text(f'[[feeds]]\nname = "north"\nurl = "{receiver.url}"\nsince = 2026-05-01T00:00:00Z\n')
        killed = Daemon(broker, path, "--config", str(config))
        until(lambda: len(receiver.taken) > 5 or killed.process.poll() is not None)
        killed.kill()
        before = len(receiver.taken)
        assert 5 < before < 48
        hurry.set()
        daemon = Daemon(broker, path, "--config", str(config))
        until(lambda: len(keep_last(bodies(receiver))) == 48)
        done = loamline("status", "--store", path)
        assert "north: " in done.output
        assert receiver.url in done.output
        assert daemon.terminate(signal.SIGTERM) == 0
        with Store.open(path) as store:
            assert keep_last(bodies(receiver)) == standing(store)
            assert is_told(store)


@pytest.mark.broker
def test_the_daemon_acknowledges_all_that_comes_while_a_receiver_is_dead_and_status_tells_so(loamline, tmp_path):
    path, config = tmp_path / "soil.duckdb", tmp_path / "loamline.toml"
    url = f"http://127.0.0.1:{free_port()}/feed"
    feed = f'[[feeds]]\nname = "north"\nurl = "{url}"\nsince = 2026-01-01T00:00:00Z\n'
    config.write_text(f"[watch]\ncanary_every_s = 0\n{feed}")
    uplinks = [as_bytes(uplink) for uplink in itertools.islice(fleet(7), 200)]
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, path, "--config", str(config))
        daemon.wait_for("subscribed")
        publish.multiple(
            [("loamline/uplinks/x", uplink, 1, False) for uplink in uplinks], hostname=broker.host, port=broker.port
        )
        until(lambda: sum(line["messages"] for line in daemon.told("committed")) >= 200)
        assert daemon.committed("accepted") + daemon.committed("set_aside") == 200
        assert daemon.committed("acknowledged") == 200
        daemon.wait_for("readings not taken, they are sent again")
        done = loamline("status", "--store", path)
        assert "minutes behind" in done.output
        assert f"expected {url} to answer, got [Errno 111] Connection refused" in done.output
        assert daemon.terminate(signal.SIGTERM) == 0


def is_told(store):
    (state,) = feed_states(store).values()
    return state.at_end and state.failing_since is None
