"""`loamline set-aside`: what was kept without being read, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from loamline.app.opening import open_store
from loamline.app.output import console, print_json, rfc3339
from loamline.app.text import plain
from loamline.edges.store.kept import kept_unread

#: Bytes shown in a table's cell; --json tells all.
SHOWN = 48


def set_aside(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    limit: Annotated[int | None, typer.Option(help="only so many of the newest; 50 unless --json", min=1)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects with all bytes")] = False,
) -> None:
    """Show uplinks that no codec reads and messages that are no uplinks, the newest first.

    Nothing here is lost: an uplink is decoded once a codec that reads it is known, and a message is read with another
    map or key by `loamline read-again`.

    Example: loamline set-aside --store soil.duckdb --json
    """
    with open_store(store) as opened:
        told = kept_unread(opened)
    if as_json:
        print_json([vars(kept) for kept in told[:limit]])
        return
    shown = told[: limit or 50]
    if not told:
        console.print("nothing is set aside: every message was read")
        return
    table = Table(header_style="bold")
    for name in ("heard (UTC)", "probe", "reason", "sentence", "bytes"):
        table.add_column(name, overflow="fold")
    for kept in shown:
        more = f"… {len(kept.hex) // 2} bytes" if len(kept.hex) > 2 * SHOWN else ""
        table.add_row(
            rfc3339(kept.at),
            plain(kept.dev_eui or "no uplink"),
            plain(kept.reason),
            plain(kept.detail),
            kept.hex[: 2 * SHOWN] + more,
        )
    console.print(table)
    if len(shown) < len(told):
        console.print(f"{len(told) - len(shown)} older ones are not shown; see them with --limit or --json")
