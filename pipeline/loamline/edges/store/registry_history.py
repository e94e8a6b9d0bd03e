"""What the store was told of the registry, and when: its states by instant, and every version of a row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loamline.core.registry_rows import KEYS, NamedRow, limit_row, named, sortable
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError
from loamline.edges.store.registry import latest_reference, layer_of, row_of
from loamline_schemas.columns import Table
from loamline_schemas.registry_tables import LIMITS, REGISTRY_TABLES

#: The columns by which a person may ask for the rows of a table.
_ASKED_BY: dict[str, tuple[str, ...]] = {
    "site": ("site",),
    "probe": ("dev_eui", "serial"),
    "placement": ("dev_eui", "site", "curve"),
    "curve": ("id",),
    "limits": ("name",),
    "soil": ("site",),
    "crop": ("site",),
}


@dataclass(frozen=True)
class State:
    """One registry state: its number, when it was recorded (UTC), its digest and what was loaded."""

    reference_id: int
    recorded_at: datetime
    digest: str
    note: str


@dataclass(frozen=True)
class Version:
    """One row through a span of registry states; `last` and `recorded_until` are None while it is in force."""

    row: NamedRow
    digest: str
    first_reference_id: int
    last_reference_id: int | None
    recorded_from: datetime
    recorded_until: datetime | None


def states(store: Store) -> dict[int, State]:
    """Return every registry state by number, in the order in which we were told."""
    rows = store.con.execute(
        "SELECT reference_id, recorded_at, digest, note FROM reference ORDER BY reference_id"
    ).fetchall()
    return {int(number): State(int(number), recorded_at, digest, note) for number, recorded_at, digest, note in rows}


def state_told_at(store: Store, instant: datetime) -> int:
    """Return the number of the registry state that was in force by our own clock at an instant; 0 before the first."""
    return int(store.scalar("SELECT coalesce(max(reference_id), 0) FROM reference WHERE recorded_at <= ?", [instant]))


def versions(store: Store, name: str | None = None) -> list[Version]:
    """Return every version of every row, or of those that `name` means, by row and then as they were told.

    `name` is a dev_eui, serial, site, curve id or texture, upper and lower case alike. Raises UnknownNameError where
    no row of any registry state bears it.
    """
    recorded = {number: state.recorded_at for number, state in states(store).items()}
    names = None if name is None else _meant(store, name)
    found = [
        Version(
            row=_named(table, stored),
            digest=stored["digest"],
            first_reference_id=(first := int(stored["first_reference_id"])),
            last_reference_id=(last := stored["last_reference_id"]),
            recorded_from=recorded[first],
            recorded_until=None if last is None else recorded[last + 1],
        )
        for table in REGISTRY_TABLES
        for stored in _stored(store, table, names)
    ]
    if names is not None and not found:
        raise UnknownNameError(
            f"expected a dev_eui, serial, site, curve or texture that some registry state names, got {name!r}; "
            f"`loamline registry show --store {store.path}` lists what state {latest_reference(store)} holds"
        )
    order = list(KEYS)
    return sorted(found, key=lambda v: (order.index(v.row.table), sortable(v.row.key), v.first_reference_id))


def _meant(store: Store, name: str) -> list[str]:
    """Return the name in lower case, and the dev_eui of every probe that has it as its serial."""
    rows = store.con.execute("SELECT DISTINCT lower(dev_eui) FROM probe WHERE lower(serial) = lower(?)", [name])
    return [name.lower(), *(str(dev_eui) for (dev_eui,) in rows.fetchall())]


def _stored(store: Store, table: Table, names: list[str] | None) -> list[dict[str, Any]]:
    columns = _ASKED_BY[table.name]
    terms = " OR ".join(f'lower("{column}") IN (SELECT unnest($names))' for column in columns)
    where = "" if names is None else f"WHERE {terms}"
    found = store.con.sql(
        f'SELECT * FROM "{table.name}" {where}',  # noqa: S608 - our own names
        params=None if names is None else {"names": names},
    )
    rows: list[dict[str, Any]] = found.to_arrow_table().to_pylist()
    return rows


def _named(table: Table, stored: dict[str, Any]) -> NamedRow:
    if table is LIMITS:
        return limit_row(stored["layer"], stored["name"], layer_of(stored))
    return named(table.name, row_of(table, stored))
