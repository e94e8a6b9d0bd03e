"""`loamline export`: readings as CSV, Parquet, a spreadsheet or SenML."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated

import duckdb
import typer

from loamline.app.codecs import CodecDirOption
from loamline.app.export_work import Rows, exported
from loamline.app.instants import check_span, instant
from loamline.app.looking import AsOf
from loamline.app.output import CommandError, console, errors, print_json, progress_bar
from loamline.edges.export import Format, format_of, write_csv, write_file
from loamline.edges.store.readings import COLUMNS

#: What names standard output.
STDOUT = Path("-")


def export(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    out: Annotated[Path, typer.Option(help="the file to write; - for standard output (CSV only)")],
    kind: Annotated[
        Format | None,
        typer.Option("--format", help="csv, parquet, xlsx or senml; by --out's suffix where it is not given"),
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
    for local advice; mind the verdict beside each.

    csv: RFC 4180. A text cell that a spreadsheet program would take for a formula starts with an apostrophe (OWASP, CSV
    injection); figures never do. parquet: unit and meaning stand in each column's metadata. xlsx: sheets for readings,
    daily summary, placements, charts and a legend, with the site's clock beside UTC. senml: RFC 8428 in JSON, with
    units of its registry; verdict and zone are words, checks and provenance are left out.

    --as-of derives the readings again from the uplinks stored by then, under the registry states and revisions in force
    then. Codecs (--codec-dir is for this) and rules are today's: where those changed, it is what they would have given.
    Where a daemon has the store open, it does that work.

    Example: loamline export --store soil.duckdb --out may.csv --since 2026-05-01 --until 2026-06-01
    """
    kind = _format(out, kind)
    if as_json and out == STDOUT:
        raise CommandError("expected --out FILE beside --json, got -: both would write to standard output", code=2)
    check_span(since, until)
    _refuse_to_overwrite(store, out)
    beside = store.parent if out == STDOUT else out.parent
    with exported(store, AsOf(probe, site, since, until), as_of, beside, codec_dir) as found:
        count = found.count
        with _progress(count) as told:
            rows = _write(store, found, out, kind, told)
    if as_json:
        print_json({"rows": rows, "columns": [column.name for column in COLUMNS], "out": str(out)})
    elif out != STDOUT:
        console.print(f"{rows} readings in {out}", markup=False, soft_wrap=True)
        if count is not None and rows < count:
            left_out = f"{count - rows} readings from before July 1978 were left out"
            errors.print(f"{left_out}: SenML takes such times for relative ones", soft_wrap=True)


def _format(out: Path, kind: Format | None) -> Format:
    if out == STDOUT:
        if kind not in (None, Format.CSV):
            raise CommandError(f"expected --format csv for standard output, got {kind}; give --out a file", code=2)
        return Format.CSV
    told = kind or format_of(out)
    if told is None:
        raise CommandError(
            f"expected --format, or --out with the suffix .csv, .parquet, .xlsx or .senml, got {out.name}", code=2
        )
    return told


def _refuse_to_overwrite(store: Path, out: Path) -> None:
    own = (store, store.with_name(store.name + ".lock"), store.with_name(store.name + ".watermark"))
    if out.resolve() in {path.resolve() for path in own}:
        raise CommandError(f"expected --out to be another file than the store's own, got {out}", code=2)


def _write(store: Path, found: Rows, out: Path, kind: Format, told: Callable[[int], None]) -> int:
    try:
        if out == STDOUT:
            return write_csv(found.stream, sys.stdout.buffer, told)
        return write_file(found.stream, out, kind, told, found.about)
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise CommandError(f"expected to write {out}, got: {problem}; nothing was left there") from problem
    except duckdb.Error as problem:
        raise CommandError(f"expected to read {store}, got: {str(problem).splitlines()[0]}") from problem


@contextmanager
def _progress(total: int | None) -> Iterator[Callable[[int], None]]:
    with progress_bar() as progress:
        task = progress.add_task("readings", total=total)
        yield lambda rows: progress.update(task, completed=rows)
