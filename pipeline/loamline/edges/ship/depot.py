"""The place that segments are shipped to: a folder, or whatever fsspec knows by a path such as s3://bucket/fleet.

    manifest.json                                  what holds; written last, whole
    registry-<digest>/<table>.parquet              every registry state, and the revisions in force
    segments/month=YYYY-MM/bucket=BBB/<first>-<last>.parquet

The readings that a run derives go to a place of their own: bucket=BBB.parquet, and a manifest.json, written last.

A file appears under its name whole or not at all: on a disk by renaming, in an object store because that is how such
stores write.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass, field

import fsspec
import pyarrow as pa
import pyarrow.parquet as pq
from fsspec.implementations.local import LocalFileSystem

MANIFEST = "manifest.json"


class DepotError(Exception):
    """Segments can't be written or read; the message says what was expected, what came and what to do next."""


@dataclass(frozen=True)
class Segment:
    """A sealed file of raw-log rows: one month, one bucket, `seq` from `first_seq` to `last_seq`."""

    path: str
    month: str
    bucket: int
    rows: int
    first_seq: int
    last_seq: int
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a depot holds. `sealed`: by month, the last raw-log row that its segments know of."""

    buckets: int
    registry: str = ""
    sealed: dict[str, int] = field(default_factory=dict)
    segments: tuple[Segment, ...] = ()

    def of_bucket(self, bucket: int) -> list[Segment]:
        """Return a bucket's segments, the earliest month first."""
        return sorted(
            (one for one in self.segments if one.bucket == bucket), key=lambda one: (one.month, one.first_seq)
        )


class Depot:
    """Files below one path, read and written whole."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._fs, self._root = fsspec.core.url_to_fs(path)

    def manifest(self) -> Manifest | None:
        """Return what the depot holds, None where nothing was shipped to it. Raises DepotError."""
        content = self.read(MANIFEST) if self.has(MANIFEST) else None
        if content is None:
            return None
        try:
            told = json.loads(content)
            segments = tuple(Segment(**one) for one in told["segments"])
            return Manifest(told["buckets"], told["registry"], told["sealed"], segments)
        except (ValueError, KeyError, TypeError) as problem:
            raise DepotError(
                f"expected {self.path}/{MANIFEST} to be the manifest of shipped segments, got {problem!r}; name "
                "another place, or restore it from a copy"
            ) from problem

    def write_manifest(self, manifest: Manifest) -> None:
        """Say what holds from now on."""
        self.write(MANIFEST, json.dumps(asdict(manifest), indent=1).encode())

    def has(self, name: str) -> bool:
        """Return whether there is a file of this name."""
        return bool(self._fs.exists(self._at(name)))

    def read(self, name: str) -> bytes:
        """Return a file's bytes. Raises DepotError."""
        try:
            return bytes(self._fs.cat_file(self._at(name)))
        except OSError as problem:
            raise DepotError(f"expected to read {self.path}/{name}, got {problem}") from problem

    def write(self, name: str, content: bytes) -> None:
        """Write a file, durably where the place is a disk. Raises DepotError."""
        at = self._at(name)
        try:
            self._fs.makedirs(at.rpartition("/")[0], exist_ok=True)
            if not isinstance(self._fs, LocalFileSystem):
                self._fs.pipe_file(at, content)
                return
            # Several workers may write the same file: each under a name of its own until it is whole.
            unfinished = f"{at}.{os.getpid()}.writing"
            with open(unfinished, "wb") as file:  # noqa: PTH123 - fsspec gives plain text paths
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.replace(unfinished, at)  # noqa: PTH105
        except OSError as problem:
            raise DepotError(f"expected to write {self.path}/{name}, got {problem}") from problem

    def write_table(self, name: str, rows: pa.Table) -> tuple[int, str]:
        """Write rows as Parquet, read them again and compare; return size and SHA-256. Raises DepotError."""
        sink = pa.BufferOutputStream()
        pq.write_table(rows, sink, compression="zstd")
        content = sink.getvalue().to_pybytes()
        digest = hashlib.sha256(content).hexdigest()
        self.write(name, content)
        found = hashlib.sha256(self.read(name)).hexdigest()
        if found != digest:
            raise DepotError(
                f"expected {self.path}/{name} to hold what was written ({digest}), read {found}: try again"
            )
        return len(content), digest

    def read_table(self, name: str, sha256: str | None = None) -> pa.Table:
        """Return the rows of a Parquet file, which has to have the digest that is told. Raises DepotError."""
        content = self.read(name)
        found = hashlib.sha256(content).hexdigest()
        if sha256 is not None and found != sha256:
            raise DepotError(
                f"expected {self.path}/{name} to have SHA-256 {sha256}, found {found}: damaged or exchanged; "
                "put it back from a copy, or ship it again"
            )
        return pq.read_table(pa.BufferReader(content))

    def _at(self, name: str) -> str:
        return f"{self._root.rstrip('/')}/{name}"


def row_digest(rows: pa.Table) -> str:
    """Return the SHA-256 of rows in the order that they have, whatever chunks they come in."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, rows.schema) as stream:
        stream.write_table(rows.combine_chunks())
    return hashlib.sha256(sink.getvalue()).hexdigest()
