"""`loamline export`: readings as CSV, Parquet or a spreadsheet."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated

import duckdb
import pyarrow as pa
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.instants import instant
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json, progress_bar
from loamline.edges.export import Format, format_of, write_csv, write_file
from loamline.edges.spreadsheet import LARGEST_ROWS
from loamline.edges.store.as_of import UnknownRevisionError, instant_of, readings_as_of
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_probe, find_site
from loamline.edges.store.readings import COLUMNS, Selection, count_readings, readings

#: What names standard output.
STDOUT = Path("-")


def export(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    out: Annotated[Path, typer.Option(help="the file to write; - for standard output (CSV only)")],
    kind: Annotated[
        Format | None, typer.Option("--format", help="csv, parquet or xlsx; by --out's suffix where it is not given")
    ] = None,
    probe: Annotated[str | None, typer.Option(help="only this probe: its dev_eui or serial")] = None,
    site: Annotated[str | None, typer.Option(help="only this site")] = None,
    since: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="measured at or after this, UTC")
    ] = None,
    until: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="measured before this, UTC")
    ] = None,
    as_of: Annotated[
        str | None,
        typer.Option(metavar="REVISION|TIME", help="as seen right after this revision, 0 for before any; or at a time"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print rows, columns and out as one JSON object")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Write readings to a file, ordered by dev_eui, depth_index and measured_at.

    The same uplinks give the same bytes, however they came in. Figures are estimates with an uncertainty, no substitute
    for local advice; mind the verdict beside each. In CSV a text cell that a spreadsheet would take for a formula
    starts with an apostrophe.

    --as-of derives the readings again from the uplinks stored by then, under the registry states and revisions in force
    then. Codecs (--codec-dir is for this) and rules are today's: where those changed, it is what they would have given.

    Example: loamline export --store soil.duckdb --out may.csv --since 2026-05-01 --until 2026-06-01
    """
    kind = _format(out, kind)
    if as_json and out == STDOUT:
        raise CommandError("expected --out FILE beside --json, got -: both would write to standard output", code=2)
    if since is not None and until is not None and since >= until:
        raise CommandError(f"expected --since before --until, got {since.isoformat()} and {until.isoformat()}", code=2)
    _refuse_to_overwrite(store, out)
    with open_store(store) as opened:
        selection = _selection(opened, probe, site, since, until)
        stream, count = _stream(opened, selection, as_of, codec_dir)
        if count is not None:
            _refuse_too_many(kind, count)
        elif kind is Format.XLSX:
            stream = _no_more(stream)
        with _progress(count) as told:
            rows = _write(opened, stream, out, kind, told)
    if as_json:
        print_json({"rows": rows, "columns": [column.name for column in COLUMNS], "out": str(out)})
    elif out != STDOUT:
        console.print(f"{rows} readings in {out}", markup=False, soft_wrap=True)


def _format(out: Path, kind: Format | None) -> Format:
    if out == STDOUT:
        if kind not in (None, Format.CSV):
            raise CommandError(f"expected --format csv for standard output, got {kind}; give --out a file", code=2)
        return Format.CSV
    told = kind or format_of(out)
    if told is None:
        raise CommandError(
            f"expected --format, or --out with the suffix .csv, .parquet or .xlsx, got {out.name}", code=2
        )
    return told


def _refuse_to_overwrite(store: Path, out: Path) -> None:
    own = (store, store.with_name(store.name + ".lock"), store.with_name(store.name + ".watermark"))
    if out.resolve() in {path.resolve() for path in own}:
        raise CommandError(f"expected --out to be another file than the store's own, got {out}", code=2)


def _refuse_too_many(kind: Format, count: int) -> None:
    if kind is Format.XLSX and count > LARGEST_ROWS:
        raise CommandError(
            f"expected at most {LARGEST_ROWS} readings for a spreadsheet, got {count}; "
            "narrow them by --since and --until, or write --format parquet"
        )


def _selection(
    store: Store, probe: str | None, site: str | None, since: datetime | None, until: datetime | None
) -> Selection:
    try:
        return Selection(
            dev_euis=None if probe is None else find_probe(store, probe),
            site=None if site is None else find_site(store, site),
            since=since,
            until=until,
        )
    except UnknownNameError as problem:
        raise CommandError(str(problem)) from problem


def _stream(
    store: Store, selection: Selection, as_of: str | None, codec_dir: list[Path] | None
) -> tuple[pa.RecordBatchReader, int | None]:
    """Return the readings, and how many they are where that is known beforehand."""
    if as_of is None:
        count = count_readings(store, selection)
        return readings(store, selection), count
    try:
        at = instant_of(store, int(as_of)) if as_of.isascii() and as_of.isdecimal() else instant(as_of)
    except (UnknownRevisionError, typer.BadParameter) as problem:
        raise CommandError(f"--as-of: {problem}", 2) from problem
    return readings_as_of(store, known_codecs(codec_dir), selection, at), None


def _no_more(stream: pa.RecordBatchReader) -> pa.RecordBatchReader:
    """Pass on what a spreadsheet holds. Raises CommandError where there is more."""

    def batches() -> Iterator[pa.RecordBatch]:
        count = 0
        for batch in stream:
            count += batch.num_rows
            _refuse_too_many(Format.XLSX, count)
            yield batch

    return pa.RecordBatchReader.from_batches(stream.schema, batches())


def _write(store: Store, stream: pa.RecordBatchReader, out: Path, kind: Format, told: Callable[[int], None]) -> int:
    try:
        if out == STDOUT:
            return write_csv(stream, sys.stdout.buffer, told)
        return write_file(stream, out, kind, told)
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise CommandError(f"expected to write {out}, got: {problem}; nothing was left there") from problem
    except duckdb.Error as problem:
        raise CommandError(f"expected to read {store.path}, got: {str(problem).splitlines()[0]}") from problem


@contextmanager
def _progress(total: int | None) -> Iterator[Callable[[int], None]]:
    with progress_bar() as progress:
        task = progress.add_task("readings", total=total)
        yield lambda rows: progress.update(task, completed=rows)
