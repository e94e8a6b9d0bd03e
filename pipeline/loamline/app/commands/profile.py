"""`loamline profile`: the water of each site's root zone, hour by hour."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import duckdb
import pyarrow as pa
import typer

from loamline.app.instants import check_span, instant
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, rfc3339
from loamline.edges.export import Format, format_of, write_csv, write_file
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_site
from loamline.edges.store.profiles import Span, site_hours
from loamline_schemas.verdicts import Verdict

#: What names standard output.
STDOUT = Path("-")
_WORDS = {verdict.word: verdict for verdict in Verdict}
#: Heading, unit and width of each column for people; the site stands last, since names have any length.
_SHOWN = {
    "storage_mm": ("storage", "mm", 9),
    "depletion_mm": ("depletion", "mm", 11),
    "readily_available_mm": ("readily av.", "mm", 13),
    "total_available_mm": ("total av.", "mm", 11),
    "root_depth_m": ("roots", "m", 7),
    "probes": ("probes", "", 8),
    "silent_probes": ("silent", "", 8),
}


def verdict(text: str) -> Verdict:
    """Return the verdict of that name; typer.BadParameter else."""
    if text not in _WORDS:
        raise typer.BadParameter(f"expected one of {', '.join(_WORDS)}, got {text!r}")
    return _WORDS[text]


def profile(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    site: Annotated[str | None, typer.Option(help="only this site")] = None,
    since: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="hours that begin at or after this, UTC")
    ] = None,
    until: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="hours that begin before this, UTC")
    ] = None,
    counting: Annotated[
        list[Verdict] | None,
        typer.Option(
            "--verdict",
            parser=verdict,
            metavar="WORD",
            help="whose readings count, in place of pass; may be given several times",
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="write CSV to this file; - for standard output")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a site and hour")] = False,
) -> None:
    """Show the water of every site's root zone by the hour, in mm, in order of time.

    Storage is the integral of the water content from the surface to the root depth Zr. Between two depths of a probe
    the water content runs straight; above the shallowest and below the deepest it stays as it is there. With depths
    z1, z2, z3 above Zr, all in mm:

    storage = vwc1 (z1 + (z2 - z1)/2) + vwc2 (z3 - z1)/2 + vwc3 ((z3 - z2)/2 + Zr - z3)

    Readings of a depth within the hour are averaged first, those whose verdict counts. A depth without one leaves the
    probe's storage unknown. A site's row is the mean over its probes that have a storage; silent are those that have
    none. Total available water is field capacity less wilting point down to Zr, readily available is p of it
    (FAO-56, Eq. 82 and 83), depletion is field capacity less storage: beyond readily available, the crop is short of
    water. Depths, soil layers, root depth and p are what the registry says now.

    Figures are estimates with an uncertainty, no substitute for local advice.

    Example: loamline profile --store soil.duckdb --site "North field" --since 2026-05-01 --out may.csv
    """
    check_span(since, until)
    if as_json and out is not None:
        raise CommandError("expected one of --json and --out, got both", code=2)
    _refuse_other_formats(store, out)
    with open_store(store) as opened:
        span = Span(_site(opened, site), since, until)
        try:
            stream = site_hours(opened, span, tuple(counting or [Verdict.PASS]))
            _tell(stream, out, as_json=as_json)
        except BrokenPipeError:
            raise
        except OSError as problem:
            raise CommandError(f"expected to write {out}, got: {problem}; nothing was left there") from problem
        except duckdb.Error as problem:
            raise CommandError(f"expected to read {store}, got: {str(problem).splitlines()[0]}") from problem


def _refuse_other_formats(store: Path, out: Path | None) -> None:
    if out is None or out == STDOUT:
        return
    if format_of(out) is not Format.CSV:
        raise CommandError(f"expected --out with the suffix .csv, or -, got {out.name}", code=2)
    if out.resolve() == store.resolve():
        raise CommandError(f"expected --out to be another file than the store, got {out}", code=2)


def _site(store: Store, name: str | None) -> str | None:
    try:
        return None if name is None else find_site(store, name)
    except UnknownNameError as problem:
        raise CommandError(str(problem)) from problem


def _tell(stream: pa.RecordBatchReader, out: Path | None, *, as_json: bool) -> None:
    if out == STDOUT:
        write_csv(stream, sys.stdout.buffer, lambda _: None)
    elif out is not None:
        rows = write_file(stream, out, Format.CSV, lambda _: None)
        console.print(f"{rows} site hours in {out}", markup=False, soft_wrap=True)
    elif as_json:
        _print_json(stream)
    else:
        _print_text(stream)


def _rows(stream: pa.RecordBatchReader) -> Iterator[dict[str, Any]]:
    for batch in stream:
        yield from batch.to_pylist()


def _print_json(stream: pa.RecordBatchReader) -> None:
    """Print the rows as one JSON list, a row at a time."""
    before = "[\n"
    for row in _rows(stream):
        told = {**row, "hour": rfc3339(row["hour"])}
        sys.stdout.write(before + json.dumps(told, ensure_ascii=False, allow_nan=False))
        before = ",\n"
    sys.stdout.write("\n]\n" if before != "[\n" else "[]\n")


def _print_text(stream: pa.RecordBatchReader) -> None:
    headings = "".join(f"{word:>{width}}" for word, _, width in _SHOWN.values())
    units = "".join(f"{unit:>{width}}" for _, unit, width in _SHOWN.values())
    rows = 0
    for row in _rows(stream):
        if not rows:
            sys.stdout.write(f"{'hour (UTC)':<17}{headings}  site\n{'':<17}{units}\n")
        rows += 1
        sys.stdout.write(f"{row['hour']:%Y-%m-%dT%H:%MZ}{_cells(row)}  {row['site']}\n")
    if not rows:
        console.print("no readings of placed probes in that span; `loamline fleet` tells when each was last heard")


def _cells(row: dict[str, Any]) -> str:
    return "".join(f"{_cell(name, row[name]):>{width}}" for name, (_, _, width) in _SHOWN.items())


def _cell(name: str, value: Any) -> str:
    if value is None:
        return "-"
    return f"{value:.2f}" if name == "root_depth_m" else f"{value:.1f}" if isinstance(value, float) else str(value)
