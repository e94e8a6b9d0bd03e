"""The registry in the store: states in the order in which we were told, each row with the span of states it held in.

A state is a small integer, `reference_id`; state 0 holds nothing. Loading records only what changed, and every
raw-log row names the state in force when it came.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
from pydantic import BaseModel

from loamline.core.provenance import Registry
from loamline.core.reference import Catalogue, Reference, RegistryState
from loamline.core.revisions import Revisions
from loamline.edges.store.connection import Store
from loamline.edges.store.revisions import revisions
from loamline_schemas.columns import Table
from loamline_schemas.curves import STORED, Curve
from loamline_schemas.digest import canonical_json, content_digest
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow
from loamline_schemas.registry_tables import CROP, CURVE, LIMITS, PLACEMENT, PROBE, REFERENCE, SITE, SOIL
from loamline_schemas.tables import PROBE_IDENTITY

#: Tables that hold a row's fields as columns, and those that hold it as JSON.
BY_COLUMN: dict[Table, type[BaseModel]] = {SITE: SiteRow, PROBE: ProbeRow, PLACEMENT: PlacementRow}
BY_DEFINITION: dict[Table, type[BaseModel]] = {CURVE: Curve, SOIL: SoilRow, CROP: CropRow}


@dataclass(frozen=True)
class Change:
    """What one load did to one table."""

    table: str
    added: int
    ended: int
    unchanged: int


def latest_reference(store: Store) -> int:
    """Return the number of the registry state in force."""
    return int(store.scalar("SELECT max(reference_id) FROM reference"))


def save_state(store: Store, state: RegistryState, note: str) -> tuple[int, list[Change]]:
    """Record `state` as the registry from now on, in one transaction; return its number and what changed.

    With nothing changed no new state is made.
    """
    told = _rows_of(state)
    current = latest_reference(store)
    con = store.con
    held = {
        table.name: {
            digest
            for (digest,) in con.execute(
                f'SELECT digest FROM "{table.name}" WHERE last_reference_id IS NULL'  # noqa: S608 - our own names
            ).fetchall()
        }
        for table, _ in told
    }
    changes = []
    for table, rows in told:
        fresh = {row["digest"] for row in rows}
        kept = held[table.name] & fresh
        changes.append(Change(table.name, len(fresh - kept), len(held[table.name] - kept), len(kept)))
    if all(change.added == 0 and change.ended == 0 for change in changes):
        return current, changes
    number = current + 1
    with store.transaction():
        for table, rows in told:
            fresh = {row["digest"] for row in rows}
            for digest in held[table.name] - fresh:
                con.execute(
                    f'UPDATE "{table.name}" SET last_reference_id = ? '  # noqa: S608 - our own names
                    "WHERE digest = ? AND last_reference_id IS NULL",
                    [current, digest],
                )
            added = [
                {**row, "first_reference_id": number, "last_reference_id": None}
                for row in rows
                if row["digest"] not in held[table.name]
            ]
            insert(store, table, pa.Table.from_pylist(added, schema=table.schema))
        # What came with a later migration counts where there is some: a state keeps the digest that it had.
        digests = {
            table.name: sorted(row["digest"] for row in rows) for table, rows in told if rows or table.since == 1
        }
        con.execute(
            f"INSERT INTO {REFERENCE.name} VALUES (?, ?, ?, ?)",  # noqa: S608 - our own names
            [number, datetime.now(UTC), content_digest(digests), note],
        )
        named = [row.dev_eui for row in state.probes] + [row.dev_eui for row in state.placements]
        identify(store, named, probe_ids(store))
    return number, changes


def load_state(store: Store, number: int) -> RegistryState:
    """Return every row in force at registry state `number`."""
    rows = {
        table: tuple(row_of(table, stored) for stored in _in_force(store, table, number))
        for table in (*BY_COLUMN, *BY_DEFINITION)
    }
    layers: dict[str, dict[str, list[LimitLayer]]] = {"limits": {}, "texture": {}, "site": {}, "probe": {}}
    for stored in _in_force(store, LIMITS, number):
        layers[stored["layer"]].setdefault(stored["name"], []).append(layer_of(stored))
    everywhere = {"limits": layers["limits"].pop("")} if layers["limits"] else {}
    del layers["limits"]
    return RegistryState(
        sites=rows[SITE],
        probes=rows[PROBE],
        placements=rows[PLACEMENT],
        curves=rows[CURVE],
        limits=LimitsFile.model_validate(everywhere | layers),
        soils=rows[SOIL],
        crops=rows[CROP],
    )


def row_of(table: Table, stored: Mapping[str, Any]) -> Any:
    """Return the row, of the model that belongs to the table, of what is stored of it."""
    if table in BY_DEFINITION:
        return BY_DEFINITION[table].model_validate_json(stored["definition"], context=STORED)
    model = BY_COLUMN[table]
    return model.model_validate({name: stored[name] for name in model.model_fields if stored[name] is not None})


def layer_of(stored: Mapping[str, Any]) -> LimitLayer:
    """Return the layer of what is stored of one."""
    return LimitLayer.model_validate_json(stored["definition"])


class States(Mapping[int, Reference]):
    """The registry states of a store, compiled when first asked for."""

    def __init__(self, store: Store, probe_ids: Mapping[str, int], catalogue: Catalogue) -> None:
        self._store, self._probe_ids, self._catalogue = store, probe_ids, catalogue
        self._made: dict[int, Reference] = {}

    def __getitem__(self, number: int) -> Reference:
        """Return state `number`."""
        if number not in self._made:
            self._made[number] = Reference(load_state(self._store, number), self._probe_ids, self._catalogue)
        return self._made[number]

    def __iter__(self) -> Iterator[int]:
        return iter(range(latest_reference(self._store) + 1))

    def __len__(self) -> int:
        return latest_reference(self._store) + 1


def registry(store: Store, probe_ids: Mapping[str, int], revised: Revisions | None = None) -> Registry:
    """Return the store's registry as the chain takes it, with the revisions in force or those given."""
    catalogue = Catalogue()
    return Registry(States(store, probe_ids, catalogue), catalogue, revised or revisions(store))


def probe_ids(store: Store) -> dict[str, int]:
    """Return the small integer id of every probe ever heard or registered, by dev_eui."""
    rows = store.con.execute("SELECT dev_eui, probe_id FROM probe_identity").fetchall()
    return {str(dev_eui): int(number) for dev_eui, number in rows}


def identify(store: Store, dev_euis: list[str], known: Mapping[str, int]) -> dict[str, int]:
    """Give an id to every probe that has none yet; return the new ones. Runs in the caller's transaction.

    `known`: the id of every probe that has one.
    """
    new = [dev_eui for dev_eui in dict.fromkeys(dev_euis) if dev_eui not in known]
    start = max(known.values(), default=0) + 1 if new else 0
    fresh = {dev_eui: start + index for index, dev_eui in enumerate(new)}
    rows = [{"probe_id": number, "dev_eui": dev_eui} for dev_eui, number in fresh.items()]
    insert(store, PROBE_IDENTITY, pa.Table.from_pylist(rows, schema=PROBE_IDENTITY.schema))
    return fresh


def insert(store: Store, table: Table, rows: pa.Table) -> None:
    """Append Arrow rows, whose columns are the table's in order."""
    if rows.num_rows == 0:
        return
    store.con.from_arrow(rows).insert_into(table.name)


def _rows_of(state: RegistryState) -> list[tuple[Table, list[dict[str, Any]]]]:
    return [
        (SITE, [_row(row) for row in state.sites]),
        (PROBE, [_row(row) for row in state.probes]),
        (PLACEMENT, [_row(row) for row in state.placements]),
        (CURVE, [_defined(row, id=row.id) for row in state.curves]),
        (LIMITS, list(_limit_rows(state.limits))),
        (SOIL, [_defined(row, site=row.site) for row in state.soils]),
        (CROP, [_defined(row, site=row.site) for row in state.crops]),
    ]


def _row(row: BaseModel) -> dict[str, Any]:
    return {**row.model_dump(), "digest": content_digest(row)}


def _defined(row: BaseModel, **columns: str) -> dict[str, Any]:
    return {**columns, "digest": content_digest(row), "definition": canonical_json(row)}


def _limit_rows(file: LimitsFile) -> Iterator[dict[str, Any]]:
    named = {"limits": {"": file.limits}, "texture": file.texture, "site": file.site, "probe": file.probe}
    for layer, of_name in named.items():
        for name, layers in of_name.items():
            for definition in layers:
                told = {"layer": layer, "name": name, "definition": canonical_json(definition)}
                yield {**told, "digest": content_digest(told)}


def _in_force(store: Store, table: Table, number: int) -> list[dict[str, Any]]:
    found = store.con.sql(
        f'SELECT * FROM "{table.name}" WHERE first_reference_id <= ? '  # noqa: S608 - our own names
        "AND (last_reference_id IS NULL OR last_reference_id >= ?) ORDER BY digest",
        params=[number, number],
    )
    rows: list[dict[str, Any]] = found.to_arrow_table().to_pylist()
    return rows
