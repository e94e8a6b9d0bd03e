"""The numbers of provenance rows: equal content has one number, given at first sight."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.core.derive import Derived
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import insert
from loamline_schemas.tables import PROVENANCE, READING


class Provenances:
    """What is known of a store's PROVENANCE; shared by everyone who writes readings."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.reload()

    def reload(self) -> None:
        """Read again what is known: after a rollback, numbers that were given in it are free."""
        rows = self._store.con.execute(f"SELECT * FROM {PROVENANCE.name}").fetchall()  # noqa: S608 - our own names
        self._numbers: dict[tuple[Any, ...], int] = {tuple(row[1:]): int(row[0]) for row in rows}

    def numbered(self, derived: Derived) -> pa.Table:
        """Return derived readings with the columns of READING; new provenance rows are written by the way."""
        numbers = self._numbers_of(derived.provenance)
        column = pa.array(numbers[ints(whole(derived.readings, "made_by"))], pa.int32())
        return derived.readings.append_column("provenance_id", column).select(READING.names)

    def _numbers_of(self, rows: list[dict[str, Any]]) -> Any:
        names = PROVENANCE.names[1:]
        keys = [tuple(row[name] for name in names) for row in rows]
        new = [key for key in keys if key not in self._numbers]
        for key in new:
            self._numbers[key] = len(self._numbers) + 1
        fresh = [{"provenance_id": self._numbers[key], **dict(zip(names, key, strict=True))} for key in new]
        insert(self._store, PROVENANCE, pa.Table.from_pylist(fresh, schema=PROVENANCE.schema))
        return np.array([self._numbers[key] for key in keys], dtype=np.int64)


def with_content(derived: Derived) -> pa.Table:
    """Return derived readings with what made each in the place of a number: columns of READING, then of PROVENANCE."""
    names = PROVENANCE.names[1:]
    rows = pa.Table.from_pylist(derived.provenance, schema=pa.schema([PROVENANCE.schema.field(name) for name in names]))
    made_by = rows.take(whole(derived.readings, "made_by"))
    table = derived.readings.select([name for name in READING.names if name != "provenance_id"])
    for name in names:
        table = table.append_column(name, made_by.column(name))
    return table
