"""The registry in the store: states in the order in which we were told, each row with the span of states it held in.

A state is a small integer, `reference_id`; state 0 holds nothing. Loading records only what changed, and every
raw-log row names the state in force when it came.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
from pydantic import BaseModel

from loamline.core.derive import Registry
from loamline.core.reference import Catalogue, Reference, RegistryState
from loamline.edges.store.connection import Store
from loamline_schemas.curves import Curve
from loamline_schemas.digest import canonical_json, content_digest
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow
from loamline_schemas.tables import CURVE, LIMITS, PLACEMENT, PROBE, PROBE_IDENTITY, REFERENCE, SITE, Table

_MODELS: tuple[tuple[Table, type[BaseModel]], ...] = ((SITE, SiteRow), (PROBE, ProbeRow), (PLACEMENT, PlacementRow))


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
    con.execute("BEGIN")
    try:
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
        digest = content_digest({table.name: sorted(row["digest"] for row in rows) for table, rows in told})
        con.execute(
            f"INSERT INTO {REFERENCE.name} VALUES (?, ?, ?, ?)",  # noqa: S608 - our own names
            [number, datetime.now(UTC), digest, note],
        )
        identify(store, [row.dev_eui for row in state.probes] + [row.dev_eui for row in state.placements])
        con.execute("COMMIT")
    except BaseException:
        con.execute("ROLLBACK")
        raise
    return number, changes


def load_state(store: Store, number: int) -> RegistryState:
    """Return every row in force at registry state `number`."""
    rows = {
        table.name: [
            model.model_validate({name: row[name] for name in model.model_fields if row[name] is not None})
            for row in _in_force(store, table, number)
        ]
        for table, model in _MODELS
    }
    layers: dict[str, dict[str, Any]] = {"limits": {}, "texture": {}, "site": {}, "probe": {}}
    for row in _in_force(store, LIMITS, number):
        layers[row["layer"]][row["name"]] = json.loads(row["definition"])
    limits = LimitsFile(
        limits=LimitLayer.model_validate(layers.pop("limits").get("", {})),
        **{layer: {n: LimitLayer.model_validate(d) for n, d in named.items()} for layer, named in layers.items()},
    )
    return RegistryState(
        sites=tuple(rows["site"]),  # type: ignore[arg-type]
        probes=tuple(rows["probe"]),  # type: ignore[arg-type]
        placements=tuple(rows["placement"]),  # type: ignore[arg-type]
        curves=tuple(Curve.model_validate_json(row["definition"]) for row in _in_force(store, CURVE, number)),
        limits=limits,
    )


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


def registry(store: Store, probe_ids: Mapping[str, int]) -> Registry:
    """Return the store's registry as the chain takes it."""
    catalogue = Catalogue()
    return Registry(States(store, probe_ids, catalogue), catalogue)


def probe_ids(store: Store) -> dict[str, int]:
    """Return the small integer id of every probe ever heard or registered, by dev_eui."""
    rows = store.con.execute("SELECT dev_eui, probe_id FROM probe_identity").fetchall()
    return {str(dev_eui): int(number) for dev_eui, number in rows}


def identify(store: Store, dev_euis: list[str]) -> dict[str, int]:
    """Give an id to every probe that has none yet; return the new ones. Runs in the caller's transaction."""
    known = probe_ids(store)
    start = max(known.values(), default=0) + 1
    new = [dev_eui for dev_eui in dict.fromkeys(dev_euis) if dev_eui not in known]
    fresh = {dev_eui: start + index for index, dev_eui in enumerate(new)}
    rows = [{"probe_id": number, "dev_eui": dev_eui} for dev_eui, number in fresh.items()]
    insert(store, PROBE_IDENTITY, pa.Table.from_pylist(rows, schema=PROBE_IDENTITY.schema))
    return fresh


def insert(store: Store, table: Table, rows: pa.Table) -> None:
    """Append Arrow rows, whose columns are the table's in order."""
    if rows.num_rows == 0:
        return
    store.con.register("_incoming_rows", rows)
    store.con.execute(f'INSERT INTO "{table.name}" SELECT * FROM _incoming_rows')  # noqa: S608 - our own names
    store.con.unregister("_incoming_rows")


def _rows_of(state: RegistryState) -> list[tuple[Table, list[dict[str, Any]]]]:
    rows: list[tuple[Table, list[dict[str, Any]]]] = [
        (SITE, [_row(row) for row in state.sites]),
        (PROBE, [_row(row) for row in state.probes]),
        (PLACEMENT, [_row(row) for row in state.placements]),
        (
            CURVE,
            [{"digest": content_digest(c), "id": c.id, "definition": canonical_json(c)} for c in state.curves],
        ),
    ]
    file = state.limits
    layers = [("limits", "", file.limits)]
    layers += [("texture", n, d) for n, d in file.texture.items()]
    layers += [("site", n, d) for n, d in file.site.items()]
    layers += [("probe", n, d) for n, d in file.probe.items()]
    limits = []
    for layer, name, definition in layers:
        told = {"layer": layer, "name": name, "definition": canonical_json(definition)}
        limits.append({**told, "digest": content_digest(told)})
    return [*rows, (LIMITS, limits)]


def _row(row: BaseModel) -> dict[str, Any]:
    return {**row.model_dump(), "digest": content_digest(row)}


def _in_force(store: Store, table: Table, number: int) -> list[dict[str, Any]]:
    found = store.con.sql(
        f'SELECT * FROM "{table.name}" WHERE first_reference_id <= ? '  # noqa: S608 - our own names
        "AND (last_reference_id IS NULL OR last_reference_id >= ?) ORDER BY digest",
        params=[number, number],
    )
    rows: list[dict[str, Any]] = found.to_arrow_table().to_pylist()
    return rows
