"""Long looks at a store that write nothing to it: what a replay would change, and readings as of an earlier instant.

Each is a generator that tells of progress and returns the result, for whoever has the store open: a command, or the
daemon that a command asked, which hands rows over in a file.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from loamline.app.replay_text import report_fields
from loamline.app.replaying import ReplayError, Scope, planned
from loamline.edges.handed_over import ComparedRows, handing_over, write_stream
from loamline.edges.store.as_of import UnknownRevisionError, instant_of, readings_as_of
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_probe, find_site
from loamline.edges.store.placements import surroundings
from loamline.edges.store.preview import BLOCK, Compared, Preview
from loamline.edges.store.readings import SCHEMA, Selection
from loamline.edges.store.registry import probe_ids
from loamline_codecs import CodecSet

#: Takes a chunk of a preview, the dev_euis by probe_id, and the number of the registry state that would be applied.
Taker = Callable[[Compared, Mapping[int, str], int], None]
#: Rows that are looked at in one go beside a daemon, with which the thread that looks shares the interpreter.
BESIDE = 20_000
Look = Generator[dict[str, Any], None, dict[str, Any]]


@dataclass(frozen=True)
class AsOf:
    """Which readings, by names as people type them, and as of which revision or instant."""

    probe: str | None = None
    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    revision: int | None = None
    instant: datetime | None = None

    def selection(self, store: Store) -> Selection:
        """Return the selection that is meant. Raises ReplayError for an unknown name."""
        try:
            return Selection(
                dev_euis=None if self.probe is None else find_probe(store, self.probe),
                site=None if self.site is None else find_site(store, self.site),
                since=self.since,
                until=self.until,
            )
        except UnknownNameError as problem:
            raise ReplayError(str(problem)) from None

    def at(self, store: Store) -> datetime:
        """Return the instant that is meant. Raises ReplayError for a revision that has none."""
        if self.instant is not None:
            return self.instant
        try:
            return instant_of(store, self.revision or 0)
        except UnknownRevisionError as problem:
            raise ReplayError(f"--as-of: {problem}") from None


def previewing(store: Store, codecs: CodecSet, scope: Scope, takers: Sequence[Taker] = (), block: int = BLOCK) -> Look:
    """Return stale, changed, nothing (whether there is anything to replay) and the report of a replay in `scope`."""
    steps = planned(store, codecs, scope, None, block)
    while True:
        try:
            yield vars(next(steps))
        except StopIteration as end:
            plan = end.value
            break
    names = {number: dev_eui for dev_eui, number in probe_ids(store).items()}
    preview = Preview(store, codecs, plan, block)
    for compared in preview.chunks():
        for take in takers:
            take(compared, names, plan.reference_id)
        yield {"part": "comparing", "done": compared.done, "total": compared.total}
    report = preview.report
    return {
        "stale": plan.stale,
        "changed": report.changed,
        "nothing": plan.nothing,
        "report": report_fields(report),
    }


def previewing_into(
    store: Store, codecs: CodecSet, scope: Scope, file: Path | None, *, whole_probes: bool = False
) -> Look:
    """Return the same, with rows handed over in `file`, as `ComparedRows` writes them."""
    if file is None:
        return (yield from previewing(store, codecs, scope, block=BESIDE))
    with _told_in_a_sentence(file), handing_over(file) as opened:
        rows = ComparedRows(opened, whole_probes=whole_probes)
        told = yield from previewing(store, codecs, scope, [rows.take], BESIDE)
        rows.close()
    return told


def exporting_into(store: Store, codecs: CodecSet, asked: AsOf, file: Path) -> Look:
    """Write the placements, the sites and the readings to `file`, a stream each; return the rows of the last."""
    selection, at = asked.selection(store), asked.at(store)
    about = surroundings(store, selection)
    rows = 0
    with _told_in_a_sentence(file), handing_over(file) as opened:
        for table in (about.placements, about.sites):
            for _ in write_stream(opened, table.schema, iter(table.to_batches())):
                pass
        stream = readings_as_of(store, codecs, selection, at, BESIDE)
        for rows in write_stream(opened, SCHEMA, stream):
            yield {"part": "readings", "done": rows, "total": 0}
    return {"rows": rows}


@contextmanager
def _told_in_a_sentence(file: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        reason = problem.strerror or problem
        raise ReplayError(f"expected to write {file}, got {reason}; nothing was left there") from None
