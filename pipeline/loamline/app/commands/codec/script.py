"""`loamline codec script`: a codec as a JavaScript decoder, for a customer's own network server."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.output import CommandError, errors, put_text
from loamline_codecs import DeclarationError
from loamline_codecs.script import script


def script_command(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The codec, as `loamline codec list` names it.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write there, over what it holds; else print.")
    ] = None,
    codec_dir: CodecDirOption = None,
) -> None:
    """Write a codec as a JavaScript decoder by the LoRa Alliance payload codec API (TS013-1.0.0).

    `decodeUplink(input)` returns `data` with the same figures as `loamline codec dissect`, `warnings` for fault
    codes, and `errors` without data for a payload that is refused.
    """
    codecs = known_codecs(codec_dir)
    known = {codec.name: codec for codec in codecs.codecs}
    if name not in known:
        raise CommandError(f"NAME: expected one of {', '.join(known)}, got {name!r}", 2)
    try:
        source = script(known[name])
    except DeclarationError as problem:
        raise CommandError(str(problem)) from None
    put_text(source, out, errors)
