"""Opening the store: who may, what is made, and what is refused in one sentence instead of being lost."""

import os
import resource
import subprocess
import sys

import duckdb
import pytest

from loamline.edges.store.connection import Store, StoreBusyError, StoreError, migrate
from loamline.edges.store.lock import BESIDE
from loamline_schemas.migrations import MIGRATIONS


@pytest.fixture
def path(tmp_path):
    return tmp_path / "soil.duckdb"


@pytest.fixture
def made(path):
    """Return the path of a store that is there, holds one uplink, and is closed."""
    with Store.open(path, create=True) as store:
        store.con.execute(
            "INSERT INTO uplink (seq, probe_id, fcnt, fport, payload, heard_at, heard_at_source, receptions, digest, "
            "reference_id, stored_at) VALUES (41, 1, 7, 10, 'a', now(), 0, [], 1, 0, now())"
        )
        store.write_watermark(41)
    return path


def refusal(path, **how):
    """Return the sentence with which the store does not open, and be sure that it is one."""
    with pytest.raises(StoreError) as problem:
        Store.open(path, **how)
    assert "\n" not in str(problem.value)
    return str(problem.value)


# --- making and opening -------------------------------------------------------------------------------------------


def test_a_new_store_is_empty_with_the_registry_state_from_before_anything_was_loaded(path):
    with Store.open(path, create=True) as store:
        assert store.last_seq() == 0
        assert store.con.execute("SELECT reference_id, digest FROM reference").fetchall() == [(0, "")]
        assert store.con.execute("SELECT name FROM migration").fetchall() == [(step.name,) for step in MIGRATIONS]


def test_a_store_opens_again_with_what_it_held(made):
    for _ in range(2):
        with Store.open(made, create=True) as store:
            assert store.last_seq() == 41


def test_times_are_utc_whatever_the_machine_thinks(made):
    with Store.open(made) as store:
        assert store.scalar("SELECT current_setting('TimeZone')") == "UTC"


def test_a_store_that_is_not_there_is_only_made_when_asked(path):
    told = f"expected a store at {path}, found none; `loamline registry load` or `import` makes one"
    assert refusal(path) == refusal(path, writable=False) == told
    assert list(path.parent.iterdir()) == []


def test_a_store_in_a_folder_that_is_not_there_is_refused(path):
    folder = path.parent / "none"
    told = f"expected the folder {folder} for the store, found none; make it first"
    assert refusal(folder / "soil.duckdb", create=True) == told


# --- one process at a time ----------------------------------------------------------------------------------------


def test_while_a_process_writes_a_second_one_is_told_which(made):
    told = (
        f"expected {made} to be free, but process {os.getpid()} has it open; stop it (or wait for it) and try again. "
        + BESIDE
    )
    with Store.open(made):
        assert refusal(made) == refusal(made, writable=False) == told
    with pytest.raises(StoreBusyError), Store.open(made), Store.open(made):
        pass


def test_another_process_is_refused_with_the_same_sentence(made):
    code = (
        "import sys, pathlib; from loamline.edges.store.connection import Store; Store.open(pathlib.Path(sys.argv[1]))"
    )
    with Store.open(made):
        done = subprocess.run([sys.executable, "-c", code, made], capture_output=True, text=True, check=False)
    assert f"StoreBusyError: expected {made} to be free, but process {os.getpid()} has it open" in done.stderr
    assert subprocess.run([sys.executable, "-c", code, made], check=False).returncode == 0


def test_readers_share_the_store_and_keep_a_writer_out(made):
    """The reader is not taken for the process that wrote last."""
    with Store.open(made, writable=False) as one, Store.open(made, writable=False) as two:
        assert one.last_seq() == two.last_seq() == 41
        told = f"expected {made} to be free, but another process has it open; stop it (or wait for it) and try again. "
        assert refusal(made) == told + BESIDE
    with Store.open(made) as store:
        assert store.writable


def test_a_reader_changes_nothing(made):
    with Store.open(made, writable=False) as store, pytest.raises(duckdb.InvalidInputException, match="read-only"):
        store.con.execute("DELETE FROM uplink")


def test_a_store_that_could_not_be_opened_is_free_again(path, made):
    made.with_name("text").write_text("no database\n" * 100)
    for _ in range(2):
        assert "could not open it" in refusal(made.with_name("text"))


def test_a_lock_file_that_can_not_be_had_is_told(path):
    lock = path.with_name("soil.duckdb.lock")
    lock.mkdir()
    assert refusal(path, create=True) == f"expected to lock the store by {lock}, got Is a directory"


# --- a creation cut short -----------------------------------------------------------------------------------------

DIE_HALF_WAY = """
import os, sys
from pathlib import Path
from loamline.edges.store.connection import Store

def die(event, arguments):
    if event == "os.rename":
        os._exit(9)

sys.addaudithook(die)
Store.open(Path(sys.argv[1]), create=True)
"""


def test_a_process_that_dies_while_making_a_store_leaves_none_and_the_next_start_makes_it(path):
    """It dies in the moment before the finished file gets its name."""
    done = subprocess.run([sys.executable, "-c", DIE_HALF_WAY, path], check=False)
    assert done.returncode == 9
    assert path.with_name("soil.duckdb.creating").exists()
    assert not path.exists()
    with Store.open(path, create=True) as store:
        assert store.last_seq() == 0
    assert not path.with_name("soil.duckdb.creating").exists()


def test_a_creation_cut_short_anywhere_else_does_not_disturb_the_next_one(path):
    """Half a database and half a write-ahead log."""
    path.with_name("soil.duckdb.creating").write_bytes(b"\x00" * 5000)
    path.with_name("soil.duckdb.creating.wal").write_bytes(b"\x01" * 77)
    with Store.open(path, create=True) as store:
        assert store.last_seq() == 0


def test_a_disk_that_fills_up_while_a_store_is_made_is_told_and_leaves_none(path):
    """A limit on the size of files stands for the full disk."""
    code = (
        "import sys, pathlib; from loamline.edges.store.connection import Store; "
        "Store.open(pathlib.Path(sys.argv[1]), create=True)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, path],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)),
    )
    assert f"StoreError: expected to make a store at {path}, got " in done.stderr
    assert not path.exists()
    with Store.open(path, create=True) as store:
        assert store.last_seq() == 0


# --- what is no store of ours -------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"site,customer\n" * 50, b"", b"\x00" * 20_000], ids=["text", "empty", "zeros"])
@pytest.mark.parametrize("writable", [True, False])
def test_a_file_that_is_no_database_is_refused_and_left_alone(path, content, writable):
    path.write_bytes(content)
    told = refusal(path, create=writable, writable=writable)
    assert told.startswith(f"expected a loamline store at {path}, could not open it: ")
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_refused_and_left_alone(path):
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE orders (number INTEGER)")
    told = f"expected a loamline store at {path}, found a DuckDB file of something else; name another file"
    assert refusal(path, create=True) == refusal(path, writable=False) == told
    with duckdb.connect(str(path)) as con:
        assert con.execute("SELECT table_name FROM duckdb_tables()").fetchall() == [("orders",)]


def test_a_store_of_a_newer_schema_is_refused(made):
    with Store.open(made) as store:
        store.con.execute("INSERT INTO migration VALUES (99, 'of the future', now())")
    told = (
        f"expected a store of schema {MIGRATIONS[-1].number} or older at {made}, got 99; "
        "a newer loamline wrote it: upgrade this one"
    )
    assert refusal(made) == refusal(made, writable=False) == told


def test_a_store_of_an_older_schema_is_brought_up_to_date_by_a_writer_only(path):
    """An empty database with a record of no migration stands for the older one."""
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE migration (number INTEGER, name VARCHAR, applied_at TIMESTAMPTZ)")
    told = (
        f"expected a store of schema {MIGRATIONS[-1].number} at {path}, got 0; "
        "`loamline ingest` and `loamline registry load` bring it up to date"
    )
    assert refusal(path, writable=False) == told
    with Store.open(path) as store:
        assert migrate(store.con) == []
    with Store.open(path, writable=False) as store:
        assert store.last_seq() == 0


# --- the watermark ------------------------------------------------------------------------------------------------


def test_a_store_that_holds_less_than_was_acknowledged_is_refused(made):
    """What a shortened write-ahead log looks like; DuckDB itself opens one without a word."""
    mark = made.with_name("soil.duckdb.watermark")
    with Store.open(made) as store:
        store.write_watermark(42)
    told = refusal(made)
    assert told.startswith(
        f"expected at least sequence number 42 in {made}, found 41: acknowledged messages are missing"
    )
    assert told.endswith(f"or remove {mark} to accept the loss")
    assert refusal(made, writable=False) == told
    mark.unlink()
    with Store.open(made) as store:
        assert store.last_seq() == 41


def test_a_store_that_holds_more_than_the_watermark_opens(made):
    """The commit came through, the note after it did not: nothing is missing."""
    with Store.open(made) as store:
        store.write_watermark(40)
    with Store.open(made) as store:
        assert store.last_seq() == 41


@pytest.mark.parametrize("content", ["", "{", "[]", '{"last_seq": null}', '{"seq": 99}'])
def test_a_watermark_that_says_nothing_keeps_nobody_out(made, content):
    """It is replaced as a whole, so that a torn one was never true."""
    made.with_name("soil.duckdb.watermark").write_text(content)
    with Store.open(made) as store:
        assert store.last_seq() == 41


def test_a_write_ahead_log_that_was_cut_off_is_noticed(path):
    """The real thing: commit, note, die without a checkpoint, lose the log's end."""
    code = """
import os, sys
from pathlib import Path
from loamline.edges.store.connection import Store

store = Store.open(Path(sys.argv[1]), create=True)
for seq in range(1, 6):
    store.con.execute(
        "INSERT INTO uplink (seq, probe_id, fcnt, fport, payload, heard_at, heard_at_source, receptions, digest, "
        "reference_id, stored_at) VALUES (?, 1, 7, 10, 'a', now(), 0, [], 1, 0, now())",
        [seq],
    )
    store.write_watermark(seq)
os._exit(0)
"""
    subprocess.run([sys.executable, "-c", code, path], check=True)
    log = path.with_name("soil.duckdb.wal")
    size = log.stat().st_size
    os.truncate(log, size // 2)
    assert f"expected at least sequence number 5 in {path}, found " in refusal(path)
