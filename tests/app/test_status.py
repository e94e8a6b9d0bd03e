"""`loamline status`: how the running daemon is; a clear sentence where none runs."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

from loamline.app.commands.status import job_in_words
from loamline.edges.publisher import Publisher
from tests.support.beside import daemon_on
from tests.support.command import run
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import a_broker
from tests.support.uplinks import as_bytes, fleet


def test_where_no_daemon_runs_one_sentence_says_so(tmp_path: Path) -> None:
    """For people and for scripts; the exit code is 1."""
    store = tmp_path / "s.duckdb"
    told = run("status", "--store", store)
    assert (told.exit_code, told.stdout.startswith(f"no daemon has {store} open")) == (1, True)
    told = run("status", "--store", store, "--json")
    assert (told.exit_code, json.loads(told.stdout)["running"]) == (1, False)


@pytest.mark.broker
def test_a_running_daemon_tells_how_it_is(tmp_path: Path) -> None:
    """Since when, each way in, queue, totals, what was stored and heard last, the store's size, the disk."""
    store = tmp_path / "s.duckdb"
    uplinks = fleet(1)
    sent = [as_bytes(next(uplinks)) for _ in range(20)]
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, store, "--webhook-port", "0")
        try:
            daemon.wait_for("subscribed")
            with Publisher(host=broker.host, port=broker.port) as publisher:
                for body in sent:
                    publisher.publish("loamline/uplinks/x", body)
            until(lambda: daemon.committed("read") == 20)
            told = json.loads(run("status", "--store", store, "--json").stdout)
            shown = run("status", "--store", store)
            broker.stop()
            until(lambda: bool(daemon.told("lost connection, connecting again")))
            without = run("status", "--store", store).stdout
        finally:
            assert daemon.terminate() == 0
    assert (told["running"], told["process"]) == (True, daemon.process.pid)
    assert datetime.fromisoformat(told["since"]) < datetime.fromisoformat(told["last_commit_at"])
    newest = max(json.loads(body)["heard_at"] for body in sent)
    assert told["last_heard_at"] == newest.replace("+00:00", "Z")
    assert told["counts"]["read"] == told["last_seq"] == 20
    assert (told["queued_messages"], told["job"], told["waiting"]) == (0, None, [])
    assert told["disk_bytes"] > told["disk_free_bytes"] > told["store_bytes"] > 0
    assert [(way["kind"], way["open"]) for way in told["ways_in"]] == [("mqtt", True), ("webhook", True)]
    assert f"mqtt {broker.host}:{broker.port} as loamline-ingest: connected, subscribed" in shown.stdout
    assert ": not connected, not subscribed" in without


def test_an_older_daemon_is_told_as_such(tmp_path: Path) -> None:
    """A daemon that does not tell how it is, an older one, is asked to be started anew."""
    store = tmp_path / "s.duckdb"
    with daemon_on(store):
        until(lambda: store.with_name("s.duckdb.socket").exists())
        told = run("status", "--store", store)
    assert told.exit_code == 1
    assert "got an older one; start it anew" in told.stderr


def test_a_replay_at_work_and_what_waits_behind_it_are_told() -> None:
    """As the daemon answers between two of its steps."""
    job = {"request": "replay_apply", "part": "staging", "done": 3, "total": 9}
    assert job_in_words({"job": job, "waiting": ["replay_plan"]}) == (
        "replay_apply: part staging, done 3, total 9; 1 more wait"
    )
    assert job_in_words({"job": None, "waiting": []}) == "none at work"
