"""`loamline codec layout`: where each field of a payload stands and what it means, as a table or a drawing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.output import CommandError, console, print_json, put_text
from loamline_codecs import Codec
from loamline_codecs.layout_drawing import as_svg
from loamline_codecs.layout_markdown import as_markdown, match_in_words
from loamline_codecs.layout_parts import Part
from loamline_codecs.layout_table import Meanings, Row, table
from loamline_codecs.lengths import length_in_words
from loamline_codecs.readme import readme


def layout_command(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="Which codec; `codec list` names them.")] = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="A Markdown table; so it is without any option.")
    ] = False,
    svg: Annotated[bool, typer.Option("--svg", help="A drawing as SVG.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The table as JSON for a script.")] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="The README of `codecs/`: every built-in codec, as Markdown.")
    ] = False,
    out: Annotated[Path | None, typer.Option("--out", help="The file to write; else standard output.")] = None,
    codec_dir: CodecDirOption = None,
) -> None:
    """Document a codec's payload, byte by byte and bit by bit, from its declaration alone."""
    if sum((markdown, svg, as_json)) > 1:
        raise CommandError("expected one of --markdown, --svg and --json, got several", 2)
    if everything == (name is not None):
        got = f"both --all and {name!r}" if everything else "neither"
        raise CommandError(f"expected the NAME of a codec, or --all, got {got}; `loamline codec list` names them", 2)
    if everything and (svg or as_json):
        raise CommandError("expected --all with Markdown, got it with another form; name one codec for that", 2)
    if name is None:
        put_text(readme(), out, console)
        return
    try:
        codec = known_codecs(codec_dir).by_name(name)
    except KeyError as problem:
        raise CommandError(f"codec: {problem.args[0]}") from None
    if as_json and out is None:
        print_json(as_object(codec))
    elif as_json:
        raise CommandError("expected --out with --markdown or --svg, got it with --json; redirect standard output", 2)
    else:
        put_text(as_svg(codec) if svg else as_markdown(codec), out, console)


def as_object(codec: Codec) -> dict[str, Any]:
    """Return a codec's layout as the object that `--json` prints."""
    meanings = Meanings(codec)
    return {
        "name": codec.name,
        "description": codec.description,
        "message": codec.message,
        "port": codec.match.fport,
        "match": match_in_words(codec.match),
        "length": length_in_words(codec),
        "digest": codec.digest,
        "rows": [_row(row, meanings) for row in table(codec)],
    }


def _row(row: Row, meanings: Meanings) -> dict[str, Any]:
    told: dict[str, Any] = {
        "byte": row.byte,
        "bit": row.bit,
        "field": row.field,
        "wire_type": row.wire,
        "raw_values": row.raw,
        "meaning": list(row.meaning),
    }
    part = row.part
    if not isinstance(part, Part):
        return told | {"kind": "repeat", "times": part.words, "conditions": list(part.conditions)}
    exact = not part.place.anchor and not part.place.strides
    return told | {
        "kind": part.kind,
        "bits": [{"first_bit": first, "bits": bits} for first, bits in part.pieces] if exact else None,
        "width_bits": part.bits or None,
        "quantities": [
            {
                "name": quantity.name,
                "unit": quantity.unit,
                "scale": quantity.scale,
                "offset": quantity.offset,
                "sentinels": {str(raw): text for raw, text in quantity.sentinels.items()},
                "valid": quantity.valid,
                "labels": {str(raw): text for raw, text in quantity.labels.items()},
            }
            for quantity in meanings.quantities(part)
        ],
        "conditions": list(part.conditions),
        "repeats": list(part.repeats),
    }
