"""A lent view gives what a connection of one's own gives, and is taken back from whoever keeps it."""

from __future__ import annotations

import math
import socket
import threading
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.edges.store.borrowed import BorrowedConnection
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.lending import Lender, LendingError
from tests.support.daemon import until


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "s.duckdb", create=True) as told:
        yield told


@contextmanager
def lent(store, lender=None):
    """Yield a connection to a view of the store, and whoever lends it."""
    lender = lender or Lender()
    ours, theirs = socket.socketpair()
    lender.lend(store).begin(theirs)
    con = BorrowedConnection(ours)
    try:
        yield con
    finally:
        con.close()
        lender.closed("the test is over")


def typed(value):
    """Return a value so that another type, sign or zone of it is another, and a NaN is itself."""
    if isinstance(value, float):
        return "float", math.copysign(1, value), repr(value)
    if isinstance(value, list | tuple):
        return type(value), [typed(item) for item in value]
    if isinstance(value, dict):
        return [(typed(key), typed(item)) for key, item in value.items()]
    return type(value), repr(value)


#: A column a type, of values that a cast of text gives; an interval and a HUGEINT are what sums and differences give.
_TYPES = (
    "BIGINT", "UBIGINT", "HUGEINT", "UHUGEINT", "UTINYINT", "DOUBLE", "FLOAT", "BOOLEAN", "VARCHAR", "BLOB", "DATE",
    "TIME", "TIMETZ", "TIMESTAMP", "TIMESTAMPTZ", "TIMESTAMP_NS", "INTERVAL", "UUID", "DECIMAL(38, 9)", "BIT", "JSON",
    "ENUM('dry', 'wet')",
)  # fmt: skip
_SCALARS = {
    "BIGINT": st.integers(-(2**63), 2**63 - 1).map(str),
    "UBIGINT": st.integers(0, 2**64 - 1).map(str),
    "HUGEINT": st.integers(-(2**127) + 1, 2**127 - 1).map(str),
    "UHUGEINT": st.integers(0, 2**128 - 1).map(str),
    "UTINYINT": st.integers(0, 255).map(str),
    "DOUBLE": st.floats().map(str),
    "FLOAT": st.floats(width=32).map(str),
    "BOOLEAN": st.booleans().map(str),
    "VARCHAR": st.text(st.characters(exclude_categories=["Cs"]), max_size=9),
    "BLOB": st.binary(max_size=9).map(lambda told: "".join(f"\\x{byte:02X}" for byte in told)),
    "DATE": st.dates().map(str),
    "TIME": st.times().map(str),
    "TIMETZ": st.times().map(lambda told: f"{told}+05:30"),
    "TIMESTAMP": st.datetimes().map(str),
    "TIMESTAMPTZ": st.datetimes(timezones=st.just(UTC)).map(str),
    "TIMESTAMP_NS": st.integers(-(2**62), 2**62).map(lambda told: str(np.datetime64(told, "ns")).replace("T", " ")),
    "INTERVAL": st.integers(-(10**6), 10**6).map(lambda told: f"{told} seconds"),
    "UUID": st.uuids().map(str),
    "DECIMAL(38, 9)": st.decimals(-(10**28), 10**28, places=9).map(lambda told: f"{told:f}"),
    "BIT": st.text("01", min_size=1, max_size=9),
    "JSON": st.sampled_from(['{"a": [1, null]}', "[]", '"x"', "null"]),
    "ENUM('dry', 'wet')": st.sampled_from(["dry", "wet"]),
}
_COLUMNS = st.lists(
    st.sampled_from(_TYPES).flatmap(lambda kind: st.tuples(st.just(kind), st.lists(st.none() | _SCALARS[kind], max_size=4))),  # noqa: E501
    min_size=1, max_size=4,
)  # fmt: skip


def expression(kind, items):
    """Return SQL for a scalar, a list, a structure and a map of the same items."""
    told = ["NULL" if item is None else "'" + item.replace("'", "''") + "'" for item in items]
    cast = [f"{one}::{kind}" for one in told] or [f"NULL::{kind}"]
    listed = f"[{', '.join(cast)}]"
    return f"{cast[0]}, {listed}, {{'first': {cast[-1]}, 'all': {listed}}}, MAP {{'one': {cast[0]}}}"


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """Return a connection of one's own and a borrowed one, to the same store."""
    path: Path = tmp_path_factory.mktemp("pair") / "s.duckdb"
    with Store.open(path, create=True) as local, lent(local, Lender(longest_s=3600, idle_s=3600)) as con:
        yield local.con, con


@settings(max_examples=40, deadline=None)
@given(columns=_COLUMNS, rows=st.sampled_from([0, 1, 3, 1100]))
def test_rows_are_those_of_a_connection_of_ones_own(pair, columns, rows):
    """Values and their types, for rows in one piece and in several; and Arrow tables of the same schema."""
    local, con = pair
    told = ", ".join(expression(*column) for column in columns)
    asked = f"SELECT 1::HUGEINT AS whole, {told} FROM range({rows})"  # noqa: S608 - the columns above
    wanted = [typed(row) for row in local.execute(asked).fetchall()]
    assert len(wanted) == rows
    for found in (con.execute(asked).fetchall(), con.sql(asked).fetchall()):
        assert [typed(row) for row in found] == wanted
    table, again = local.sql(asked).to_arrow_table(), con.sql(asked).to_arrow_table()
    assert again.schema == table.schema
    for one, other in zip(again.columns, table.columns, strict=True):
        assert typed(one.to_pylist()) == typed(other.to_pylist())


_PARAMETERS = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.text(st.characters(exclude_categories=["Cs"]))
    | st.floats(allow_nan=False)
    | st.binary()
    | st.dates()
    | st.datetimes()
    | st.datetimes(timezones=st.just(UTC)),
    lambda inner: st.lists(inner, min_size=1, max_size=1),
    max_leaves=3,
)


@settings(max_examples=50, deadline=None)
@given(value=_PARAMETERS)
def test_parameters_arrive_as_they_are(pair, value):
    local, con = pair
    wanted = [typed(row) for row in local.execute("SELECT ?, typeof(?)", [value, value]).fetchall()]
    assert [typed(row) for row in con.execute("SELECT ?, typeof(?)", [value, value]).fetchall()] == wanted
    named = con.sql("SELECT $one, typeof($one)", params={"one": value}).fetchall()
    assert [typed(row) for row in named] == wanted


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("INSERT INTO probe_identity VALUES (1, 'x')", duckdb.InvalidInputException),
        ("DELETE FROM uplink", duckdb.InvalidInputException),
        ("COPY (SELECT 1) TO '{file}'", duckdb.InvalidInputException),
        ("ATTACH '{file}' AS other", duckdb.InvalidInputException),
        ("SET threads = 1", duckdb.InvalidInputException),
        ("COMMIT", duckdb.InvalidInputException),
        ("CHECKPOINT", duckdb.InvalidInputException),
        ("SELECT 1; DROP TABLE uplink", duckdb.InvalidInputException),
        ("", duckdb.InvalidInputException),
        (
            "WITH gone AS (DELETE FROM migration RETURNING number) SELECT * FROM gone",
            (duckdb.TransactionException, duckdb.ParserException, duckdb.BinderException),
        ),
    ],
)
def test_what_writes_is_refused(store, tmp_path, statement, kind):
    before = store.con.execute("SELECT count(*) FROM migration").fetchall()
    for ask in (lambda con, sql: con.execute(sql), lambda con, sql: con.sql(sql).to_arrow_table()):
        with lent(store) as con, pytest.raises(kind):
            ask(con, statement.format(file=tmp_path / "written"))
    assert store.con.execute("SELECT count(*) FROM migration").fetchall() == before
    assert not (tmp_path / "written").exists()


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("SELECT * FROM nowhere", duckdb.CatalogException),
        ("SELEKT 1", duckdb.ParserException),
        ("SELECT nothing FROM uplink", duckdb.BinderException),
        ("SELECT (10 + range)::UTINYINT FROM range(5000)", duckdb.ConversionException),
    ],
)
def test_errors_are_raised_as_they_are(store, statement, kind):
    for ask in (lambda con: con.execute(statement).fetchall(), lambda con: con.sql(statement).to_arrow_table()):
        with pytest.raises(kind) as local:
            ask(store.con)
        with lent(store) as con, pytest.raises(kind) as told:
            ask(con)
        assert type(told.value) is type(local.value)
        assert str(told.value) == str(local.value)


def test_tables_of_the_command_are_known_until_they_are_forgotten(store):
    with lent(store) as con:
        con.register("_asked", pa.table({"probe_id": pa.chunked_array([[1, 2], [], [3]], pa.int32())}))
        assert con.sql("SELECT sum(probe_id) FROM _asked").fetchall() == [(6,)]
        con.unregister("_asked")
        with pytest.raises(duckdb.CatalogException):
            con.sql("SELECT * FROM _asked").fetchall()


def test_a_stream_comes_batch_by_batch(store):
    with lent(store) as con:
        reader = con.sql("SELECT range AS n FROM range(200000)").to_arrow_reader(10_000)
        first = reader.read_next_batch()
        assert first.num_rows <= 10_000
        assert first.num_rows + sum(batch.num_rows for batch in reader) == 200_000


def test_a_view_that_lies_idle_is_taken_back_with_a_sentence(store):
    reasons = []
    with lent(store, Lender(reasons.append, idle_s=0.05)) as con:
        until(lambda: reasons)
        with pytest.raises(StoreError, match=r"took its store back: expected the next question within 0\.05 s"):
            con.execute("SELECT 1")


def test_a_view_that_is_kept_for_long_is_taken_back_even_in_the_middle_of_a_statement(store):
    reasons = []
    lender = Lender(reasons.append, longest_s=0.2)
    with lent(store, lender) as con:
        raised = []

        def ask():
            try:
                con.execute(
                    "SELECT count(*) FROM range(10000000) a, range(10000000) b WHERE a.range < b.range"
                ).fetchall()
            except StoreError as problem:
                raised.append(str(problem))

        asking = threading.Thread(target=ask)
        asking.start()
        until(lambda: lender.look_after() or reasons)
        asking.join(timeout=60)
    assert raised[0].startswith("the daemon took its store back: expected the command to be through within")


def test_a_stream_that_is_taken_back_raises_the_sentence_to_whoever_reads_it(store):
    lender = Lender()
    with lent(store, lender) as con:
        reader = con.sql("SELECT range AS n FROM range(200000)").to_arrow_reader(10_000)
        reader.read_next_batch()
        lender.closed("the daemon stops")
        with pytest.raises(StoreError, match="took its store back: the daemon stops"):
            reader.read_all()


def test_one_that_leaves_in_the_middle_of_a_statement_is_noticed(store):
    reasons = []
    lender = Lender(reasons.append)
    ours, theirs = socket.socketpair()
    lender.lend(store).begin(theirs)
    con = BorrowedConnection(ours)
    con._frames.send(
        {
            "do": "rows",
            "sql": "SELECT count(*) FROM range(10000000) a, range(10000000) b WHERE a.range < b.range",
            "params": None,
        }
    )
    ours.close()
    until(lambda: lender.look_after() or reasons)
    assert reasons == [None]


def test_few_are_lent_at_once(store):
    lender = Lender(at_once=1)
    first = lender.lend(store)
    with pytest.raises(LendingError, match="expected fewer than 1 commands that read beside the daemon, got as many"):
        lender.lend(store)
    first.begin(None)  # it was gone before it had it
    with lent(store, lender) as con:
        assert con.sql("SELECT 1").fetchall() == [(1,)]


@pytest.mark.parametrize(
    "content", [b"\xff" * 40, b"\x00\x00\x00\x02\x00\x00\x00\x00[]", b"\x00\x00\x00\x02\x00\x00\x00\x00{}"]
)
def test_what_is_no_question_ends_in_a_sentence_or_an_error(store, content):
    lender = Lender()
    ours, theirs = socket.socketpair()
    lender.lend(store).begin(theirs)
    with ours:
        ours.sendall(content)
        ours.shutdown(socket.SHUT_WR)
        assert b"expected" in ours.recv(65536)
    lender.closed("the test is over")


def test_what_is_lent_stays_as_it_was(store):
    with lent(store) as con:
        asked = "SELECT count(*) FROM migration"
        before = con.sql(asked).fetchall()
        store.con.execute("INSERT INTO migration VALUES (99, 'later', now())")
        assert con.sql(asked).fetchall() == before
        with lent(store) as later:
            assert later.sql(asked).fetchall() == [(before[0][0] + 1,)]
