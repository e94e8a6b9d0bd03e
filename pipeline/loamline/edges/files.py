"""Files of messages, one a line, plain or gzip."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.messages import Incoming, Rejected

_GZIP = b"\x1f\x8b"


def read_lines(
    path: Path, advance: Callable[[int], None] = lambda _: None, reader: EnvelopeReader = read_message
) -> Iterator[Incoming]:
    """Yield what each line of a file holds, as `reader` reads it; blank lines are passed over.

    `advance` is told how far the file is read, in bytes of the file as it lies on disk. A line that is no uplink is
    yielded with its number and the reason; so is the rest of a damaged gzip file. Raises OSError where the
    file can't be read at all.
    """
    with path.open("rb") as file:
        head = file.read(2)
        file.seek(0)
        lines: Iterable[bytes] = gzip.GzipFile(fileobj=file) if head == _GZIP else file
        number = 0
        try:
            for number, line in enumerate(lines, 1):
                content = line.strip()
                if content:
                    yield from reader(content, f"{path.name}:{number}")
                advance(file.tell())
        except (EOFError, zlib.error, gzip.BadGzipFile) as problem:
            source = f"{path.name}:{number + 1}"
            yield Rejected(source, f"{source}: expected more of a gzip file, got {problem}", source.encode())
