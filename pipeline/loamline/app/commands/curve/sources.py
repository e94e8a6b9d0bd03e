"""Where a `curve` command finds its curves: the state in force in a store, or a registry folder as it lies there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.opening import open_store
from loamline.app.output import CommandError
from loamline.core.reference import RegistryState
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference, load_state

StoreOption = Annotated[Path | None, typer.Option("--store", help="the DuckDB file: what is in force in it")]
DirOption = Annotated[Path | None, typer.Option("--dir", metavar="DIR", help="a registry folder, loaded or not")]


def one_source(store: Path | None, folder: Path | None) -> RegistryState:
    """Return the registry of a store or of a folder; CommandError unless exactly one is named and can be read."""
    with opened_source(store, folder) as (state, _):
        return state


@contextmanager
def opened_source(store: Path | None, folder: Path | None) -> Iterator[tuple[RegistryState, Store | None]]:
    """Yield the registry of a store with the store, or that of a folder; CommandError as `one_source`."""
    if store is not None and folder is None:
        with open_store(store) as opened:
            yield load_state(opened, latest_reference(opened)), opened
    elif folder is not None and store is None:
        yield _of_folder(folder), None
    else:
        got = "neither" if store is None else "both"
        raise CommandError(f"expected --store FILE or --dir DIR, got {got}", 2)


def any_source(store: Path | None, folder: Path | None) -> RegistryState:
    """Return the registry of a store or of a folder, an empty one where neither is named."""
    if store is not None and folder is not None:
        raise CommandError("expected one of --store FILE and --dir DIR, got both", 2)
    if store is None and folder is None:
        return RegistryState()
    return one_source(store, folder)


def _of_folder(folder: Path) -> RegistryState:
    state, faults = read_registry(folder)
    if state is None:
        told = "\n".join(map(str, faults))
        raise CommandError(f"{told}\nexpected a registry folder without faults at {folder}, got {len(faults)}")
    return state
