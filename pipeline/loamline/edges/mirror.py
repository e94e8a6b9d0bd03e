"""A copy of the readings in Parquet, for people with tools of their own: whole files, replaced one at a time.

    OUT/manifest.json                                     what stands here, and of when
    OUT/readings/month=2026-05/probes-00000.parquet       readings of a UTC month and of some probes
    OUT/placements/placements.parquet, sites/sites.parquet, probes/probes.parquet

A file is written beside its place and renamed, so that a reader finds the old one or the new one, never half of either
and never both. Only files whose rows have changed are written again, and the manifest says what is done, so that a
mirror that was broken off goes on where it was. Different files may be of different moments while a run goes on; after
one the manifest says `complete`.
"""

from __future__ import annotations

import fcntl
import io
import json
import os
import re
from collections.abc import Callable, Generator, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import MAXYEAR, UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

import duckdb
import pyarrow as pa

from loamline.core.rfc3339 import rfc3339
from loamline.edges.export import Format, write_file, write_parquet
from loamline.edges.store.connection import Store
from loamline.edges.store.placements import placements, probes, sites
from loamline.edges.store.readings import SCHEMA, Selection, digests_by_probes, readings
from loamline.edges.store.revisions import CURRENT

MANIFEST = "manifest.json"
#: Form of the manifest and of the folders; another one is another layout.
FORM = 1
#: Probes whose readings share a file: a month of them is some hundred thousand rows where they measure by the hour.
PROBES_A_FILE = 500
_OURS_UNFINISHED = re.compile(r"\.(manifest\.json|(probes(-\d+)?|placements|sites)\.parquet)\.\d+\.unfinished")
_OURS = re.compile(r"(readings/month=\d{4}-\d\d/probes-\d+|placements/placements|sites/sites|probes/probes)\.parquet")


class MirrorError(Exception):
    """A folder that no mirror can be kept in; the message says what was expected, what came and what to do."""


@dataclass(frozen=True)
class Step:
    """One file looked at; `share` is how much of the whole run is done, 0 to 1."""

    path: str
    rows: int
    outcome: Literal["written", "unchanged", "removed"]
    share: float


#: Lends a view of the store for one step.
Lend = Callable[[], AbstractContextManager[Store]]


def mirror_steps(lend: Lend, out: Path, now: datetime) -> Generator[Step, None, None]:
    """Bring the mirror in `out` up to the store, a file a step. Between steps the store may change.

    Each step has a view of its own, lent for that long. Whoever drives it may stop after any step; what a killed run
    left half written is removed. `now` goes into the manifest. Raises MirrorError, OSError and what `lend` raises.
    """
    with _alone(out):
        manifest = _Manifest.read(out)
        _remove_unfinished(out)
        manifest.begin()
        with lend() as store:
            months = _months(store)
        wanted: set[str] = set()
        for number, (since, until) in enumerate(months):
            for path, step in _month(lend, out, manifest, since, until):
                wanted.add(path)
                yield Step(path, *step, share=(number + 1) / (len(months) + 1))
        with lend() as store:
            small = {"placements": placements(store), "sites": sites(store), "probes": probes(store)}
            last_seq = store.last_seq()
        for name, table in small.items():
            path = f"{name}/{name}.parquet"
            wanted.add(path)
            yield Step(path, table.num_rows, _small(out, manifest, path, table), share=len(months) / (len(months) + 1))
        for path in sorted(manifest.files.keys() - wanted):
            rows = int(manifest.files[path]["rows"])
            _remove(out / path)
            manifest.forget(path)
            yield Step(path, rows, "removed", share=1.0)
        manifest.finish(now, last_seq)


@dataclass(frozen=True)
class MirrorState:
    """How a mirror that is kept up to date stands; instants are UTC.

    `mirrored_at`: of when it is, None while it is not whole; `running_since`: a run is at work; `failing_since`,
    `failures`, `last_error`: of the runs that failed since the last that did not.
    """

    folder: str
    every_minutes: float
    mirrored_at: datetime | None
    running_since: datetime | None = None
    failing_since: datetime | None = None
    failures: int = 0
    last_error: str = ""


def mirrored_at(out: Path) -> datetime | None:
    """Return of when the mirror in `out` is, None where it is not whole or there is none."""
    try:
        told = json.loads((out / MANIFEST).read_text())
        return datetime.fromisoformat(told["mirrored_at"]) if told["complete"] is True else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def at_rest(store: Store) -> Lend:
    """Return how a store that nobody writes is lent: as it is."""
    return lambda: nullcontext(store)


@contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Have the folder for this run alone, made where there is none. The kernel's lock ends with the process."""
    if not out.exists() and not out.parent.is_dir():
        raise MirrorError(f"expected the folder {out.parent} for the mirror, found none; make it first")
    out.mkdir(exist_ok=True)
    folder = os.open(out, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise MirrorError(f"expected no other run at the mirror {out}, found one; wait until it is done") from None
    finally:
        os.close(folder)


def _remove_unfinished(out: Path) -> None:
    for file in [*out.glob(".*.unfinished"), *out.glob("*/.*.unfinished"), *out.glob("readings/*/.*.unfinished")]:
        if _OURS_UNFINISHED.fullmatch(file.name):
            file.unlink(missing_ok=True)


class _Manifest:
    """What stands in the mirror: of each file the rows, the length and the digest of the rows."""

    def __init__(self, out: Path, told: dict[str, Any]) -> None:
        self._path = out / MANIFEST
        self._told = told
        self.files: dict[str, dict[str, Any]] = told["files"]

    @classmethod
    def read(cls, out: Path) -> _Manifest:
        """Return the manifest of `out`, an empty one for a new or empty folder. Raises MirrorError."""
        try:
            told = json.loads((out / MANIFEST).read_text())
        except FileNotFoundError:
            if any(not _OURS_UNFINISHED.fullmatch(file.name) for file in out.iterdir()):
                raise MirrorError(
                    f"expected an empty folder or a mirror at {out}, found other files and no {MANIFEST}; name another"
                ) from None
            return cls(out, {"files": {}})
        except ValueError as problem:
            raise MirrorError(f"expected JSON in {out / MANIFEST}, got {problem}; remove the folder") from None
        if not isinstance(told, dict) or told.get("form") != FORM or not isinstance(told.get("files"), dict):
            raise MirrorError(f"expected a mirror of form {FORM} at {out}, got another; name another folder")
        # Files are removed by what stands here, so that only names of our own count.
        told["files"] = {path: file for path, file in told["files"].items() if _OURS.fullmatch(path)}
        if told.get("columns") != _columns():
            # Other columns, or another way of counting digests: nothing can be known to be unchanged.
            told["files"] = {path: {**file, "digest": ""} for path, file in told["files"].items()}
        return cls(out, told)

    def begin(self) -> None:
        self._told = {
            "form": FORM,
            "complete": False,
            "mirrored_at": self._told.get("mirrored_at"),
            "last_seq": self._told.get("last_seq"),
            "columns": _columns(),
            "files": self.files,
        }
        self._write()

    def holds(self, path: str, digest: str) -> bool:
        """Return whether the file stands in its place, of its length, with these rows."""
        told = self.files.get(path)
        place = self._path.parent / path
        return (
            told is not None
            and told["digest"] == digest
            and place.exists()
            and place.stat().st_size == told["size_bytes"]
        )

    def note(self, path: str, rows: int, digest: str) -> None:
        size = (self._path.parent / path).stat().st_size
        self.files[path] = {"rows": rows, "size_bytes": size, "digest": digest}
        self._write()

    def forget(self, path: str) -> None:
        del self.files[path]
        self._write()

    def finish(self, now: datetime, last_seq: int) -> None:
        at = rfc3339(now)
        self._told |= {"complete": True, "mirrored_at": at, "last_seq": last_seq}
        self._write()

    def _write(self) -> None:
        text = json.dumps({**self._told, "files": dict(sorted(self.files.items()))}, indent=1)
        unfinished = self._path.with_name(f".{MANIFEST}.{os.getpid()}.unfinished")
        with unfinished.open("w") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(self._path)


def _month(
    lend: Lend, out: Path, manifest: _Manifest, since: datetime, until: datetime
) -> Iterator[tuple[str, tuple[int, Literal["written", "unchanged"]]]]:
    with lend() as store:
        parts = digests_by_probes(store, Selection(since=since, until=until), PROBES_A_FILE)
    for part, (rows, digest) in parts.items():
        path = f"readings/month={since.year:04}-{since.month:02}/probes-{part:05}.parquet"
        if manifest.holds(path, digest):
            yield path, (rows, "unchanged")
            continue
        with lend() as store:
            selection = Selection(dev_euis=_probes_of(store, part), since=since, until=until)
            # Looked at anew in the view that is written: readings may have come or gone since the month was looked at.
            rows, digest = digests_by_probes(store, selection, PROBES_A_FILE).get(part, (0, ""))  # noqa: PLW2901
            if rows:
                (out / path).parent.mkdir(parents=True, exist_ok=True)
                write_file(readings(store, selection), out / path, Format.PARQUET, lambda _: None)
        if rows:
            manifest.note(path, rows, digest)
            yield path, (rows, "written")


def _remove(file: Path) -> None:
    file.unlink(missing_ok=True)
    if file.parent.is_dir() and not any(file.parent.iterdir()):
        file.parent.rmdir()


def _small(out: Path, manifest: _Manifest, path: str, table: pa.Table) -> Literal["written", "unchanged"]:
    content = io.BytesIO()
    write_parquet(table.to_reader(), content, lambda _: None)
    digest = sha256(content.getvalue()).hexdigest()
    if manifest.holds(path, digest):
        return "unchanged"
    (out / path).parent.mkdir(parents=True, exist_ok=True)
    write_file(table.to_reader(), out / path, Format.PARQUET, lambda _: None)
    manifest.note(path, table.num_rows, digest)
    return "written"


def _months(store: Store) -> list[tuple[datetime, datetime]]:
    found = store.con.sql(
        f"SELECT DISTINCT year(measured_at), month(measured_at) FROM {CURRENT} ORDER BY ALL"  # noqa: S608 - our own words
    ).fetchall()
    return [(_first(year, month), _first(year + month // 12, month % 12 + 1)) for year, month in found]


def _first(year: int, month: int) -> datetime:
    return datetime.max.replace(tzinfo=UTC) if year > MAXYEAR else datetime(year, month, 1, tzinfo=UTC)


def _probes_of(store: Store, part: int) -> tuple[str, ...]:
    rows = store.con.sql(
        "SELECT dev_eui FROM probe_identity WHERE probe_id >= ? AND probe_id < ? ORDER BY dev_eui",
        params=[part * PROBES_A_FILE, (part + 1) * PROBES_A_FILE],
    ).fetchall()
    return tuple(str(dev_eui) for (dev_eui,) in rows)


def _columns() -> str:
    """Return what changes where columns or the counting of digests do."""
    return sha256(f"{SCHEMA.to_string(show_field_metadata=True)} {duckdb.__version__}".encode()).hexdigest()
