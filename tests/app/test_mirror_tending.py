"""The mirror that the daemon keeps: up to date beside live commits, across kills, and told where it is not."""

from __future__ import annotations

import io
import json
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from loamline.app.doctor.store import of_daemon
from loamline.app.ingest import make_log
from loamline.app.mirror_tending import MirrorTending, mirror_in_words
from loamline.edges.control import socket_path
from loamline.edges.control_client import ControlClient
from loamline.edges.mirror import MANIFEST, mirrored_at
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import Selection, readings
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import MirrorSettings, Settings, WebhookSettings
from tests.support.beside import daemon_on
from tests.support.daemon import Daemon, until

NOW = datetime(2026, 8, 1, tzinfo=UTC)


def rows_in(out: Path) -> int:
    return sum(pq.read_metadata(file).num_rows for file in out.glob("readings/*/*.parquet"))


class Kept:
    """A mirror kept from an open store, its clock set by the test."""

    def __init__(self, path: Path, out: Path, **more) -> None:
        self.store, self.out, self.text = Store.open(path), out, io.StringIO()
        self.writer, self.now = Writer(self.store, builtin_codecs()), NOW
        settings = MirrorSettings(folder=out, every_minutes=1)
        self.mirror = MirrorTending(settings, make_log("json", file=self.text), clock=lambda: self.now, **more)

    def __enter__(self):
        self.mirror.turn(self.store)
        return self

    def __exit__(self, *_):
        self.mirror.leave(self.store)
        self.store.close()

    @property
    def told(self):
        return self.mirror.told()["mirror"]


@pytest.fixture
def path(stores):
    return stores.make([stores.v1(stores.BARLEY, hour, 1850 - hour) for hour in range(48)])


def test_without_settings_nothing_is_kept_or_told(path):
    mirror = MirrorTending(None, make_log("json", file=io.StringIO()))
    with Store.open(path) as store:
        mirror.turn(store)
        assert (mirror.told(), mirror.state) == ({}, None)
        mirror.leave(store)


def test_it_is_brought_up_to_date_beside_the_thread_that_stores(path, tmp_path):
    with Kept(path, tmp_path / "mirror") as kept:
        until(lambda: kept.told["mirrored_at"] is not None)
        assert rows_in(kept.out) == 48
        assert (kept.told["late"], kept.told["failing_since"]) == (False, None)
        kept.now += timedelta(minutes=4)
        assert kept.told["late"]
        assert "LATE" in mirror_in_words(kept.told)


def test_a_new_start_waits_for_its_time_and_takes_up_what_was_broken_off(path, stores, tmp_path):
    out = tmp_path / "mirror"
    with Kept(path, out) as kept:
        until(lambda: kept.told["mirrored_at"] is not None)
    with Kept(path, out) as kept:
        assert kept.told["mirrored_at"] == NOW.isoformat()
        assert kept.mirror._first_pause_s(MirrorSettings(folder=out, every_minutes=1)) == 60
    manifest = json.loads((out / MANIFEST).read_text())
    (out / MANIFEST).write_text(json.dumps({**manifest, "complete": False}))
    (out / "readings" / "month=2026-05" / "probes-00000.parquet").unlink()
    with Kept(path, out) as kept:
        until(lambda: kept.told["mirrored_at"] is not None)
    assert rows_in(out) == 48


def test_a_run_that_fails_is_told_with_its_reason_and_tried_again(path, tmp_path):
    blocked = tmp_path / "none" / "mirror"
    with Kept(path, blocked, shortest_pause_s=0.01) as kept:
        until(lambda: kept.told["failures"] >= 2)
        assert (
            kept.told["last_error"] == f"expected the folder {blocked.parent} for the mirror, found none; make it first"
        )
        assert "FAILING since" in mirror_in_words(kept.told)
        blocked.parent.mkdir()
        until(lambda: kept.told["mirrored_at"] is not None)
        assert (kept.told["failing_since"], kept.told["failures"], kept.told["last_error"]) == (None, 0, "")
    assert kept.text.getvalue().count("could not be brought up to date") == 1


def test_room_on_the_disk_is_left_to_uplinks(path, tmp_path):
    with Kept(path, tmp_path / "mirror", reserve_mb=10**9) as kept:
        until(lambda: kept.told["failures"] > 0)
        assert "to be left on the disk" in kept.told["last_error"]


def test_the_store_can_be_let_go_and_taken_up_at_any_time(path, tmp_path):
    """As where it is opened again after trouble: nobody reads it once `let_go` is over, and that is no failure."""
    with Kept(path, tmp_path / "mirror") as kept:
        for _ in range(5):
            kept.mirror.let_go()
            kept.store.con.execute("CHECKPOINT")
            kept.mirror.turn(kept.store)
        until(lambda: kept.told["mirrored_at"] is not None)
    assert rows_in(kept.out) == 48


def test_commits_go_on_while_a_run_is_at_work(path, stores, tmp_path, monkeypatch):
    """A run that stands still in the middle of a file holds no commit up, and sees the store as it was."""
    from loamline.edges import mirror as edge

    begun, on = threading.Event(), threading.Event()
    write = edge.write_file

    def slow(stream, file, *rest):
        if "readings" in file.parts:
            begun.set()
            assert on.wait(60)
        return write(stream, file, *rest)

    monkeypatch.setattr(edge, "write_file", slow)
    with Kept(path, tmp_path / "mirror") as kept:
        assert begun.wait(60)
        kept.writer.commit([stores.accepted(stores.v1(stores.BARLEY, 60, 1700))], NOW)
        assert readings(kept.store, Selection()).read_all().num_rows == 49
        on.set()
        until(lambda: kept.told["mirrored_at"] is not None)
        assert rows_in(kept.out) == 48


def test_the_command_has_the_daemon_do_it_and_says_the_same(path, loamline, tmp_path):
    out = tmp_path / "mirror"
    with daemon_on(path) as log:
        result = loamline("mirror", "--store", path, "--out", out)
        again = json.loads(loamline("mirror", "--store", path, "--out", out, "--json").stdout)
        refused = loamline("mirror", "--store", path, "--out", tmp_path)
    assert result.stdout == f"48 readings in {out}; files: 4 written, 0 unchanged, 0 removed\n"
    assert again == {"readings": 48, "files": {"written": 0, "unchanged": 4, "removed": 0}, "out": str(out)}
    assert refused.exit_code == 1
    assert refused.stderr.startswith("expected an empty folder or a mirror at ")
    assert "mirror" in [line.get("request") for line in log if line["event"] == "asked"]
    assert rows_in(out) == 48


def test_the_real_daemon_keeps_it_through_kills_and_tells_status_metrics_and_doctor(path, loamline, tmp_path):
    out, config = tmp_path / "mirror", tmp_path / "loamline.toml"
    config.write_text(
        f'store = "{path}"\n[webhook]\nport = 0\n[mirror]\nfolder = "mirror"\nevery_minutes = 60\n'
        "[watch]\nreserve_mb = 0\n[metrics]\nport = 0\n"
    )
    for wait_s in (0.0, 0.05, 0.2):
        daemon = Daemon(None, path, "--config", str(config))
        until((out / MANIFEST).exists)
        time.sleep(wait_s)
        daemon.kill()
    daemon = Daemon(None, path, "--config", str(config))
    try:
        until(lambda: mirrored_at(out) is not None)
        until(socket_path(path).exists)
        told = loamline("status", "--store", path)
        with ControlClient(socket_path(path)) as client:
            found = of_daemon(Settings(store=path, webhook=WebhookSettings()), client).findings
    finally:
        assert daemon.terminate() == 0
    assert f"mirror        {out}, of 20" in told.stdout
    (finding,) = [one for one in found if one.what == "mirror"]
    assert finding.level == "fine"
    assert rows_in(out) == 48
    found = duckdb.connect().sql(f"SELECT count(DISTINCT (dev_eui, measured_at)) FROM '{out}/readings/*/*.parquet'")  # noqa: S608
    assert found.fetchall() == [(48,)]
    assert not list(out.rglob("*.unfinished"))
