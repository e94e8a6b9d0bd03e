"""Which envelope a command reads messages as: its options, and what is said where they can't be met."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loamline.app.output import CommandError
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.kinds import EnvelopeKindError, envelope_reader

if TYPE_CHECKING:
    from loamline.edges.keys_file import Keys

MapsOption = Annotated[
    Path | None, typer.Option("--maps", metavar="DIR", help="The folder of envelope maps that are told by name.")
]
KeysOption = Annotated[
    Path | None, typer.Option("--keys", metavar="FILE", help="The probes' LoRaWAN keys; the file's mode must be 0600.")
]
KeyEncryptionKeyOption = Annotated[
    Path | None,
    typer.Option("--key-encryption-key", metavar="FILE", help="What wraps the keys in --keys (RFC 3394); mode 0600."),
]


def known_keys(keys: Path | None, key_encryption_key: Path | None) -> Keys | None:
    """Return the probes' keys, None where no file is told. Raises CommandError, exit code 2."""
    if keys is None:
        if key_encryption_key is not None:
            raise CommandError("--key-encryption-key: expected --keys beside it, got none", 2)
        return None
    # What deciphers takes long to load, and most uses need none of it.
    from loamline.edges.keys_file import Keys, KeysError  # noqa: PLC0415

    try:
        return Keys.load(keys, key_encryption_key)
    except KeysError as problem:
        raise CommandError(str(problem), 2) from None


def reader_of(
    kind: str, *, maps: Path | None = None, keys: Path | None = None, key_encryption_key: Path | None = None
) -> EnvelopeReader:
    """Return the reader of a kind of envelope as `--envelope` tells it. Raises CommandError, exit code 2."""
    try:
        return envelope_reader(kind, keys=known_keys(keys, key_encryption_key), maps_dir=maps)
    except EnvelopeKindError as problem:
        raise CommandError(str(problem), 2) from None
