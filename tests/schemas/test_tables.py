"""The tables are written once: the DDL that the migrations run gives exactly the Arrow schemas."""

import duckdb
import pyarrow as pa
import pytest

from loamline.edges.store.connection import migrate
from loamline_schemas.migrations import MIGRATIONS, Migration
from loamline_schemas.registry_tables import REGISTRY_TABLES
from loamline_schemas.tables import TABLES


@pytest.fixture
def empty():
    """Yield a database in memory with nothing in it."""
    con = duckdb.connect(":memory:")
    con.execute("SET TimeZone = 'UTC'")
    yield con
    con.close()


def names(con):
    return {name for (name,) in con.execute("SELECT table_name FROM information_schema.tables").fetchall()}


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_the_migrations_make_each_table_with_the_columns_of_its_arrow_schema(empty, table):
    migrate(empty)
    made = empty.table(table.name).to_arrow_table().schema
    assert [(field.name, field.type) for field in made] == [(field.name, field.type) for field in table.schema]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_required_column_refuses_null_and_another_takes_it(empty, table):
    migrate(empty)
    told = empty.execute(
        """
        SELECT column_name, is_nullable FROM information_schema.columns
        WHERE table_name = ? ORDER BY ordinal_position
        """,
        [table.name],
    ).fetchall()
    assert told == [(column.name, "NO" if column.required else "YES") for column in table.columns]
    assert [field.nullable for field in table.schema] == [not column.required for column in table.columns]


def test_the_migrations_make_these_tables_and_their_own_record_and_no_other(empty):
    migrate(empty)
    assert names(empty) == {table.name for table in TABLES} | {"migration"}
    assert {table.name for table in REGISTRY_TABLES} <= names(empty)


def test_rows_go_in_and_come_out_as_they_were(empty):
    """Every type that a column uses, null and not, nested receptions too."""
    migrate(empty)
    for table in TABLES:
        rows = [{column.name: example(column.arrow) for column in table.columns}]
        rows.append({column.name: example(column.arrow) if column.required else None for column in table.columns})
        given = pa.Table.from_pylist(rows, schema=table.schema)
        empty.from_arrow(given).insert_into(table.name)
        assert empty.table(table.name).to_arrow_table().to_pylist() == given.to_pylist()


def example(kind):
    """Return the greatest value of a type, or something of it."""
    if pa.types.is_integer(kind):
        return 2 ** (kind.bit_width - pa.types.is_signed_integer(kind)) - 1
    if pa.types.is_list(kind):
        return [example(kind.value_type)] * 2
    if pa.types.is_struct(kind):
        return {field.name: example(field.type) for field in kind}
    plain = {
        pa.bool_(): True,
        pa.float64(): 0.1,
        pa.string(): "Gr\u00fcnfl\u00e4che",
        pa.binary(): b"\x00\xff",
        pa.date32(): 20_000,
    }
    return plain[kind] if kind in plain else pa.scalar(1_777_593_600_123_456, pa.int64()).cast(kind).as_py()


#: The migrations that make a table, in whose way one can stand.
MAKING = sorted({table.since for table in TABLES})

# --- running the migrations ---------------------------------------------------------------------------------------


def test_running_the_migrations_again_applies_nothing(empty):
    assert migrate(empty) == [migration.name for migration in MIGRATIONS]
    once = empty.execute("SELECT * FROM migration").fetchall()
    assert migrate(empty) == []
    assert empty.execute("SELECT * FROM migration").fetchall() == once


@pytest.mark.parametrize("number", MAKING)
def test_a_migration_that_fails_leaves_nothing_of_itself_behind(empty, number):
    """The last of its tables is there already: those it made before go again, those of earlier ones stay."""
    in_the_way = [table.name for table in TABLES if table.since == number][-1]
    empty.execute(f'CREATE TABLE "{in_the_way}" (other INTEGER)')
    with pytest.raises(duckdb.CatalogException, match=in_the_way):
        migrate(empty)
    earlier = {table.name for table in TABLES if table.since < number}
    assert names(empty) == {in_the_way, "migration"} | earlier
    for table in TABLES:
        if table.since < number:
            assert tuple(empty.table(table.name).columns) == tuple(c.name for c in table.columns if c.since < number)
    assert empty.execute("SELECT count(*) FROM migration").fetchone() == (number - 1,)


@pytest.mark.parametrize("number", MAKING)
def test_after_the_cause_of_a_failure_is_mended_what_is_left_to_run_runs_once(empty, number):
    in_the_way = [table.name for table in TABLES if table.since == number][-1]
    empty.execute(f'CREATE TABLE "{in_the_way}" (other INTEGER)')
    with pytest.raises(duckdb.CatalogException):
        migrate(empty)
    empty.execute(f'DROP TABLE "{in_the_way}"')
    assert migrate(empty) == [migration.name for migration in MIGRATIONS[number - 1 :]]
    assert migrate(empty) == []


def test_migrations_are_numbered_in_order_without_a_gap_or_a_repeat():
    assert [migration.number for migration in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_every_table_and_column_belongs_to_a_migration_that_exists():
    known = {migration.number for migration in MIGRATIONS}
    assert {column.since for table in TABLES for column in table.columns} | {table.since for table in TABLES} <= known


def test_a_migration_that_no_table_names_changes_nothing():
    assert Migration(len(MIGRATIONS) + 1, "not written yet").statements == ()
