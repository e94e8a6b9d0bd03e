"""The registry that was shipped with the segments, as the chain takes it."""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

from loamline.core.provenance import Registry
from loamline.edges.ship.depot import Depot
from loamline.edges.ship.shipping import REGISTRY_TABLES
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import insert, probe_ids, registry


@lru_cache(maxsize=1)
def shipped_registry(path: str, place: str) -> Registry:
    """Return every registry state that was shipped to `place` of a depot, compiled, and the revisions in force.

    A process keeps the last one: a worker asks for the same with every bucket. Raises DepotError.
    """
    depot = Depot(path)
    with (
        tempfile.TemporaryDirectory(prefix="loamline-registry-") as folder,
        Store.open(Path(folder) / "registry.duckdb", create=True) as store,
    ):
        for table in REGISTRY_TABLES:
            store.con.execute(f'DELETE FROM "{table.name}"')  # noqa: S608 - our own names
            insert(store, table, depot.read_table(f"{place}/{table.name}.parquet").select(table.names))
        told = registry(store, probe_ids(store))
        states = {number: told.states[number] for number in told.states}
    return Registry(states, told.catalogue, told.revisions)
