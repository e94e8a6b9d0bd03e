"""Which codecs a command knows: the built-in family, and private ones from folders that it was told of.

The folders come from `--codec-dir`, or else from the environment variable that the daemon's settings read too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.output import CommandError
from loamline.app.settings import ENVIRONMENT_PREFIX
from loamline_codecs import CodecSet, DeclarationError, load_codecs

VARIABLE = f"{ENVIRONMENT_PREFIX}CODEC_DIRS"

CodecDirOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--codec-dir",
        metavar="DIR",
        help=f"A folder of private codecs; may be given several times. Else {VARIABLE}, a JSON list, is read.",
    ),
]


def known_codecs(dirs: Sequence[Path] | None = None) -> CodecSet:
    """Return the built-in codecs and the private ones of `dirs`, or of the environment's folders without any.

    Raises CommandError, exit code 2, for a declaration that can't be loaded: which file, expected and got.
    """
    try:
        return load_codecs(codec_dirs(dirs))
    except DeclarationError as problem:
        raise CommandError(str(problem), 2) from None


def none_beside_a_daemon(dirs: Sequence[Path] | None) -> None:
    """Raise CommandError, exit code 2, for folders that were told where a daemon does the work."""
    if dirs:
        raise CommandError(
            "expected no --codec-dir, since the daemon does the work with the codecs that it knows; "
            "name the folder in its settings and start it again, or stop it",
            2,
        )


def codec_dirs(dirs: Sequence[Path] | None = None) -> tuple[Path, ...]:
    """Return the folders of private codecs: `dirs`, or those of the environment where none is given."""
    text = os.environ.get(VARIABLE)
    if dirs or text is None:
        return tuple(dirs or ())
    try:
        told = json.loads(text)
    except ValueError:
        told = None
    if not isinstance(told, list) or not all(isinstance(one, str) for one in told):
        raise CommandError(f'{VARIABLE}: expected a JSON list of folders such as ["./codecs"], got {text!r}', 2)
    return tuple(Path(one) for one in told)
