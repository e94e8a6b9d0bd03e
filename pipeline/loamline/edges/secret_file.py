"""Secrets in files of their own, which nobody but their owner may read."""

from __future__ import annotations

import os
import stat
from pathlib import Path


class SecretFileError(Exception):
    """A file of secrets can't be used; the message names it, never what is in it."""


def read_secret(path: Path) -> str:
    """Return what a file holds, without the end of its last line. Raises SecretFileError."""
    try:
        # The mode is that of the file that is read, not of whatever has its name a moment later; a pipe is not awaited.
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
            status = os.fstat(file.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise SecretFileError(f"expected a plain file at {path}, got another kind")
            if status.st_mode & 0o077:
                raise SecretFileError(
                    f"expected {path} to be readable by its owner alone (mode 0600), "
                    f"got mode {stat.S_IMODE(status.st_mode):04o}; run `chmod 600 {path}`"
                )
            content = file.read()
    except OSError as problem:
        raise SecretFileError(f"expected to read {path}, got {problem.strerror}") from None
    try:
        text = content.decode().removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        raise SecretFileError(f"expected text in {path}, got bytes that are not UTF-8") from None
    if not text.strip():
        raise SecretFileError(f"expected a secret in {path}, got an empty file")
    return text


def read_secret_lines(path: Path) -> list[str]:
    """Return the secrets of a file that holds one a line; lines that begin with `#` are notes.

    Raises SecretFileError, also where there is none.
    """
    told = [line.strip() for line in read_secret(path).splitlines()]
    told = [line for line in told if line and not line.startswith("#")]
    if not told:
        raise SecretFileError(f"expected a secret in {path}, got only notes")
    return told
