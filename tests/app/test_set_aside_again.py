"""`loamline read-again`: messages that were no uplinks, read with the maps of now; nothing lost, nothing twice."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.core.lorawan.integrity import data_frame_mic
from loamline.edges.envelopes.kinds import recorded_kind
from loamline.edges.messages import Rejected
from loamline.edges.store.connection import Store
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

EXAMPLES = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"
STATE = (
    "SELECT dev_eui, fcnt, heard_at, heard_at_source, payload, (SELECT count(*) FROM reading), "
    "(SELECT list((detail, content, kind) ORDER BY content, kind) FROM rejected_message) "
    "FROM uplink JOIN probe_identity USING (probe_id) ORDER BY dev_eui, fcnt"
)


def flat(sequence: int, **changes: Any) -> dict[str, Any]:
    """Return a message that the shipped map `flat` is for."""
    told = json.loads((EXAMPLES / "flat.json").read_text())
    return {**told, "sequence": str(sequence), "millis": str(1777629600000 + sequence * 3_600_000), **changes}


def rows(store: Path, sql: str) -> list[Any]:
    """Return the rows of a query."""
    with Store.open(store, writable=False) as opened:
        return opened.con.execute(sql).fetchall()


@pytest.fixture
def maps(tmp_path: Path) -> Path:
    """Return a folder with the shipped map `flat`, to be mended."""
    folder = tmp_path / "maps"
    folder.mkdir()
    shutil.copy(EXAMPLES / "flat.toml", folder)
    return folder


def mend(maps: Path) -> None:
    """Teach the map another word of its server's."""
    path = maps / "flat.toml"
    path.write_text(path.read_text().replace("slow = 12", "slow = 12, odd = 8"))


@pytest.fixture
def kept(loamline: Any, tmp_path: Path, maps: Path) -> Path:
    """Return a store with one uplink, and three messages that its map did not read: an odd word twice, and no JSON."""
    path, store = tmp_path / "may.ndjson", tmp_path / "soil.duckdb"
    lines = [json.dumps(told) for told in (flat(1), flat(2, spread="odd"), flat(3, spread="odd"))]
    path.write_text("\n".join([*lines, "a diary"]))
    done = loamline("import", path, "--envelope", "flat", "--maps", maps, "--store", store, "--json")
    assert list(json.loads(done.stdout).values()) == [4, 1, 0, 0, 3]
    return store


@pytest.fixture
def again(loamline: Any, maps: Path) -> Any:
    """Return a function that reads again and gives the exit code and the counts."""

    def read(store: Path, *options: object) -> tuple[int, dict[str, int]]:
        done = loamline("read-again", "--store", store, "--maps", maps, "--json", *options)
        return done.exit_code, json.loads(done.stdout)

    return read


def test_what_the_mended_map_reads_becomes_uplinks_and_the_rest_stays(again: Any, maps: Path, kept: Path) -> None:
    mend(maps)
    code, counts = again(kept)
    assert (code, counts["kept"], counts["read"], counts["unreadable"]) == (0, 3, 2, 1)
    assert (counts["uplinks"], counts["accepted"], counts["duplicates"]) == (2, 2, 0)
    assert rows(kept, "SELECT fcnt, spreading_factor FROM uplink ORDER BY fcnt") == [(1, 9), (2, 8), (3, 8)]
    assert rows(kept, "SELECT count(*) FROM reading") == [(3,)]
    assert rows(kept, "SELECT content FROM rejected_message") == [(b"a diary",)]


def test_reading_again_twice_is_the_same_as_once(again: Any, maps: Path, kept: Path) -> None:
    before = rows(kept, STATE)
    assert again(kept)[1]["unreadable"] == 3
    assert rows(kept, STATE) == before
    mend(maps)
    again(kept)
    once = rows(kept, STATE)
    _, counts = again(kept)
    assert (counts["kept"], counts["read"], counts["unreadable"]) == (1, 0, 1)
    assert rows(kept, STATE) == once


def test_it_is_all_as_if_the_messages_had_been_read_at_once(
    loamline: Any, again: Any, maps: Path, kept: Path, tmp_path: Path
) -> None:
    mend(maps)
    again(kept)
    other = tmp_path / "other.duckdb"
    loamline("import", tmp_path / "may.ndjson", "--envelope", "flat", "--maps", maps, "--store", other)
    figures = "SELECT * EXCLUDE (provenance_id) FROM reading ORDER BY measured_at"
    assert rows(kept, figures) == rows(other, figures)
    assert loamline("verify", "--store", kept).exit_code == 0


def test_a_message_whose_uplink_came_by_another_way_since_is_a_duplicate_and_goes(
    loamline: Any, again: Any, maps: Path, kept: Path, tmp_path: Path
) -> None:
    mend(maps)
    loamline("import", tmp_path / "may.ndjson", "--envelope", "flat", "--maps", maps, "--store", kept)
    _, counts = again(kept)
    assert (counts["read"], counts["accepted"], counts["duplicates"]) == (2, 0, 2)
    assert rows(kept, "SELECT count(*) FROM uplink") == [(3,)]


def test_a_kill_before_the_commit_leaves_all_as_it_was_and_the_next_run_finishes(
    again: Any, maps: Path, kept: Path
) -> None:
    """A process of its own is killed when readings are written, the messages removed, and nothing is committed."""
    mend(maps)
    before = rows(kept, STATE)
    done = subprocess.run([sys.executable, "-c", KILLED, kept, maps], check=False, capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (-signal.SIGKILL, "3 uplinks, 1 message\n"), done.stderr
    assert rows(kept, STATE) == before
    assert again(kept)[1]["accepted"] == 2


#: Reads again as the command does, with a connection that is killed by what it should commit.
KILLED = """
import os, signal, sys
from pathlib import Path
from loamline.app.commands import read_again
from loamline.edges.store.connection import Store

class Connection:
    def __init__(self, con):
        self.con = con
    def __getattr__(self, name):
        return getattr(self.con, name)
    def execute(self, sql, *more):
        if sql == "COMMIT":
            count = "SELECT (SELECT count(*) FROM uplink), (SELECT count(*) FROM rejected_message)"
            print("%d uplinks, %d message" % self.con.execute(count).fetchone(), flush=True)
            os.kill(os.getpid(), signal.SIGKILL)
        return self.con.execute(sql, *more)

opened = Store.open
def open_to_be_killed(*told, **more):
    store = opened(*told, **more)
    store.con = Connection(store.con)
    return store
Store.open = open_to_be_killed
read_again.read_again(Path(sys.argv[1]), maps=Path(sys.argv[2]))
"""


def test_a_commit_that_fails_is_told_and_nothing_is_changed(loamline: Any, maps: Path, kept: Path) -> None:
    """A raw row that the store refuses stands for a full disk."""
    mend(maps)
    with Store.open(kept) as opened:
        opened.con.execute("CREATE UNIQUE INDEX one_port ON uplink (fport)")
    before = rows(kept, STATE)
    done = loamline("read-again", "--store", kept, "--maps", maps)
    assert done.exit_code == 1
    assert "expected to store 2 uplinks of messages kept at" in done.stderr
    assert "the rest stays kept: mend the cause and read again" in done.stderr
    assert rows(kept, STATE) == before


def test_a_message_without_a_time_was_heard_when_it_came_and_not_when_it_was_read(
    again: Any, maps: Path, tmp_path: Path
) -> None:
    store, came = tmp_path / "soil.duckdb", datetime(2026, 5, 1, 10, tzinfo=UTC)
    (maps / "flat.toml").write_text(
        '[uplink]\ndev_eui = {at = "/e"}\nfport = {at = "/p"}\nfcnt = {at = "/n"}\n'
        'payload = {at = "/h", encoding = "hex"}'
    )
    content = json.dumps({"e": "02AC000000000001", "p": 10, "n": 1, "h": "01073A05DCA025002A"}).encode()
    with Store.open(store, create=True) as opened:
        Writer(opened, builtin_codecs()).commit([_rejected(content)], came)
    assert again(store)[1]["accepted"] == 1
    ((heard_at, stored_at),) = rows(store, "SELECT heard_at, stored_at FROM uplink")
    assert (heard_at, stored_at > came) == (came, True)


def _rejected(content: bytes) -> Rejected:
    return Rejected("topic", "topic: another map", content, "map flat")


def test_of_a_message_with_several_uplinks_what_is_still_none_is_kept_by_itself(
    again: Any, maps: Path, tmp_path: Path
) -> None:
    store = tmp_path / "soil.duckdb"
    content = json.dumps([flat(1), flat(2, spread="odd")]).encode()
    with Store.open(store, create=True) as opened:
        Writer(opened, builtin_codecs()).commit([_rejected(content)])
    _, counts = again(store)
    assert (counts["kept"], counts["read"], counts["uplinks"], counts["left"]) == (1, 1, 1, 1)
    assert [json.loads(told) for (told,) in rows(store, "SELECT content FROM rejected_message")] == [
        flat(2, spread="odd")
    ]
    mend(maps)
    assert again(store)[1]["accepted"] == 1
    assert rows(store, "SELECT count(*) FROM rejected_message") == [(0,)]


def test_messages_that_came_under_a_wrong_kind_can_be_read_as_another(
    loamline: Any, again: Any, maps: Path, tmp_path: Path
) -> None:
    path, store = tmp_path / "may.ndjson", tmp_path / "soil.duckdb"
    path.write_text(json.dumps(flat(1)))
    assert loamline("import", path, "--store", store).exit_code == 1
    assert again(store)[1]["unreadable"] == 1
    assert again(store, "--envelope", "flat")[1]["accepted"] == 1


def frame(app_s_key: bytes, nwk_s_key: bytes, payload: bytes) -> bytes:
    """Return a PHYPayload: unconfirmed data up, DevAddr 26000001, FCnt 7, FPort 10 (LoRaWAN 1.0.4, section 4)."""
    told = bytes([0x40, *(0x26000001).to_bytes(4, "little"), 0, 7, 0, 10])
    told += frm_payload_cipher(app_s_key, 0x26000001, 7, payload)
    return told + data_frame_mic(nwk_s_key, 0x26000001, 7, told)


def test_frames_whose_key_was_missing_are_read_once_it_is_there(loamline: Any, again: Any, tmp_path: Path) -> None:
    path, keys, store = tmp_path / "may.ndjson", tmp_path / "probes.keys", tmp_path / "soil.duckdb"
    app, nwk = bytes(range(16)), bytes(range(16, 32))
    payload = bytes.fromhex("01073A05DCA025002A")
    path.write_text(json.dumps({"phy_payload_hex": frame(app, nwk, payload).hex(), "heard_at": "2026-05-01T10:00:00Z"}))
    keys.touch(0o600)
    keys.write_text("dev_eui,dev_addr,nwk_s_key,app_s_key\n")
    assert loamline("import", path, "--envelope", "phypayload", "--store", store).exit_code == 1
    assert again(store)[1]["unreadable"] == 1
    keys.write_text(f"dev_eui,dev_addr,nwk_s_key,app_s_key\n02AC000000000001,26000001,{nwk.hex()},{app.hex()}\n")
    assert again(store, "--keys", keys)[1]["accepted"] == 1
    assert rows(store, "SELECT fcnt, payload FROM uplink") == [(7, payload)]


@pytest.mark.parametrize("options", [(), ("--envelope", "flat")])
def test_a_message_under_another_probes_topic_does_not_pass_at_the_second_reading(
    again: Any, tmp_path: Path, options: tuple[str, ...]
) -> None:
    store, kind = tmp_path / "soil.duckdb", recorded_kind("flat", 2)
    content = json.dumps(flat(1)).encode()
    told = [Rejected(f"uplinks/02AC00000000000{n}", "another map", content + b" " * n, kind) for n in (1, 2)]
    with Store.open(store, create=True) as opened:
        Writer(opened, builtin_codecs()).commit(told)
    _, counts = again(store, *options)
    assert (counts["accepted"], counts["unreadable"]) == (1, 1)
    assert rows(store, "SELECT source FROM rejected_message") == [("uplinks/02AC000000000001",)]


def test_a_message_whose_map_is_not_there_stays_and_is_told(loamline: Any, kept: Path) -> None:
    before = rows(kept, STATE)
    done = loamline("read-again", "--store", kept)
    assert done.exit_code == 1
    assert done.stderr.startswith("read as map flat: envelope: expected one of canonical, ts002, phypayload, ")
    assert "3 kept: 0 read now, 0 still no uplinks, 3 not tried; 0 uplinks" in done.stdout
    assert rows(kept, STATE) == before


def test_nothing_kept_is_said_in_words(loamline: Any, stores: Any) -> None:
    done = loamline("read-again", "--store", stores.make())
    assert (done.exit_code, done.stdout) == (0, "no message is kept unread: there is nothing to read again\n")


def test_a_store_that_a_daemon_has_open_is_told(loamline: Any, kept: Path) -> None:
    with Store.open(kept):
        done = loamline("read-again", "--store", kept)
    assert (done.exit_code, done.stderr.startswith(f"expected {kept} to be free, but process")) == (1, True)


def test_messages_of_a_store_from_before_kinds_were_noted_are_canonical(again: Any, tmp_path: Path) -> None:
    """The column that a migration adds is null in the rows that were there."""
    store = tmp_path / "soil.duckdb"
    content = json.dumps({"dev_eui": "02AC000000000001", "fport": 10, "fcnt": 1, "payload_hex": "01073A05DCA025002A"})
    with Store.open(store, create=True) as opened:
        Writer(opened, builtin_codecs()).commit([_rejected(content.encode())])
        opened.con.execute("UPDATE rejected_message SET kind = NULL")
    assert again(store)[1]["accepted"] == 1
