"""Commands beside the running daemon: the real process, a real broker, messages flowing all the while."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from tests.faults.senders import TOPIC, Fleet
from tests.support.daemon import Daemon, until
from tests.support.large_store import fleet_registry, fleet_store, uplink
from tests.support.mosquitto import Mosquitto, a_broker
from tests.support.uplinks import raw_key, raw_log, registered_store

pytestmark = pytest.mark.broker
#: So many that a replay takes a dozen steps.
PROBES, HOURS = 100, 500
REVISED_CURVES = """
[[curve]]
id = "p1"
step = "transducer"
kind = "polynomial"
coefficients = [1, 36, 60]
domain = [0, 1]
valid_from = 2024-01-01T00:00:00Z

[[curve]]
id = "topp"
step = "soil"
kind = "topp1980"
domain = [1.8, 81]
valid_from = 2024-01-01T00:00:00Z
"""


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with a_broker(tmp_path) as told:
        yield told


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store in which every reading is stale."""
    path = tmp_path_factory.mktemp("large") / "s.duckdb"
    fleet_store(path, PROBES, HOURS)
    with Store.open(path) as store:
        save_state(store, fleet_registry(PROBES, slope=0.01), "corrected")
    return path


@pytest.fixture
def store(large: Path, tmp_path: Path) -> Path:
    path = tmp_path / "s.duckdb"
    path.write_bytes(large.read_bytes())
    return path


def start(broker: Mosquitto, store: Path) -> Daemon:
    daemon = Daemon(broker, store, "--topic", "loamline/uplinks/#", "--batch-milliseconds", "20")
    daemon.wait_for("subscribed")
    return daemon


def assert_whole(path: Path) -> None:
    with Store.open(path) as store:
        told = verify(store, builtin_codecs(), first=3)
        assert told.differences == 0, told.first
        assert store.scalar("SELECT count(*) FROM reading_staged") == 0


def json_of(done: Any) -> Any:
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def until_staging(path: Path) -> tuple[ControlClient, Iterator[dict[str, Any]]]:
    """Ask for a replay; return once it has staged something, with the connection and what it goes on telling."""
    client = ControlClient(socket_path(path))
    asked = client.ask("replay_apply", reason="a test", asked_by="tester")
    assert any(told["part"] == "staging" and told["done"] for told in asked)
    return client, asked


def test_a_registry_is_loaded_and_history_replayed_while_messages_flow(
    tmp_path: Path, broker: Mosquitto, loamline: Callable[..., Any]
) -> None:
    """Nothing is lost or doubled, and every reading is what a derivation of the raw log gives."""
    store, folder = tmp_path / "s.duckdb", tmp_path / "registry"
    registered_store(store).close()
    write_registry(folder)
    daemon = start(broker, store)
    senders = Fleet(broker, seed=7, per_second=100)
    senders.start()
    try:
        until(lambda: daemon.committed("accepted") > 60)
        loaded = json_of(loamline("registry", "load", folder, "--store", store, "--json"))
        assert (loaded["reference_id"], loaded["changed"]) == (2, True)
        assert not json_of(loamline("registry", "load", folder, "--store", store, "--json"))["changed"]
        stale = json_of(loamline("replay", "plan", "--store", store, "--json"))["stale"]
        assert stale > 0
        applied = json_of(loamline("replay", "apply", "--store", store, "--reason", "test", "--json"))
        assert (applied["revision"], applied["changed"] > 0) == (1, True)
        assert json_of(loamline("replay", "plan", "--store", store, "--json"))["stale"] == 0
        assert "nothing is stale" in loamline("replay", "apply", "--store", store, "--reason", "test").stdout
        assert json_of(loamline("replay", "undo", "--store", store, "--json"))["revision"] == 1
        assert json_of(loamline("replay", "list", "--store", store, "--json"))[0]["step"] == "undone"
        assert json_of(loamline("replay", "show", 1, "--store", store, "--json"))["reason"] == "test"
        none = loamline("replay", "undo", "--store", store)
        assert none.exit_code == 1
        assert none.stderr.startswith("expected an applied revision to take back, found none")
        assert json_of(loamline("replay", "plan", "--store", store, "--json"))["stale"] == stale
        before = daemon.committed("accepted")
        until(lambda: daemon.committed("accepted") > before + 20)
    finally:
        senders.finish()
        until(lambda: daemon.committed("read") >= len(senders.sent) + senders.again)
        assert daemon.terminate() == 0
    assert not socket_path(store).exists()
    assert raw_log(store) == {raw_key(told): 1 for told in senders.sent}
    assert_whole(store)


def test_killed_in_the_middle_of_a_replay_the_next_start_goes_on_by_itself(
    broker: Mosquitto, store: Path, loamline: Callable[..., Any]
) -> None:
    daemon = start(broker, store)
    client, asked = until_staging(store)
    daemon.kill()
    with client, pytest.raises(Exception, match="expected an answer from the daemon, but it left before"):
        list(asked)
    assert socket_path(store).exists()
    daemon = start(broker, store)
    assert daemon.wait_for("resuming a revision")["step"] == "preparing"
    until(lambda: daemon.told("answered"), within_s=60)
    assert json_of(loamline("replay", "list", "--store", store, "--json"))[0]["step"] == "applied"
    assert json_of(loamline("replay", "plan", "--store", store, "--json"))["stale"] == 0
    assert daemon.terminate() == 0
    assert_whole(store)


def test_told_to_stop_in_the_middle_of_a_replay_it_leaves_and_goes_on_later(broker: Mosquitto, store: Path) -> None:
    daemon = start(broker, store)
    client, asked = until_staging(store)
    daemon.process.send_signal(signal.SIGTERM)
    with client, pytest.raises(Exception, match="the daemon stops; what was begun of a revision goes on"):
        list(asked)
    assert daemon.process.wait(timeout=10) == 0
    daemon = start(broker, store)
    until(lambda: daemon.told("answered"), within_s=60)
    assert daemon.terminate() == 0
    assert_whole(store)


def test_a_command_killed_in_the_middle_is_not_missed(broker: Mosquitto, store: Path) -> None:
    """The daemon finishes what it was asked for, and stores what comes meanwhile."""
    daemon = start(broker, store)
    command = [sys.executable, "-c", "from loamline.app.cli import main; main()", "replay", "apply"]
    asking = subprocess.Popen([*command, "--store", str(store), "--reason", "a test"])
    daemon.wait_for("asked")
    asking.kill()
    asking.wait(timeout=20)
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        publisher.publish(TOPIC, uplink(3, HOURS).model_dump_json(exclude_none=True).encode())
    until(lambda: daemon.told("answered"), within_s=60)
    until(lambda: daemon.committed("accepted") == 1)
    assert daemon.terminate() == 0
    with Store.open(store) as opened:
        assert opened.con.sql("SELECT step FROM revision").to_arrow_table().to_pylist() == [{"step": "applied"}]
    assert_whole(store)


def test_an_interrupted_command_says_that_the_daemon_goes_on(broker: Mosquitto, store: Path) -> None:
    """Its request goes through a socket that keeps the answers back, so that no replay is quicker than the signal."""
    daemon = start(broker, store)
    behind = socket_path(store).with_suffix(".behind")
    socket_path(store).rename(behind)
    # Where the tests run in the background of a shell, what they start would ignore this signal.
    listening = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    command = [sys.executable, "-c", f"{listening}; from loamline.app.cli import main; main()", "replay", "apply"]
    with socket.socket(socket.AF_UNIX) as between, ExitStack() as connections:
        between.bind(str(socket_path(store)))
        between.listen()
        between.settimeout(60)
        asking = subprocess.Popen([*command, "--store", str(store), "--reason", "a test"], stderr=subprocess.PIPE)
        ours = connections.enter_context(between.accept()[0])
        onward = connections.enter_context(socket.socket(socket.AF_UNIX))
        onward.connect(str(behind))
        onward.sendall(ours.makefile("rb").readline())
        daemon.wait_for("asked")
        asking.send_signal(signal.SIGINT)
        _, told = asking.communicate(timeout=20)
    until(lambda: daemon.told("answered"), within_s=60)
    assert daemon.terminate() == 0
    assert (asking.returncode, told.decode()) == (
        130,
        "interrupted: the daemon goes on with it; `loamline replay list` shows how far it is\n",
    )
    assert_whole(store)


def test_garbage_and_a_second_command_do_not_disturb_a_replay(
    broker: Mosquitto, store: Path, loamline: Callable[..., Any]
) -> None:
    daemon = start(broker, store)
    client, asked = until_staging(store)
    with socket.socket(socket.AF_UNIX) as rude:
        rude.connect(str(socket_path(store)))
        rude.sendall(b"\x00\xff garbage\n" + b"x" * 100_000)
    with ControlClient(socket_path(store)) as other:
        told = other.answer("status")
        assert told["job"] is None or told["job"]["request"] == "replay_apply"
    second = json_of(loamline("replay", "plan", "--store", store, "--json"))
    assert second["stale"] == 0  # it waited for its turn
    with client:
        assert all(told["part"] in ("staging", "merging") for told in asked)
    assert daemon.terminate() == 0
    assert_whole(store)


def write_registry(folder: Path) -> None:
    """Write what `registered_store` holds, with the transducer curve corrected."""
    folder.mkdir()
    probes = [f"02AA0000000001{number:02X}" for number in range(9)]
    (folder / "sites.csv").write_text("site,customer,latitude_deg,longitude_deg,time_zone\ns,c,1,2,UTC\n")
    (folder / "probes.csv").write_text(
        "dev_eui,serial,hardware,made_on,air_count,water_count,count_per_k\n"
        + "".join(f"{dev_eui},{dev_eui[-2:]},P1,2020-01-01,500,3500,-0.8\n" for dev_eui in probes)
    )
    (folder / "placements.csv").write_text(
        "dev_eui,depth_index,site,label,depth_cm,texture,valid_from,valid_to\n"
        + "".join(f"{dev_eui},0,s,{dev_eui[-2:]},10,loam,2024-12-06T00:00:00Z,\n" for dev_eui in probes)
    )
    (folder / "curves.toml").write_text(REVISED_CURVES)
    (folder / "limits.toml").write_text("")
