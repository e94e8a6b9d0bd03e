"""A sample message out of a file: the whole file, or the first of its lines."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path
from typing import Any

from loamline.app.output import CommandError
from loamline.edges.envelopes.mapped import parse_message

_GZIP = b"\x1f\x8b"
#: What a sample may be long; one of more lines is read to its first.
_MOST_BYTES = 16 * 1024 * 1024


def sample_message(path: Path) -> Any:
    """Return the JSON value of a sample message. Raises CommandError where there is none."""
    try:
        with path.open("rb") as file:
            head = file.read(2)
            file.seek(0)
            content = gzip.GzipFile(fileobj=file).read(_MOST_BYTES) if head == _GZIP else file.read(_MOST_BYTES)
    except OSError as problem:
        raise CommandError(f"expected a message at {path}, got {problem.strerror or problem}", 2) from None
    except (EOFError, zlib.error) as problem:
        raise CommandError(f"expected a whole gzip file at {path}, got {problem}", 2) from None
    try:
        return parse_message(content)
    except ValueError as problem:
        first = next((line for line in content.splitlines() if line.strip()), b"")
        try:
            return parse_message(first)
        except ValueError:
            raise CommandError(f"expected JSON in {path}, as a whole or a message a line, got {problem}", 1) from None
