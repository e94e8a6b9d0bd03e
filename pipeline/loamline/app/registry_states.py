"""Registry states on the command line: by number, or by an instant at which they were in force."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from loamline.app.instants import instant
from loamline.app.output import CommandError
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference
from loamline.edges.store.registry_history import State, state_told_at, states

StateArgument = Annotated[str, typer.Argument(metavar="STATE", help="A state's number, or a time (RFC 3339, UTC).")]


def find_state(store: Store, told: str | None) -> State:
    """Return the state that was meant, the one in force where nothing was; CommandError where there is none such."""
    known = states(store)
    if told is None:
        return known[latest_reference(store)]
    if not told.isascii() or not told.isdecimal():
        return known[state_told_at(store, instant(told))]
    if len(told) > len(str(len(known))) or int(told) not in known:
        raise CommandError(f"expected a registry state from 0 to {max(known)}, got {told}", 2)
    return known[int(told)]


def state_as_object(state: State) -> dict[str, Any]:
    """Return a state's number, time and note for JSON."""
    return {"reference_id": state.reference_id, "recorded_at": state.recorded_at, "note": state.note}
