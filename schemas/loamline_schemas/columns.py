"""What a table is made of: typed columns, each with its meaning and the migration that brought it."""

from __future__ import annotations

from dataclasses import dataclass

import pyarrow as pa

INSTANT = pa.timestamp("us", tz="UTC")
RECEPTION = pa.struct(
    [
        ("gateway", pa.string()),
        ("rssi_dbm", pa.float64()),
        ("snr_db", pa.float64()),
        ("heard_at", INSTANT),
        ("latitude_deg", pa.float64()),
        ("longitude_deg", pa.float64()),
        ("antenna", pa.int16()),
    ]
)

_SQL_NAMES = {
    pa.bool_(): "BOOLEAN",
    pa.int16(): "SMALLINT",
    pa.int32(): "INTEGER",
    pa.int64(): "BIGINT",
    pa.uint8(): "UTINYINT",
    pa.uint16(): "USMALLINT",
    pa.uint32(): "UINTEGER",
    pa.uint64(): "UBIGINT",
    pa.float64(): "DOUBLE",
    pa.string(): "VARCHAR",
    pa.binary(): "BLOB",
    pa.date32(): "DATE",
    INSTANT: "TIMESTAMP WITH TIME ZONE",
}


def sql_type(kind: pa.DataType) -> str:
    """Return DuckDB's name of an Arrow type that these tables use."""
    if pa.types.is_struct(kind):
        return "STRUCT(" + ", ".join(f'"{field.name}" {sql_type(field.type)}' for field in kind) + ")"
    if pa.types.is_list(kind):
        return sql_type(kind.value_type) + "[]"
    return _SQL_NAMES[kind]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its Arrow type, its meaning and the migration that brought it."""

    name: str
    arrow: pa.DataType
    note: str
    required: bool = False
    since: int = 1

    @property
    def ddl(self) -> str:
        """The column's line in CREATE TABLE or ADD COLUMN."""
        return f'"{self.name}" {sql_type(self.arrow)}' + (" NOT NULL" if self.required else "")


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the store."""

    name: str
    note: str
    columns: tuple[Column, ...]
    since: int = 1

    @property
    def schema(self) -> pa.Schema:
        """The Arrow schema, in column order."""
        return pa.schema([pa.field(c.name, c.arrow, nullable=not c.required) for c in self.columns])

    @property
    def names(self) -> tuple[str, ...]:
        """The column names, in order."""
        return tuple(column.name for column in self.columns)


def column(name: str, arrow: pa.DataType, note: str, *, required: bool = False, since: int = 1) -> Column:
    """Return one column; the shorter way to write it."""
    return Column(name, arrow, note, required, since)
