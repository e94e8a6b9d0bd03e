"""`loamline verify`: is what is stored what the raw log gives?"""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import duckdb
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, print_json, progress_bar, rfc3339
from loamline.edges.store.verify import Compared, Difference
from loamline.edges.store.verify import verify as compare
from loamline_codecs import CodecSet


def verify(
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    as_json: Annotated[bool, typer.Option("--json", help="print counts and differences as one JSON object")] = False,
    first: Annotated[int, typer.Option(metavar="N", help="so many differences are told in full", min=0)] = 20,
    codec_dir: CodecDirOption = None,
) -> None:
    """Derive everything again from the raw log and compare it with what is stored, bit for bit.

    Readings with what made them, statuses, and uplinks set aside. Nothing is written. The exit code is 0 when all is
    equal, 1 on any difference, 2 where no comparison was possible.

    Example: loamline verify --store soil.duckdb --first 5
    """
    codecs = known_codecs(codec_dir)
    told = _compared(store, codecs, first)
    if as_json:
        print_json({**asdict(told), "first": [_fields(difference) for difference in told.first]})
    else:
        for difference in told.first:
            console.print(_sentence(difference), markup=False, soft_wrap=True)
        console.print(_summary(told), soft_wrap=True)
    if told.differences:
        raise typer.Exit(1)


def _compared(store: Path, codecs: CodecSet, first: int) -> Compared:
    try:
        with open_store(store) as opened, progress_bar() as shown:
            task = shown.add_task("derived again", total=None)
            return compare(
                opened,
                codecs,
                first,
                progress=lambda done, total: shown.update(task, completed=done, total=total or 1),
            )
    except CommandError as problem:
        raise CommandError(str(problem), 2) from problem
    except duckdb.Error as problem:
        line = str(problem).splitlines()[0]
        raise CommandError(
            f"expected to read all of {store}, got {line}; if the file is damaged, restore a backup", 2
        ) from problem


def _fields(difference: Difference) -> dict[str, Any]:
    told = asdict(difference)
    del told["probe_id"]
    return told


def _summary(told: Compared) -> str:
    rows = f"{told.readings} readings, {told.statuses} statuses, {told.set_aside} set aside"
    of = f"{told.deliveries} deliveries of {told.probes} probes"
    if not told.differences:
        return f"{rows}: equal to what {of} give"
    unseen = told.differences - len(told.first)
    more = f", {unseen} of them not shown (--first)" if unseen else ""
    return (
        f"{rows}; {told.differences} differences from what {of} give{more}. "
        "If a codec was added or changed since, or --codec-dir does not name its folder, that is why; else tell the "
        "developers"
    )


def _sentence(difference: Difference) -> str:
    who = difference.dev_eui or f"probe number {difference.probe_id}, which has no dev_eui"
    depth = "" if difference.depth_index is None else f" depth {difference.depth_index}"
    place = f"{who}{depth} {rfc3339(difference.at)}"
    if difference.column is None:
        side, row = ("derived", difference.derived) if difference.stored is None else ("stored", difference.stored)
        cells = ", ".join(f"{name} {_value(value)}" for name, value in row.items())
        return f"{place}: {difference.table} only {side}: {cells}"
    stored, derived = _value(difference.stored), _value(difference.derived)
    return f"{place}: {difference.table}.{difference.column}: stored {stored}, derived {derived}"


def _value(value: object) -> str:
    return rfc3339(value) if isinstance(value, datetime) else "nothing" if value is None else str(value)
