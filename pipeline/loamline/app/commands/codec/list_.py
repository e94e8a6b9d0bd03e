"""`loamline codec list`: which payload versions are known."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.markup import escape
from rich.table import Table

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.output import console, print_json
from loamline_codecs.layout_markdown import first_byte_in_words
from loamline_codecs.lengths import length_in_words


def list_command(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of a table.")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """List the payload versions that are known, the messages each reads and the digest that readings cite.

    Most are read as columns, a whole batch at once; one that its author declared as read row by row takes construct's
    own time for every payload, some hundred times longer.
    """
    rows: list[dict[str, Any]] = [
        {
            "name": codec.name,
            "port": codec.match.fport,
            "match": first_byte_in_words(codec.match),
            "message": codec.message,
            "length": length_in_words(codec),
            "description": codec.description,
            "digest": codec.digest,
            "read_as": "rows" if codec.row_by_row else "columns",
        }
        for codec in known_codecs(codec_dir).codecs
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
            escape("{description}\n{message}; {length}; read as {read_as}; digest {digest}".format(**row)),
        )
    console.print(table)
