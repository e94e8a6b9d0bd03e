"""`loamline import`: counts that add up, a second import that changes nothing, unreadable lines that are told."""

import gzip
import json
import os
import resource
import subprocess
import sys

import pytest

from loamline.edges.store.connection import Store
from tests.core.delivery_builder import measurement_v1

COUNTS = ["read", "accepted", "duplicates", "set_aside", "unreadable"]


def uplink(fcnt, **changes):
    told = {
        "dev_eui": "02AC000000000001",
        "dev_addr": "26000001",
        "fport": 10,
        "fcnt": fcnt,
        "payload_hex": measurement_v1(1850, counter=fcnt),
        "heard_at": f"2026-05-01T{fcnt:02}:00:00Z",
        "receptions": [{"gateway": "east", "rssi_dbm": -104.5, "snr_db": 2.25}],
    }
    return {**told, **changes}


@pytest.fixture
def store(tmp_path):
    return tmp_path / "soil.duckdb"


@pytest.fixture
def file(tmp_path):
    """Return a function that writes uplinks, or lines as they are, into a file."""

    def writer(*lines, name="may.ndjson"):
        path = tmp_path / name
        text = "".join((told if isinstance(told, str) else json.dumps(told)) + "\n" for told in lines).encode()
        path.write_bytes(gzip.compress(text) if name.endswith(".gz") else text)
        return path

    return writer


@pytest.fixture
def counted(loamline, store):
    """Return a function that imports files and gives the exit code and the counts of --json, in their order."""

    def importer(*arguments):
        done = loamline("import", *arguments, "--store", store, "--json")
        told = json.loads(done.stdout)
        assert list(told) == COUNTS
        return done.exit_code, list(told.values())

    return importer


def scalar(store, sql):
    with Store.open(store, writable=False) as opened:
        return opened.scalar(sql)


# --- counts -------------------------------------------------------------------------------------------------------


def test_every_line_is_counted_once(counted, file, store):
    """Two readings, one of them delivered twice; one payload that no codec reads; one line that is no uplink."""
    other_gateway = uplink(2, receptions=[{"gateway": "west"}])
    told = file(uplink(1), uplink(2), other_gateway, uplink(3, payload_hex="F0"), "no uplink")
    assert counted(told) == (1, [5, 2, 1, 1, 1])
    assert scalar(store, "SELECT count(*) FROM reading") == 2
    assert scalar(store, "SELECT count(*) FROM uplink") == 4
    assert scalar(store, "SELECT count(*) FROM set_aside") == 1
    assert scalar(store, "SELECT count(*) FROM rejected_message") == 1


def test_a_file_imported_again_is_all_duplicates(counted, file, store):
    told = file(uplink(1), uplink(2), uplink(3, payload_hex="F0"))
    assert counted(told) == (0, [3, 2, 0, 1, 0])
    before = scalar(store, "SELECT list(reading ORDER BY measured_at)::VARCHAR FROM reading")
    assert counted(told) == (0, [3, 0, 3, 0, 0])
    assert counted(told, told) == (0, [6, 0, 6, 0, 0])
    assert scalar(store, "SELECT list(reading ORDER BY measured_at)::VARCHAR FROM reading") == before


def test_several_files_gzip_or_not_are_one_import(counted, file):
    assert counted(file(uplink(1)), file(uplink(2), name="june.ndjson.gz")) == (0, [2, 2, 0, 0, 0])


def test_the_size_of_a_batch_changes_no_count(counted, file):
    told = file(*(uplink(fcnt) for fcnt in range(10)), uplink(9))
    assert counted(told, "--batch", 3) == (0, [11, 10, 1, 0, 0])


def test_an_empty_file_is_imported_without_a_word_of_complaint(counted, file):
    assert counted(file()) == (0, [0, 0, 0, 0, 0])


def test_an_unknown_probe_is_stored_and_decoded_all_the_same(counted, file, store):
    counted(file(uplink(1)))
    assert scalar(store, "SELECT moisture_count FROM reading WHERE vwc_m3_m3 IS NULL") == 1850


def test_for_people_the_counts_are_a_sentence(loamline, file, store):
    done = loamline("import", file(uplink(1), uplink(2, payload_hex="F0")), "--store", store)
    assert done.exit_code == 0
    assert "2 read: 1 accepted, 0 duplicates, 1 set aside, 0 unreadable" in done.stdout
    assert "loamline set-aside" in done.stdout


# --- lines that are no uplink -------------------------------------------------------------------------------------


def test_an_unreadable_line_is_told_with_its_number_the_rest_goes_on_and_the_exit_code_is_1(loamline, file, store):
    done = loamline("import", file(uplink(1), "{}", uplink(2), '{"dev_eui": "12"'), "--store", store)
    assert done.exit_code == 1
    assert "may.ndjson:2: expected exactly one of payload_hex and payload_base64, got neither" in done.stderr
    assert "may.ndjson:4: expected JSON, got EOF while parsing an object at line 1 column 16" in done.stderr
    assert "4 read: 2 accepted, 0 duplicates, 0 set aside, 2 unreadable" in done.stdout


def test_json_stays_pure_while_unreadable_lines_are_told_on_standard_error(loamline, file, store):
    done = loamline("import", file("rubbish"), "--store", store, "--json")
    assert json.loads(done.stdout)["unreadable"] == 1
    assert "may.ndjson:1:" in done.stderr


def test_an_unreadable_line_is_kept_whole_and_once(counted, file, store):
    told = file("r\u00fcbbish [markup]")
    assert counted(told) == counted(told) == (1, [1, 0, 0, 0, 1])
    with Store.open(store, writable=False) as opened:
        assert opened.con.execute("SELECT source, content FROM rejected_message").fetchall() == [
            ("may.ndjson:1", "r\u00fcbbish [markup]".encode())
        ]


def test_after_twenty_unreadable_lines_the_rest_is_counted_and_not_shown(loamline, file, store):
    done = loamline("import", file(*(f"rubbish {n}" for n in range(30))), "--store", store)
    assert done.stderr.count("expected JSON") == 20
    assert "further unreadable lines are counted and kept, not shown" in done.stderr
    assert "30 unreadable" in done.stdout


# --- what can't be done -------------------------------------------------------------------------------------------


def test_a_file_that_is_not_there_is_told_before_anything_is_stored(loamline, file, store, tmp_path):
    done = loamline("import", file(uplink(1)), tmp_path / "none", "--store", store)
    assert done.exit_code == 1
    assert done.stderr.strip() == f"expected a file of uplinks at {tmp_path / 'none'}, found none; nothing was imported"
    assert not store.exists()


def test_a_store_that_is_in_use_is_told_in_one_sentence(loamline, file, store):
    with Store.open(store, create=True):
        done = loamline("import", file(uplink(1)), "--store", store)
    assert done.exit_code == 1
    assert done.stderr.strip() == (
        f"expected {store} to be free, but process {os.getpid()} has it open; stop it (or wait for it) and try again. "
        "While a daemon runs, commands that only read work beside it, "
        "and it does the work of `backup`, `key`, `registry load`, `replay`, `archive` and `mirror`"
    )


def test_a_file_that_is_no_store_is_told_in_one_sentence(loamline, file, store):
    store.write_text("a diary\n")
    done = loamline("import", file(uplink(1)), "--store", store)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"expected a loamline store at {store}, could not open it: ")
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_disk_that_fills_up_is_told_and_what_came_before_is_stored(loamline, file, store):
    """A limit on the size of files stands for the full disk; the import is then run again without it."""
    loamline("import", file(uplink(0), name="first.ndjson"), "--store", store)
    most = store.stat().st_size + 20_000
    receptions = [{"gateway": f"gateway-{number}-{'x' * 45}"} for number in range(60)]
    told = file(*(uplink(fcnt % 24, dev_eui=f"02AC00000000{fcnt:04X}", receptions=receptions) for fcnt in range(500)))
    done = subprocess.run(
        [sys.executable, "-c", "from loamline.app.cli import main; main()", "import", told, "--store", store],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)),
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "mend the cause and import the file again" in done.stderr
    assert scalar(store, "SELECT count(*) FROM uplink") == 1
    again = loamline("import", told, "--store", store, "--json")
    assert (again.exit_code, json.loads(again.stdout)["read"]) == (0, 500)
    assert scalar(store, "SELECT count(DISTINCT probe_id) FROM uplink") == 500
