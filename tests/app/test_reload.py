"""Reload: registry, maps, keys and codecs are exchanged in the running daemon, all or nothing; no message is lost."""

from __future__ import annotations

import io
import json
import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from loamline.app.codecs import known_codecs
from loamline.app.example_folder import DEV_EUI
from loamline.app.log import make_log
from loamline.app.readers import Readers
from loamline.app.reloading import Reloading
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import open_revision
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import Settings
from tests.support.command import run
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import Mosquitto, a_broker

TOPIC = "loamline/uplinks/test"
#: measurement-v1, and the example of a private codec.
V1, PRIVATE = (10, "01073A05AAA0140007"), (12, "01000708058C0E10140007")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with a_broker(tmp_path) as told:
        yield told


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return what `init` writes, with a folder of codecs that holds none yet."""
    made = tmp_path / "soil"
    run("init", made)
    (made / "codecs").mkdir()
    config = made / "loamline.toml"
    config.write_text(config.read_text().replace("# codec_dirs = []", 'codec_dirs = ["codecs"]'))
    return made


@pytest.fixture
def daemon(folder: Path, broker: Mosquitto) -> Iterator[Daemon]:
    told = Daemon(broker, folder / "loamline.duckdb", "--config", str(folder / "loamline.toml"))
    try:
        told.wait_for("subscribed")
        yield told
    finally:
        told.kill()


def uplink(number: int, frame: tuple[int, str] = V1) -> bytes:
    heard_at = (datetime(2026, 5, 1, tzinfo=UTC) + timedelta(hours=number)).isoformat()
    told = {"dev_eui": DEV_EUI, "fcnt": number, "fport": frame[0], "payload_hex": frame[1], "heard_at": heard_at}
    return json.dumps(told).encode()


def publish(broker: Mosquitto, *messages: bytes) -> None:
    with Publisher(host=broker.host, port=broker.port) as publisher:
        for message in messages:
            publisher.publish(TOPIC, message)


def reload(folder: Path, *more: str) -> Any:
    return run("reload", "--config", folder / "loamline.toml", *more)


def stored(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    with Store.open(folder / "loamline.duckdb", writable=False) as store:
        return store.con.execute(sql).fetchall()


def bury_deeper(folder: Path, depth_cm: int) -> None:
    placements = folder / "registry" / "placements.csv"
    rows = placements.read_text().splitlines()
    rows[1] = rows[1].replace(f",{rows[1].split(',')[4]},", f",{depth_cm},", 1)
    placements.write_text("\n".join(rows) + "\n")


@pytest.mark.broker
def test_the_registry_folder_is_loaded_at_the_start_and_again_by_sighup(
    folder: Path, broker: Mosquitto, daemon: Daemon
) -> None:
    """What comes after it is stored under the state that it made."""
    publish(broker, uplink(1))
    until(lambda: daemon.committed("accepted") == 1)
    bury_deeper(folder, 25)
    daemon.process.send_signal(signal.SIGHUP)
    assert daemon.wait_for("reloaded")["registry_changed"]
    publish(broker, uplink(2))
    until(lambda: daemon.committed("accepted") == 2)
    assert daemon.terminate() == 0
    assert stored(folder, "SELECT fcnt, reference_id FROM uplink ORDER BY fcnt") == [(1, 1), (2, 2)]


@pytest.mark.broker
def test_no_message_is_lost_however_often_it_is_reloaded(folder: Path, broker: Mosquitto, daemon: Daemon) -> None:
    """Six registries while 300 messages come."""
    with Publisher(host=broker.host, port=broker.port) as publisher:
        for number in range(300):
            if number % 50 == 0:
                bury_deeper(folder, 10 + number // 10)
                daemon.process.send_signal(signal.SIGHUP)
            publisher.publish(TOPIC, uplink(number))
    until(lambda: daemon.committed("read") == 300)
    until(lambda: bool(daemon.told("reloaded")))
    assert daemon.terminate() == 0
    assert stored(folder, "SELECT count(*), count(DISTINCT fcnt) FROM uplink") == [(300, 300)]


@pytest.mark.broker
def test_the_next_message_is_read_by_a_new_codec(folder: Path, broker: Mosquitto, daemon: Daemon) -> None:
    """Set aside before; a reading after."""
    publish(broker, uplink(1, PRIVATE))
    until(lambda: daemon.committed("set_aside") == 1)
    assert run("codec", "new", "soil-stake", "--dir", folder / "codecs").exit_code == 0
    told = json.loads(reload(folder, "--json").stdout)
    assert (told["taken"], told["codecs_changed"], told["registry_changed"]) == (True, True, False)
    publish(broker, uplink(2, (PRIVATE[0], PRIVATE[1][:-1] + "8")))
    until(lambda: daemon.committed("accepted") == 1)
    assert daemon.terminate() == 0
    assert (2,) in stored(folder, "SELECT fcnt FROM reading")


@pytest.mark.broker
def test_the_next_message_is_read_by_a_new_map(folder: Path, broker: Mosquitto) -> None:
    message = json.loads(uplink(1))
    told = {"probe": DEV_EUI, "port": 10, "content": "AQc6BdygJQAq", "at": message["heard_at"]}
    flags = ("--config", str(folder / "loamline.toml"), "--envelope", "example")
    daemon = Daemon(broker, folder / "loamline.duckdb", *flags)
    try:
        daemon.wait_for("subscribed")
        publish(broker, json.dumps({**told, "count": 1}).encode())
        until(lambda: daemon.committed("unreadable") == 1)
        path = folder / "maps" / "example.toml"
        path.write_text(path.read_text().replace('"/number"', '"/count"'))
        assert reload(folder).exit_code == 0
        publish(broker, json.dumps({**told, "count": 2}).encode())
        until(lambda: daemon.committed("accepted") == 1)
    finally:
        assert daemon.terminate() == 0


@pytest.mark.broker
def test_with_one_fault_nothing_is_taken_up_and_every_fault_is_told(
    folder: Path, broker: Mosquitto, daemon: Daemon
) -> None:
    """A broken placement and a broken codec: a sound new curve beside them waits until they are mended."""
    curves, placements = folder / "registry" / "curves.toml", folder / "registry" / "placements.csv"
    sound = placements.read_text()
    curves.write_text(curves.read_text().replace("[1, 30, 49]", "[1, 31, 49]"))
    placements.write_text(sound.replace("loam", "cheese", 1))
    (folder / "codecs" / "broken_v1.py").write_text("CODEC = 5\n")
    told = reload(folder)
    assert told.exit_code == 1
    assert "registry_dir: placements.csv:2: texture: expected " in told.stderr
    assert "codec_dirs: " in told.stderr
    assert "stay as they were" in told.stderr
    assert len(daemon.told("not taken up")) == 2
    publish(broker, uplink(1))
    until(lambda: daemon.committed("accepted") == 1)
    (folder / "codecs" / "broken_v1.py").unlink()
    placements.write_text(sound)
    assert reload(folder).stdout.startswith("taken up: registry changed; maps and keys were read again")
    assert daemon.terminate() == 0
    assert stored(folder, "SELECT reference_id FROM uplink") == [(1,)]


@pytest.mark.broker
def test_a_broken_registry_at_the_start_leaves_the_one_in_the_store(folder: Path, broker: Mosquitto) -> None:
    """The daemon starts all the same and says so: what comes must not wait for a comma."""
    (folder / "registry" / "sites.csv").write_text("site\n")
    daemon = Daemon(broker, folder / "loamline.duckdb", "--config", str(folder / "loamline.toml"))
    try:
        assert daemon.wait_for("not taken up")["sentence"].startswith("registry_dir: sites.csv:1: customer: ")
        daemon.wait_for("subscribed")
    finally:
        assert daemon.terminate() == 0


def test_without_a_daemon_one_sentence_says_so(folder: Path) -> None:
    told = reload(folder)
    assert told.exit_code == 1
    assert told.stderr.startswith("expected a daemon that has ")


def test_codecs_do_not_change_under_a_revision_at_work(folder: Path) -> None:
    """Half of its readings would be read by the old ones."""
    settings = Settings(store=folder / "s.duckdb", codec_dirs=(folder / "codecs",))
    log = make_log("json", file=io.StringIO())
    with Store.open(settings.store, create=True) as store:
        writer = Writer(store, builtin_codecs())
        reloading = Reloading(settings, readers=Readers(settings), codecs=known_codecs(settings.codec_dirs), log=log)
        now = datetime(2026, 5, 1, tzinfo=UTC)
        open_revision(store, reference_id=0, reason="r", asked_by="a", scope="{}", now=now, spans=[])
        assert reloading.take_up(store, writer)["taken"], "codecs that are the same are no hindrance"
        run("codec", "new", "soil-stake", "--dir", folder / "codecs")
        told = reloading.take_up(store, writer)
    assert not told["taken"]
    assert told["faults"] == [
        "codec_dirs: expected no revision at work while codecs change, got one; reload once it is done"
    ]


def test_keys_that_others_can_read_are_refused_and_the_old_ones_stay(folder: Path) -> None:
    keys = folder / "secrets" / "keys.toml"
    keys.write_text("")
    keys.chmod(0o644)
    settings = Settings(store=folder / "s.duckdb")
    log = make_log("json", file=io.StringIO())
    with Store.open(settings.store, create=True) as store:
        broken = settings.model_copy(update={"keys_file": keys})
        reloading = Reloading(broken, readers=Readers(settings), codecs=builtin_codecs(), log=log)
        told = reloading.take_up(store, Writer(store, builtin_codecs()))
    assert not told["taken"]
    assert told["faults"][0].startswith(f"keys_file: expected {keys} to be readable by its owner alone (mode 0600)")


def test_a_store_that_fails_meanwhile_is_told_and_stops_nothing(folder: Path) -> None:
    settings = Settings(store=folder / "s.duckdb", registry_dir=folder / "registry")
    text = io.StringIO()
    reloading = Reloading(settings, readers=Readers(settings), codecs=builtin_codecs(), log=make_log("json", file=text))
    store = Store.open(settings.store, create=True)
    writer = Writer(store, builtin_codecs())
    store.close()
    reloading.begin(store, writer)
    told = reloading.take_up(store, writer)
    assert not told["taken"]
    assert "onnection" in told["faults"][0]
    assert text.getvalue().count("not taken up") == 2
