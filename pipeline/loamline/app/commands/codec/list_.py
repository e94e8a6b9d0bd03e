"""`loamline codec list`: which payload versions are known."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.markup import escape
from rich.table import Table

from loamline.app.output import console, print_json
from loamline_codecs import builtin_codecs
from loamline_codecs.lengths import length_in_words


def list_command(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of a table.")] = False,
) -> None:
    """List the payload versions that are known, the messages each reads and the digest that readings cite."""
    rows: list[dict[str, Any]] = [
        {
            "name": codec.name,
            "port": codec.match.fport,
            "match": _match(codec.match.first_bytes),
            "message": codec.message,
            "length": length_in_words(codec),
            "description": codec.description,
            "digest": codec.digest,
        }
        for codec in builtin_codecs().codecs
    ]
    if as_json:
        print_json(rows)
        return
    table = Table(box=SIMPLE_HEAD)
    for heading in ("name", "port", "byte 0"):
        table.add_column(heading, no_wrap=True)
    table.add_column("what it is")
    for row in rows:
        table.add_row(
            f"[bold]{row['name']}[/]",
            str(row["port"]),
            row["match"].removeprefix("byte 0 = "),
            escape(f"{row['description']}\n{row['message']}; {row['length']}; digest {row['digest']}"),
        )
    console.print(table)


def _match(first_bytes: range) -> str:
    low, high = first_bytes[0], first_bytes[-1]
    return f"byte 0 = 0x{low:02X}" if low == high else f"byte 0 = 0x{low:02X}..0x{high:02X}"
