"""`loamline key create|list|revoke`: who may read over HTTP, and what."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from loamline.app import key_work
from loamline.app.opening import daemon_of, open_store
from loamline.app.output import CommandError, console, errors, print_json, rfc3339
from loamline.app.text import plain
from loamline.edges.api.auth import new_key
from loamline.edges.control import ControlError
from loamline.edges.store.api_keys import KeyRowError
from loamline.edges.store.connection import Store
from loamline_schemas.key_tables import Scope

app = typer.Typer(help="Keys to the read API: made, listed, revoked.", no_args_is_help=True)
StoreOption = Annotated[Path, typer.Option(help="the DuckDB file")]
JsonOption = Annotated[bool, typer.Option("--json", help="print it as one JSON object; of `key list`, a list")]


@app.command("create", epilog='Example:\n\nloamline key create --store soil.duckdb --customer "Upper Farm"')
def create_command(
    store: StoreOption,
    customer: Annotated[
        str | None, typer.Option(help="sees this customer's probes alone, while they stand at its sites")
    ] = None,
    scope: Annotated[
        list[Scope] | None,
        typer.Option(help="what it opens; for a customer readings and fleet unless told; operator: everybody's"),
    ] = None,
    note: Annotated[str, typer.Option(help="who holds it, in words")] = "",
    as_json: JsonOption = False,
) -> None:
    """Make a key and show it, this once: the store keeps a digest alone.

    With --customer it sees that customer's probes; with --scope operator, and no customer, everybody's.
    """
    scopes = scope or ([Scope.READINGS, Scope.FLEET] if customer is not None else [])
    made = new_key()
    fields: dict[str, Any] = {"key_id": made.key_id, "digest": made.digest, "customer": customer, "note": note}
    told = _done(store, "key_create", lambda opened: key_work.key_create(opened, scopes=scopes, **fields),
                 writable=True, scopes=[*map(str, scopes)], **fields)  # fmt: skip
    if as_json:
        print_json({"key": made.text, **told})
        return
    typer.echo(made.text)
    errors.print(
        f"keep it now: it is shown this once. `loamline key revoke {made.key_id} --store {store}` ends it.",
        markup=False,
    )


@app.command("list", epilog="Example:\n\nloamline key list --store soil.duckdb --json")
def list_command(store: StoreOption, as_json: JsonOption = False) -> None:
    """Show every key by its id, revoked ones too; never a key itself."""
    told = _done(store, "key_list", key_work.key_list, writable=False)
    if as_json:
        print_json(told)
        return
    if not told:
        console.print("no keys: nobody can read over HTTP; `loamline key create` makes one")
        return
    table = Table(header_style="bold")
    for name in ("id", "customer", "scopes", "note", "made (UTC)", "revoked (UTC)"):
        table.add_column(name, overflow="fold")
    for row in told:
        table.add_row(
            row["key_id"],
            plain(row["customer"] or "everybody"),
            ", ".join(row["scopes"]),
            plain(row["note"]),
            _time(row["created_at"]),
            _time(row["revoked_at"]),
        )
    console.print(table)


@app.command("revoke", epilog="Example:\n\nloamline key revoke 1f0c97aa --store soil.duckdb")
def revoke_command(
    key_id: Annotated[str, typer.Argument(help="the id, the first 8 digits of the key", metavar="ID")],
    store: StoreOption,
    as_json: JsonOption = False,
) -> None:
    """End a key: the next request with it is refused. It stays in the list; it can't be brought back."""
    revoked = _done(store, "key_revoke", lambda opened: key_work.key_revoke(opened, key_id=key_id),
                    writable=True, key_id=key_id)  # fmt: skip
    if as_json:
        print_json(revoked)
    else:
        console.print(f"{key_id} is revoked since {_time(revoked['revoked_at'])}")


def _done(path: Path, request: str, work: Callable[[Store], Any], *, writable: bool, **fields: Any) -> Any:
    """Have the daemon that has the store open do it, or do it. Raises CommandError."""
    client = daemon_of(path)
    try:
        if client is not None:
            with client:
                return client.answer(request, **fields)
        with open_store(path, writable=writable) as opened:
            return work(opened)
    except (ControlError, KeyRowError) as problem:
        raise CommandError(str(problem)) from problem


def _time(told: str | None) -> str:
    """Return an instant as a person reads it."""
    if told is None:
        return ""
    return rfc3339(datetime.fromisoformat(told).replace(microsecond=0))
