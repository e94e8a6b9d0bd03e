"""`loamline verify`: equal where live left it alone; whatever is planted is found and told."""

from __future__ import annotations

import json
import shutil

import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from loamline_schemas.tables import PROVENANCE, READING, SET_ASIDE, STATUS
from tests.conftest import Stores

#: How many readings the 200 uplinks of `path` give: some carry two depths.
READINGS = 265
STATUS_PAYLOAD = bytes.fromhex("1205020E1A0CF8002238005A")  # the data sheet's worked vector


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a store with readings of three probes and a stranger, a status, and an uplink set aside."""
    stores = Stores(tmp_path_factory.mktemp("verify"))
    status = stores.uplink(stores.PEARS, STATUS_PAYLOAD, stores.START, fcnt=900, fport=11)
    unread = stores.uplink(stores.PEARS, "7F00", stores.START, fcnt=901)
    return stores.make(stores.season()[:200], [status, unread])


@pytest.fixture
def path(made, tmp_path):
    """Return a copy of it, to be spoilt."""
    return shutil.copy(made, tmp_path / "spoilt.duckdb")


@pytest.fixture
def verified(loamline):
    """Return a function that gives the exit code and the JSON of `loamline verify`."""

    def run(store, *arguments):
        result = loamline("verify", "--store", store, "--json", *arguments)
        return result.exit_code, json.loads(result.stdout)

    return run


def planted(path, *statements):
    """Change the store behind the writer's back."""
    with Store.open(path, writable=True) as store:
        for statement in statements:
            store.con.execute(statement)


# --- equal --------------------------------------------------------------------------------------------------------


def test_what_the_writer_left_is_equal(path, verified, loamline):
    code, told = verified(path)
    assert (code, told["differences"], told["first"]) == (0, 0, [])
    assert (told["readings"], told["statuses"], told["set_aside"]) == (READINGS, 1, 1)
    assert (told["probes"], told["deliveries"]) == (4, 202)
    assert "equal" in loamline("verify", "--store", path).stdout


def test_an_empty_store_is_equal(stores, verified):
    assert verified(stores.make())[0] == 0


def test_blocks_of_any_size_come_to_the_same(path):
    planted(path, "UPDATE reading SET gateways = 7 WHERE depth_index = 1")
    with Store.open(path, writable=False) as store:
        told = [verify(store, builtin_codecs(), block=block) for block in (1, 60, 10_000)]
    assert told[0] == told[1] == told[2]
    assert told[0].differences > 0


def test_progress_runs_to_the_end(path):
    seen = []
    with Store.open(path, writable=False) as store:
        verify(store, builtin_codecs(), block=50, progress=lambda done, total: seen.append((done, total)))
    assert seen == sorted(seen)
    assert seen[-1] == (202, 202)
    assert len(seen) > 3


# --- planted changes ----------------------------------------------------------------------------------------------

OTHER = {
    "INTEGER": "{0} IS NULL ? 1 : {0} + 1",
    "DOUBLE": "coalesce({0} * (1 + 2.3e-16), 1.5)",
    "BOOLEAN": "{0} IS NOT TRUE",
    "VARCHAR": "coalesce({0}, '') || 'x'",
    "TIMESTAMP WITH TIME ZONE": "{0} + INTERVAL 1 MICROSECOND",
}


def another(column):
    """Return an SQL expression for another value than the column's own; of a double only the last bits differ."""
    kind = column.ddl.split(" ", 1)[1].removesuffix(" NOT NULL")
    told = OTHER.get(kind, OTHER["INTEGER"]).replace(" ? 1 :", " THEN 1 ELSE")
    return ("CASE WHEN " + told + " END" if "THEN" in told else told).format(column.name)


KEYS = {
    "reading": ("probe_id", "depth_index", "measured_at", "provenance_id"),
    "status": ("probe_id", "heard_at", "fcnt"),
    "set_aside": ("seq", "probe_id", "envelope"),
}


@pytest.mark.parametrize(
    ("table", "column"),
    [
        pytest.param(table, column, id=f"{table.name}.{column.name}")
        for table in (READING, STATUS, SET_ASIDE)
        for column in table.columns
        if column.name not in KEYS[table.name]
    ],
)
def test_a_changed_value_of_any_column_is_told_with_both_values(path, verified, table, column):
    planted(
        path,
        f"UPDATE {table.name} SET {column.name} = {another(column)} "  # noqa: S608 - our own names
        f"WHERE rowid = (SELECT max(rowid) FROM {table.name})",
    )
    code, told = verified(path)
    assert (code, told["differences"]) == (1, 1)
    (difference,) = told["first"]
    assert (difference["table"], difference["column"]) == (table.name, column.name)
    assert difference["dev_eui"].startswith("02BB")
    assert difference["stored"] != difference["derived"]


@pytest.mark.parametrize("column", PROVENANCE.columns[1:], ids=lambda column: column.name)
def test_readings_whose_provenance_says_something_else_are_told(path, verified, column):
    """The number stays the same; what it stands for does not."""
    planted(path, f"UPDATE provenance SET {column.name} = {another(column)}")  # noqa: S608 - our own names
    code, told = verified(path)
    assert (code, told["differences"]) == (1, READINGS)
    assert {difference["column"] for difference in told["first"]} == {column.name}


def test_a_provenance_under_another_number_is_no_difference(path, verified):
    planted(
        path,
        "UPDATE provenance SET provenance_id = provenance_id + 1000",
        "UPDATE reading SET provenance_id = provenance_id + 1000",
    )
    assert verified(path)[0] == 0


def test_a_provenance_number_that_stands_for_nothing_is_told(path, verified):
    planted(path, "UPDATE reading SET provenance_id = 9999 WHERE rowid = 0")
    code, told = verified(path)
    assert code == 1
    assert {(told["column"], told["stored"]) for told in told["first"]} >= {("codec", None), ("limits_digest", None)}


@pytest.mark.parametrize("table", ["reading", "status", "set_aside"])
def test_a_row_that_is_missing_is_told_whole(path, verified, table):
    planted(path, f"DELETE FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})")  # noqa: S608
    code, told = verified(path)
    assert (code, told["differences"]) == (1, 1)
    (difference,) = told["first"]
    assert (difference["table"], difference["column"], difference["stored"]) == (table, None, None)
    assert difference["derived"]["probe_id"] > 0


@pytest.mark.parametrize("table", ["reading", "status", "set_aside"])
def test_a_row_that_stands_twice_is_told_whole(path, verified, table):
    planted(path, f"INSERT INTO {table} SELECT * FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})")  # noqa: S608
    code, told = verified(path)
    assert (code, told["differences"]) == (1, 1)
    (difference,) = told["first"]
    assert (difference["table"], difference["column"], difference["derived"]) == (table, None, None)


def test_rows_of_a_probe_that_was_never_heard_are_told(path, verified):
    planted(path, "UPDATE reading SET probe_id = 77 WHERE rowid = 0")
    code, told = verified(path)
    assert (code, told["differences"]) == (1, 2)
    assert {(difference["dev_eui"] is None, difference["stored"] is None) for difference in told["first"]} == {
        (True, False),
        (False, True),
    }


def test_a_reading_at_another_instant_is_one_too_many_and_one_too_few(path, verified):
    planted(path, "UPDATE reading SET measured_at = measured_at + INTERVAL 1 MINUTE WHERE rowid = 3")
    assert verified(path)[1]["differences"] == 2


# --- telling ------------------------------------------------------------------------------------------------------


def test_first_limits_what_is_told_and_not_what_is_counted(path, verified, loamline):
    planted(path, "UPDATE reading SET gateways = gateways + 1")
    code, told = verified(path, "--first", "3")
    assert (code, told["differences"], len(told["first"])) == (1, READINGS, 3)
    text = loamline("verify", "--store", path, "--first", "3").stdout
    assert len([line for line in text.splitlines() if "reading.gateways: stored 2, derived 1" in line]) == 3
    assert f"{READINGS - 3} of them not shown" in text


def test_text_tells_probe_depth_instant_and_every_digit(stores, path, loamline):
    planted(path, "UPDATE reading SET supply_v = 3.6000000000000005 WHERE rowid = 0")
    result = loamline("verify", "--store", path)
    assert result.exit_code == 1
    assert (
        f"{stores.BARLEY} depth 0 2026-05-01T00:00:00Z: reading.supply_v: stored 3.6000000000000005, derived 3.6"
        in result.stdout
    )


# --- what verifies with which codecs ------------------------------------------------------------------------------


def test_private_codecs_count(stores, path, loamline, verified, tmp_path):
    """What was set aside reads with a private codec: two differences, the row set aside and the reading."""
    folder = tmp_path / "codecs-of-mine"
    folder.mkdir()
    (folder / "private_v7.py").write_text(PRIVATE)
    assert verified(path)[0] == 0
    code, told = verified(path, "--codec-dir", folder)
    assert (code, told["differences"]) == (1, 2)
    assert {(d["table"], d["derived"] is None) for d in told["first"]} == {("reading", False), ("set_aside", True)}


PRIVATE = """
from construct import Const, Int8ub, Struct
from loamline_codecs import Codec, Match, Quantity, SampleGroup

CODEC = Codec(
    "private-v7",
    "A test bench's.",
    "measurement",
    Match(10, 8, 0x7F),
    Struct("version" / Const(0x7F, Int8ub), "count" / Int8ub),
    (),
    (SampleGroup(depth_index=0, quantities=(Quantity("moisture_count", "count", "{count}"),)),),
)
"""


# --- wrong use ----------------------------------------------------------------------------------------------------


def test_a_store_that_is_not_there_is_wrong_use(tmp_path, loamline):
    result = loamline("verify", "--store", tmp_path / "none.duckdb")
    assert result.exit_code == 2
    assert "expected a store" in result.output


def test_a_store_that_is_in_use_is_told(path, loamline):
    with Store.open(path, writable=True):
        result = loamline("verify", "--store", path)
    assert result.exit_code == 2
    assert "to be free" in result.output


def test_a_folder_of_codecs_that_is_not_there_is_wrong_use(path, tmp_path, loamline):
    assert loamline("verify", "--store", path, "--codec-dir", tmp_path / "none").exit_code == 2


@pytest.mark.parametrize("arguments", [(), ("--store",), ("--store", "x", "--first", "-1")])
def test_wrong_arguments_are_wrong_use(arguments, loamline):
    assert loamline("verify", *arguments).exit_code == 2
