"""Backup and restore: what was acknowledged before is in it, also while the daemon stores; nothing is overwritten."""

from __future__ import annotations

import json
import shutil
import threading
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from loamline.app.cli import app
from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import a_broker
from tests.support.uplinks import as_bytes, fleet, import_at_once, raw_key, raw_log, readings

UPLINKS = list(islice(fleet(7), 400))


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("filled") / "s.duckdb"
    import_at_once(path, UPLINKS)
    return path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Path:
    """A store of one's own, closed."""
    for name in ("", ".watermark"):
        shutil.copy(filled.with_name(filled.name + name), tmp_path / f"s.duckdb{name}")
    return tmp_path / "s.duckdb"


def run(*arguments: str | Path, code: int = 0) -> str:
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert done.exit_code == code, done.output
    return done.output


def back_up(store: Path, out: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(run("backup", "--store", store, "--out", out, "--json"))
    return told


def left(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_restored_backup_is_the_store(store: Path, tmp_path: Path) -> None:
    """Raw log, readings, watermark; and it is derived from its raw log as the store was."""
    told = back_up(store, tmp_path / "b.duckdb")
    assert told["rows"]["uplink"] == len(UPLINKS)
    restored = tmp_path / "elsewhere" / "r.duckdb"
    restored.parent.mkdir()
    again = json.loads(run("restore", tmp_path / "b.duckdb", "--store", restored, "--json"))
    assert again["rows"] == told["rows"]
    assert raw_log(restored) == raw_log(store)
    assert readings(restored).equals(readings(store))
    marks = [path.with_name(path.name + ".watermark").read_text() for path in (store, restored)]
    assert marks[0] == marks[1]
    with Store.open(restored) as opened:
        assert verify(opened, builtin_codecs(), 5).differences == 0
    assert not {name for name in left(tmp_path) if "unfinished" in name or name.startswith("b.duckdb.lock")}


def test_a_store_goes_on_from_its_backup(store: Path, tmp_path: Path) -> None:
    """Sequence numbers go on after the last one, and duplicates are known."""
    back_up(store, tmp_path / "b.duckdb")
    run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb")
    more = list(islice(fleet(7), 430))
    file = tmp_path / "more.jsonl"
    file.write_bytes(b"\n".join(map(as_bytes, more)))
    run("import", file, "--store", tmp_path / "r.duckdb")
    assert raw_log(tmp_path / "r.duckdb") == {raw_key(uplink): 1 for uplink in more}


@pytest.mark.parametrize("name", ["b.duckdb", "b.duckdb.manifest.json"])
def test_no_backup_is_overwritten(store: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    assert "expected no file at" in run("backup", "--store", store, "--out", tmp_path / "b.duckdb", code=2)
    assert (tmp_path / name).read_text() == "mine"


@pytest.mark.parametrize("name", ["r.duckdb", "r.duckdb.wal", "r.duckdb.watermark"])
def test_nothing_of_another_store_is_overwritten(store: Path, tmp_path: Path, name: str) -> None:
    """An old write-ahead log would be read into the restored store, an old watermark would refuse it."""
    back_up(store, tmp_path / "b.duckdb")
    (tmp_path / name).write_text("mine")
    told = run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
    assert "found a file, which is not overwritten; move it away first" in told
    assert (tmp_path / name).read_text() == "mine"


def test_a_damaged_backup_is_refused_wherever_the_damage_lies(store: Path, tmp_path: Path) -> None:
    """One bit, anywhere: DuckDB's own checksums are looked at only where a block is read."""
    back_up(store, tmp_path / "b.duckdb")
    content = (tmp_path / "b.duckdb").read_bytes()
    for place in (0, 5000, len(content) // 2, len(content) - 1):
        damaged = bytearray(content)
        damaged[place] ^= 1
        (tmp_path / "b.duckdb").write_bytes(damaged)
        told = run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
        assert "it was changed or damaged since; use another backup" in told
    (tmp_path / "b.duckdb").write_bytes(content[:-4096])
    assert "it was changed or damaged" in run(
        "restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1
    )
    assert "r.duckdb" not in left(tmp_path)


def test_a_backup_without_its_manifest_is_refused(store: Path, tmp_path: Path) -> None:
    back_up(store, tmp_path / "b.duckdb")
    manifest = tmp_path / "b.duckdb.manifest.json"
    told = json.loads(manifest.read_text())
    manifest.write_text(json.dumps({**told, "form": 2}))
    newer = run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
    assert "expected form 1 or older, got 2; upgrade this loamline" in newer
    for content in ("{}", "no JSON", "[]"):
        manifest.write_text(content)
        told = run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
        assert "expected a manifest that `loamline backup` wrote" in told
    manifest.unlink()
    told = run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
    assert "expected the backup's manifest at" in told


def test_a_manifest_of_more_rows_than_there_are_is_not_believed(store: Path, tmp_path: Path) -> None:
    """Rows and digests are counted again, and not taken from anybody's word."""
    back_up(store, tmp_path / "b.duckdb")
    manifest = tmp_path / "b.duckdb.manifest.json"
    told = json.loads(manifest.read_text())
    for part, value, sentence in (
        ("rows", {**told["held"]["rows"], "uplink": 401}, "expected 401 rows of uplink, found 400"),
        ("digests", {**told["held"]["digests"], "reading": "1"}, "expected the rows of reading as they stood"),
        ("last_seq", 7, "expected sequence number 7, found 400"),
    ):
        manifest.write_text(json.dumps({**told, "held": {**told["held"], part: value}}))
        assert sentence in run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb", code=1)
    assert "r.duckdb" not in left(tmp_path)


def test_archived_months_are_named_by_the_backup_and_missed_by_the_restore(store: Path, tmp_path: Path) -> None:
    """Their files never change, so they are copied by whatever copies files."""
    run("archive", "run", "--store", store, "--dir", tmp_path / "months", "--before", "2026-02")
    told = back_up(store, tmp_path / "b.duckdb")
    assert told["archived"]
    assert told["rows"]["uplink"] + sum(file["rows"] for file in told["archived"]) == len(UPLINKS)
    assert told["archived_absent"] is None
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    told_to_people = run("restore", tmp_path / "b.duckdb", "--store", elsewhere / "s.duckdb")
    missed = told_to_people.count(", found none: copy it there before the store is used")
    assert missed == len(told["archived"])
    with pytest.raises(StoreError, match="expected the archived file"):
        Store.open(elsewhere / "s.duckdb")
    shutil.copytree(tmp_path / "months", elsewhere / "months")
    with Store.open(elsewhere / "s.duckdb") as opened:
        assert opened.last_seq() == len(UPLINKS)


def test_out_must_be_a_place_that_can_be_written(store: Path, tmp_path: Path) -> None:
    assert "expected the folder" in run("backup", "--store", store, "--out", tmp_path / "no" / "b.duckdb", code=2)
    absent = run("backup", "--store", tmp_path / "absent.duckdb", "--out", tmp_path / "b.duckdb", code=1)
    assert "expected a store at" in absent
    assert "b.duckdb" not in left(tmp_path)


@pytest.mark.broker
def test_while_the_daemon_stores_all_that_it_acknowledged_before_is_in_the_backup(store: Path, tmp_path: Path) -> None:
    """Uplinks come all the while; the backup ends at one of them, with the readings of exactly those."""
    more = list(islice(fleet(8), 3000))
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, store, "--batch-messages", "20")
        daemon.wait_for("subscribed")
        going = threading.Event()

        def publish() -> None:
            with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
                for uplink in more:
                    publisher.publish("loamline/uplinks/a", as_bytes(uplink))
                    if going.wait(0.002):
                        return

        publishing = threading.Thread(target=publish)
        publishing.start()
        until(lambda: daemon.committed("read") > 100)
        before = daemon.committed("read")
        told = back_up(store, tmp_path / "b.duckdb")
        after = daemon.committed("read")
        going.set()
        publishing.join()
        assert daemon.terminate() == 0
    assert before <= told["rows"]["uplink"] - len(UPLINKS) <= after
    run("restore", tmp_path / "b.duckdb", "--store", tmp_path / "r.duckdb")
    with Store.open(tmp_path / "r.duckdb") as opened:
        assert opened.last_seq() == told["last_seq"]
        assert verify(opened, builtin_codecs(), 5).differences == 0
    assert raw_log(tmp_path / "r.duckdb") <= raw_log(store)


@pytest.mark.broker
def test_a_backup_that_the_daemon_can_not_write_is_told_and_the_daemon_goes_on(store: Path, tmp_path: Path) -> None:
    """It may not have the right that the caller has."""
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, store)
        daemon.wait_for("subscribed")
        with ControlClient(socket_path(store)) as client, pytest.raises(Exception, match="expected to finish backup"):
            client.answer("backup", file=str(tmp_path / "no folder" / "b.duckdb"))
        assert back_up(store, tmp_path / "b.duckdb")["rows"]["uplink"] == len(UPLINKS)
        assert daemon.terminate() == 0
