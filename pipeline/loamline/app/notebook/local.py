"""A store at rest, read from its file: that is open only while a question is answered, so that the daemon can start."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from loamline.app.notebook.rows import NotebookError, Readings, Rows
from loamline.app.notebook.store import NotebookStore, Question, Resolution
from loamline.app.opening import lent_store
from loamline.app.output import CommandError
from loamline.core.moisture_units import MoistureUnit, in_unit
from loamline.core.reading_summaries import Period, summaries, summary_schema
from loamline.edges.store.api_profile import profile_page
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.connection import Store, StoreBusyError, StoreError
from loamline.edges.store.names import UnknownNameError, find_probe, find_site
from loamline.edges.store.placements import placements, probes, sites
from loamline.edges.store.readings import SCHEMA, Selection, readings

_ROWS_A_PAGE = 100_000


class LocalStore(NotebookStore):
    """A store in a DuckDB file; one that a daemon has open is read in a view that it lends."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with self._opened():
            pass

    def __repr__(self) -> str:
        return f"loamline.open({str(self.path)!r})"

    def sites(self) -> Rows:
        """Return the sites, by name."""
        return self._rows(sites)

    def probes(self) -> Rows:
        """Return every probe that was heard or registered, by dev_eui."""
        return self._rows(probes)

    def placements(self) -> Rows:
        """Return which depth of which probe sat where, from when to when, as the registry says now."""
        return self._rows(placements)

    def _rows(self, ask: Callable[[Store], pa.Table]) -> Rows:
        with self._opened() as store:
            return Rows(ask(store))

    def _readings(self, question: Question) -> Readings:
        with self._opened() as store:
            dev_euis = None if question.probe is None else find_probe(store, question.probe)
            site = None if question.site is None else find_site(store, question.site)
            if question.unit is MoistureUnit.MM:
                return Readings(_profile(store, question, dev_euis, site))
            selection = Selection(dev_euis, site, question.since, question.until)
            zones = dict(zip(*(sites(store).column(name).to_pylist() for name in ("site", "time_zone")), strict=True))
            batches = _of_depth(readings(store, selection), question.depth)
            if question.resolution is Resolution.RAW:
                table = pa.Table.from_batches(batches, SCHEMA)
            else:
                period = Period(question.resolution.value)
                table = pa.concat_tables([summary_schema(period).empty_table(), *summaries(batches, period, zones)])
            return Readings(in_unit(table, question.unit))

    @contextmanager
    def _opened(self) -> Iterator[Store]:
        with ExitStack() as stack:
            try:
                # The readings are all in the file: whether the archived raw log is at hand is no matter here.
                store = stack.enter_context(Store.open(self.path, writable=False, whole=False))
            except StoreBusyError as problem:
                store = self._lent(stack, str(problem))
            except StoreError as problem:
                raise NotebookError(str(problem)) from None
            try:
                yield store
            except UnknownNameError as problem:
                raise NotebookError(str(problem)) from None
            except (duckdb.Error, StoreError) as problem:
                raise NotebookError(f"expected to read {self.path}, got: {str(problem).splitlines()[0]}") from problem

    def _lent(self, stack: ExitStack, busy: str) -> Store:
        try:
            store = lent_store(self.path, stack)
        except CommandError as problem:
            api = "or use its read API: loamline.open('http://HOST:PORT', key='...')"
            raise NotebookError(f"{problem}; {api}") from None
        if store is None:
            raise NotebookError(busy)
        return store


def _of_depth(stream: pa.RecordBatchReader, depth: int | None) -> Iterator[pa.RecordBatch]:
    for batch in stream:
        yield batch if depth is None else batch.filter(pc.equal(batch.column("depth_index"), depth))


def _profile(store: Store, question: Question, dev_euis: tuple[str, ...] | None, site: str | None) -> pa.Table:
    """Return the water of profiles, all pages of what the read API tells a page at a time."""
    period = Period(question.resolution.value)
    found: list[pa.Table] = []
    for dev_eui in dev_euis or (None,):
        wanted = Wanted(dev_eui=dev_eui, site=site, since=question.since, until=question.until)
        page = profile_page(store, wanted, period, None, _ROWS_A_PAGE)
        found.append(page.rows)
        while page.after is not None:
            page = profile_page(store, wanted, period, page.after, _ROWS_A_PAGE)
            found.append(page.rows)
    return pa.concat_tables(found)
