"""Named, ordered migrations; each runs in one transaction together with the record that it ran.

The statements of a migration are those tables and columns of `loamline_schemas.tables` that name it in
`since`, so that a table's shape is written in one place. A store is only ever added to.
"""

from __future__ import annotations

from dataclasses import dataclass

from loamline_schemas.tables import TABLES


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the store's schema."""

    number: int
    name: str

    @property
    def statements(self) -> tuple[str, ...]:
        """The DDL of this step, in order."""
        made = [
            f'CREATE TABLE "{table.name}" ('
            + ", ".join(column.ddl for column in table.columns if column.since <= self.number)
            + ")"
            for table in TABLES
            if table.since == self.number
        ]
        added = [
            f'ALTER TABLE "{table.name}" ADD COLUMN {column.ddl}'
            for table in TABLES
            for column in table.columns
            if table.since < self.number and column.since == self.number
        ]
        return (*made, *added)


#: The order is the order of running; a number is never reused.
MIGRATIONS = (
    Migration(1, "raw log, registry and readings"),
    Migration(2, "soils, crops and the uncertainty of a reading"),
    Migration(3, "supply, contact and fall checks"),
    Migration(4, "revisions"),
    Migration(5, "archived months of the raw log"),
    Migration(6, "what a rejected message was read as"),
    Migration(7, "keys to the read API"),
    Migration(8, "problems in force and the events that tell of them"),
    Migration(9, "how many rejected messages were ever kept"),
    Migration(10, "how far onward feeds are, and what they have to tell again"),
)

#: Created before any migration, outside them.
RECORD_DDL = (
    "CREATE TABLE IF NOT EXISTS migration "
    "(number INTEGER NOT NULL, name VARCHAR NOT NULL, applied_at TIMESTAMP WITH TIME ZONE NOT NULL)"
)
