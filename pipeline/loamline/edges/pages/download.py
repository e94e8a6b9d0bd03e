"""Readings of a page as a file: of a site, of a probe, or for an operator of the whole fleet.

In a view the rows are read into a file that has no name; after it they are written as what was asked for, by the
writers of `loamline export`. So nothing of the store is held while a spreadsheet is made, nothing is left of a download
that is broken off, and whoever asked gets a whole file or a page that says why not.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, BinaryIO, cast
from urllib.parse import quote

import pyarrow as pa
import pyarrow.compute as pc
from starlette.responses import StreamingResponse

from loamline.edges.export import Format, write_as
from loamline.edges.pages.asked import Asked, PageError, missing
from loamline.edges.pages.words import zone_of
from loamline.edges.store.api_readings import Wanted, known
from loamline.edges.store.page_download import write_rows
from loamline.edges.store.page_places import sites_seen
from loamline.edges.store.placements import Surroundings, surroundings
from loamline.edges.store.reading_api import NotNowError
from loamline.edges.store.readings import Selection
from loamline_schemas.key_tables import Scope

_MEDIA_TYPES = {
    Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Format.CSV: "text/csv; charset=utf-8",
    Format.PARQUET: "application/vnd.apache.parquet",
    Format.SENML: "application/senml+json",
}
#: Readings in one file: what is written cell by cell takes the processor from whoever stores. About a minute each.
MOST_READINGS = {Format.XLSX: 200_000, Format.CSV: 1_000_000, Format.PARQUET: 5_000_000, Format.SENML: 500_000}
#: How a page offers them.
FORMATS = (
    (Format.XLSX, "spreadsheet (XLSX)"),
    (Format.CSV, "CSV"),
    (Format.PARQUET, "Parquet"),
    (Format.SENML, "SenML (JSON)"),
)
_AT_ONCE = 2
_CHUNK_BYTES = 262_144
_BAD_REQUEST = "Not like this"


@dataclass(frozen=True)
class Chosen:
    """What is to be downloaded: whose readings, as what, under which name without its suffix."""

    wanted: Wanted
    kind: Format
    name: str


@dataclass
class RowsRead:
    """The rows, in an Arrow stream, and what a spreadsheet tells beside them."""

    chosen: Chosen
    rows: BinaryIO
    about: Surroundings


class Writing:
    """Bounds how many files are written at a time. To be used from any thread."""

    def __init__(self, at_once: int = _AT_ONCE) -> None:
        self._free = threading.BoundedSemaphore(at_once)

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Raises NotNowError where so many are being written."""
        if not self._free.acquire(blocking=False):
            raise NotNowError("expected fewer downloads at a time, got one more than may be written")
        try:
            yield
        finally:
            self._free.release()


def may_download(asked: Asked) -> bool:
    """Return whether the key opens readings, so that a page should offer them."""
    return asked.may(Scope.READINGS)


def read_rows(asked: Asked) -> RowsRead:
    """Read what the address asks for. Raises PageError, and HttpError (403) for a key that opens no readings."""
    asked.caller.check(Scope.READINGS)
    chosen = _chosen(asked)
    wanted = chosen.wanted
    file = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115 - closed by whoever writes it out
    try:
        _check_length(write_rows(asked.store, wanted, file, MOST_READINGS[chosen.kind] + 1), chosen.kind)
        selection = Selection(None if wanted.dev_eui is None else (wanted.dev_eui,), wanted.site)
        about = surroundings(asked.store, selection)
        if asked.customer is not None:
            named = {*about.placements.column("site").to_pylist(), *about.sites.column("site").to_pylist()}
            own = pa.array(sites_seen(asked.store, asked.customer, named), pa.string())
            about = Surroundings(_at(about.placements, own), _at(about.sites, own))
    except BaseException:
        file.close()
        raise
    return RowsRead(chosen, file, about)


def _check_length(rows: int, kind: Format) -> None:
    most = MOST_READINGS[kind]
    if rows > most:
        sentence = f"Expected at most {most} readings in a file of {kind}, got more: choose a shorter span, or Parquet."
        raise PageError(400, "Too much for one file", f"{sentence} The command loamline export has no such limit.")


def answer_with(found: RowsRead) -> StreamingResponse:
    """Write rows that were read, and return the answer that sends them."""
    written = cast(BinaryIO, tempfile.TemporaryFile())  # noqa: SIM115 - closed when it is sent
    try:
        with found.rows:
            found.rows.seek(0)
            stream = pa.ipc.open_stream(found.rows)
            write_as(stream, written, found.chosen.kind, lambda _rows: None, found.about)
        length = written.seek(0, os.SEEK_END)
        written.seek(0)
    except BaseException:
        written.close()
        raise
    name = f"{found.chosen.name}.{found.chosen.kind}"
    headers = {
        "content-disposition": f"attachment; filename=\"{name}\"; filename*=UTF-8''{quote(name, safe='')}",
        "content-length": str(length),
    }
    return StreamingResponse(_sent(written), 200, headers, _MEDIA_TYPES[found.chosen.kind])


def _sent(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while chunk := file.read(_CHUNK_BYTES):
            yield chunk


def _at(rows: pa.Table, sites: pa.Array) -> pa.Table:
    return rows.filter(pc.is_in(rows.column("site"), sites))


def _chosen(asked: Asked) -> Chosen:
    site, dev_eui = asked.query.get("site") or None, (asked.query.get("probe") or "").upper() or None
    if site is not None and dev_eui is not None:
        raise PageError(400, _BAD_REQUEST, "Expected one of site and probe in the address, got both.")
    if site is not None and not known(asked.store, asked.customer, site=site):
        raise missing("site", site, "The first page lists them.")
    if dev_eui is not None and not known(asked.store, asked.customer, dev_eui=dev_eui):
        raise missing("probe", dev_eui, "The first page lists them.")
    if site is None and dev_eui is None and not may_download_all(asked):
        raise PageError(404, "No such download", "Choose a site or a probe; all of them at once are an operator's.")
    since, until = _span(asked)
    told = asked.query.get("format", "")
    kind = next((kind for kind in Format if kind.value == told), None)
    if kind is None:
        raise PageError(400, _BAD_REQUEST, f"Expected {', '.join(Format)} as format, got “{told[:20]}”.")
    days = f"{asked.query.get('since', '')}-{asked.query.get('through', '')}"
    wanted = Wanted(customer=asked.customer, dev_eui=dev_eui, site=site, since=since, until=until)
    return Chosen(wanted, kind, _file_name(site or dev_eui or "fleet", days))


def may_download_all(asked: Asked) -> bool:
    """Return whether everybody's readings may be had at once."""
    return asked.customer is None and Scope.OPERATOR in asked.caller.scopes


def _span(asked: Asked) -> tuple[datetime, datetime]:
    """Return the instants at which the first day begins and the last one ends, by the clock that the form named."""
    zone = zone_of(asked.query.get("zone"))
    since, through = _day(asked.query, "since"), _day(asked.query, "through")
    if through < since:
        raise PageError(400, _BAD_REQUEST, f"Expected a last day that is not before the first, got {since}, {through}.")
    after = through + timedelta(days=1)
    return datetime.combine(since, time(), zone), datetime.combine(after, time(), zone)


def _day(query: Any, name: str) -> date:
    text = query.get(name, "")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    # Any zone's day has to lie within what an instant can be.
    if not date(1900, 1, 1) <= day <= date(9000, 1, 1):
        raise PageError(400, _BAD_REQUEST, f"Expected a day such as 2026-05-01 for {name}, got “{text[:20]}”.")
    return day


def _file_name(of: str, days: str) -> str:
    """Return a name that any system takes; names of sites are other people's."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", of).strip("-")[:60]
    return f"{plain or 'readings'}-{days}"
