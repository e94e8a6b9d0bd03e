"""Commands that only read, beside the real daemon and a real broker: they tell what they tell of a store at rest."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

import loamline
from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.publisher import Publisher
from loamline.edges.store import connection
from loamline.edges.store.connection import Store
from loamline_schemas.migrations import MIGRATIONS
from tests.faults.senders import TOPIC
from tests.support.beside import daemon_on
from tests.support.daemon import Daemon, until
from tests.support.large_store import fleet_store, uplink
from tests.support.mosquitto import a_broker

pytestmark = pytest.mark.broker
PROBES, HOURS = 24, 400
_COMMAND = [sys.executable, "-c", "from loamline.app.cli import main; main()"]
#: Holds a view until it is told to go on, and says when it has it.
_HOLDS = """
import sys
from pathlib import Path
from loamline.app.opening import open_store
with open_store(Path(sys.argv[1])) as store:
    before = store.last_seq()
    print(before, flush=True)
    sys.stdin.readline()
    print(store.last_seq(), flush=True)
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    path = tmp_path_factory.mktemp("made") / "s.duckdb"
    fleet_store(path, PROBES, HOURS)
    return path


@pytest.fixture
def store(made, tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_bytes(made.read_bytes())
    return path


@pytest.fixture
def broker(tmp_path) -> Iterator:
    with a_broker(tmp_path) as told:
        yield told


@pytest.fixture
def daemon(broker, store):
    told = Daemon(broker, store, "--topic", "loamline/uplinks/#", "--batch-milliseconds", "20")
    told.wait_for("subscribed")
    try:
        yield told
    finally:
        if told.process.poll() is None:
            told.kill()


def holding(store):
    """Return a process that has a view, and what it sees as the newest sequence number."""
    held = subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    return held, held.stdout.readline()


def send(broker, hour):
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        publisher.publish(TOPIC, uplink(3, hour).model_dump_json(exclude_none=True).encode())


def questions(folder):
    """Return every command that only reads, with what is left of it as a file."""
    spanned = ("--since", "2026-05-01T00:00:00Z", "--until", "2026-05-06T00:00:00Z")
    return [
        (("fleet", "--as-of", "2026-05-06T00:00:00Z", "--json"), None),
        (("set-aside", "--json"), None),
        (("explain", "S-0001", "2026-05-03T02:00:00Z", "--json"), None),
        (("profile", *spanned, "--json"), None),
        (("profile", *spanned, "--out", folder / "p.csv"), folder / "p.csv"),
        (("radio", "report", *spanned, "--json"), None),
        (("radio", "draw", *spanned, "--out", folder / "r.svg"), folder / "r.svg"),
        (("supply", *spanned, "--json"), None),
        (("verify", "--json"), None),
        (("registry", "show", "--json"), None),
        (("registry", "history", "S-0001", "--json"), None),
        (("registry", "diff", "0", "1", "--json"), None),
        (("curve", "list", "--json"), None),
        (("curve", "show", "p1-bench", "--json"), None),
        (("export", "--out", folder / "e.csv", *spanned), folder / "e.csv"),
        (("export", "--out", folder / "e.parquet"), folder / "e.parquet"),
    ]


def told_by(loamline, store, folder):
    """Return what every one of them prints and writes."""
    found = {}
    for arguments, file in questions(folder):
        done = loamline(*arguments, "--store", store)
        assert done.exit_code == 0, (arguments, done.output)
        found[" ".join(map(str, arguments))] = (done.stdout_bytes, None if file is None else file.read_bytes())
    return found


def test_each_tells_the_same_bytes_beside_the_daemon(stores, broker, loamline, tmp_path):
    """Of a store with statuses, what was set aside, and a raw log that stands in files."""
    store = stores.make([*stores.season(), stores.uplink(stores.PEARS, "FF00", stores.START), b"no uplink"])
    archived = loamline("archive", "run", "--store", store, "--dir", tmp_path / "raw-log", "--before", "2026-06")
    assert archived.exit_code == 0, archived.output
    alone = told_by(loamline, store, tmp_path)
    daemon = Daemon(broker, store, "--topic", "loamline/uplinks/#")
    daemon.wait_for("subscribed")
    beside = told_by(loamline, store, tmp_path)
    # The daemon says so after the command has left.
    until(lambda: len(daemon.told("a lent view was given back")) >= len(questions(tmp_path)))
    assert daemon.terminate() == 0
    assert beside == alone
    assert len(daemon.told("a lent view was given back")) == len(questions(tmp_path))
    assert json.loads(alone["verify --json"][0])["readings"] > 400
    assert json.loads(alone["set-aside --json"][0])


def test_a_notebook_reads_the_file_beside_the_daemon_as_it_does_alone(store, daemon):
    beside = loamline.open(store)
    told = beside.readings(unit="percent").arrow(), beside.probes().arrow(), beside.readings(resolution="daily").arrow()
    assert daemon.terminate() == 0
    alone = loamline.open(store)
    assert told[0].num_rows == PROBES * HOURS
    assert told == (
        alone.readings(unit="percent").arrow(),
        alone.probes().arrow(),
        alone.readings(resolution="daily").arrow(),
    )


def test_messages_are_stored_while_a_view_is_lent_which_stays_as_it_was(store, broker, daemon):
    held, before = holding(store)
    for hour in range(HOURS, HOURS + 5):
        send(broker, hour)
    until(lambda: daemon.committed("accepted") == 5)
    with ControlClient(socket_path(store)) as client:
        assert client.answer("status")["views_lent"] == 1
    after, _ = held.communicate(b"\n", timeout=30)
    assert after == before == f"{PROBES * HOURS}\n".encode()
    with holding(store)[0] as fresh:
        assert fresh.communicate(b"\n", timeout=30)[0] == f"{PROBES * HOURS + 5}\n".encode()
    assert daemon.terminate() == 0


def test_the_view_of_a_command_that_was_killed_is_given_back(store, daemon):
    held = [holding(store)[0] for _ in range(2)]
    third = subprocess.run(
        [*_COMMAND, "set-aside", "--store", store], capture_output=True, text=True, check=False, timeout=120
    )
    assert (third.returncode, third.stderr.count("\n")) == (1, 1)
    assert third.stderr.startswith("expected fewer than 2 commands that read beside the daemon, got as many; try again")
    for one in held:
        one.send_signal(signal.SIGKILL)
        one.communicate(timeout=20)
    until(lambda: len(daemon.told("a lent view was given back")) == 2)
    done = subprocess.run(
        [*_COMMAND, "set-aside", "--store", store], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr


def test_two_commands_at_once_are_both_answered(store, daemon):
    def verified(_):
        done = subprocess.run(
            [*_COMMAND, "verify", "--json", "--store", store], capture_output=True, check=False, timeout=120
        )
        return done.returncode, json.loads(done.stdout)["differences"]

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(verified, range(2))) == [(0, 0), (0, 0)]
    assert daemon.terminate() == 0


def test_told_to_stop_it_takes_the_view_back_with_a_sentence_and_leaves(store, daemon):
    held, _ = holding(store)
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(timeout=10) == 0
    _, told = held.communicate(b"\n", timeout=30)
    assert "CommandError: the daemon took its store back: the daemon stops" in told.decode().splitlines()[-1]
    assert not socket_path(store).exists()
    with Store.open(store) as opened:
        assert opened.last_seq() == PROBES * HOURS


def test_told_to_stop_it_ends_a_long_statement_of_a_command(store, daemon):
    """A join of the raw log with itself, which would take hours."""
    code = _HOLDS.replace(
        "sys.stdin.readline()",
        'store.con.execute("SELECT sum(a.seq * b.seq * c.seq) FROM uplink a, uplink b, uplink c").fetchall()',
    )
    held = subprocess.Popen([sys.executable, "-c", code, str(store)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    held.stdout.readline()
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.process.wait(timeout=10) == 0
    _, told = held.communicate(timeout=30)
    assert "CommandError: the daemon took its store back: the daemon stops" in told.decode().splitlines()[-1]


def test_a_store_that_is_busy_without_a_daemon_is_told_as_before(store, loamline):
    with Store.open(store):
        done = loamline("set-aside", "--store", store)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"expected {store} to be free, but process {os.getpid()} has it open; stop it (or")


def test_a_daemon_of_an_older_schema_is_told_to_be_started_again(store, loamline, monkeypatch):
    """As after an upgrade; the daemon of this test has its store open already."""
    with daemon_on(store):
        newer = dataclasses.replace(MIGRATIONS[-1], number=MIGRATIONS[-1].number + 1)
        monkeypatch.setattr(connection, "MIGRATIONS", (*MIGRATIONS, newer))
        done = loamline("set-aside", "--store", store)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"expected a store of schema {newer.number} at {store}, got {newer.number - 1}; ")
    assert done.stderr.endswith("the daemon that has it open is of an older loamline: start it again\n")
