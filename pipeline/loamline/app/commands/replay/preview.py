"""`loamline replay preview`: what a replay would change, without changing it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Annotated

import pyarrow as pa
import typer

from loamline.app.codecs import CodecDirOption
from loamline.app.looking import Taker
from loamline.app.output import CommandError, console, print_json
from loamline.app.replay_scope import (
    CurveOption,
    ProbeOption,
    SinceOption,
    SiteOption,
    StoreOption,
    UntilOption,
    scope_of,
)
from loamline.app.replay_text import report_table
from loamline.app.replay_work import Wanted, at_work, telling
from loamline.core.columns import ints, whole
from loamline.edges.change_drawing import draw_probe, file_name
from loamline.edges.change_file import change_file
from loamline.edges.drawing_style import DrawingError
from loamline.edges.store.preview import Compared


def preview_command(
    store: StoreOption,
    probe: ProbeOption = None,
    site: SiteOption = None,
    curve: CurveOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE.parquet", help="write each changed reading, before and after")
    ] = None,
    draw: Annotated[
        Path | None, typer.Option(metavar="DIR", help="draw each probe with changes, before and after, as SVG")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print changed and the report")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Report by site, depth and texture what `apply` would change: water content, verdicts, zones.

    Nothing is written to the store. Shifts are after less before, m3/m3, of the readings with a water content on both
    sides that differs; p95 is of their absolute size, too large by at most 0.0001.
    """
    scope = scope_of(probe, site, curve, since, until)
    _check_paths(store, out, draw)
    with at_work(store, codec_dir) as work, telling() as told, _written(), ExitStack() as stack:
        takers = _takers(stack, out, draw)
        found = work.preview(scope, told, takers, Wanted(_handed_over_in(out, draw), draw is not None))
    if as_json:
        print_json({name: found[name] for name in ("changed", "stale", "report")})
        return
    if found["nothing"]:
        console.print("nothing is stale: nothing would change")
        return
    console.print(report_table(found["report"]))
    console.print(f"{found['changed']} readings would change; nothing was written to {store}", soft_wrap=True)
    console.print(
        f'make it so with: loamline replay apply --store {store} --reason "..."', soft_wrap=True, markup=False
    )


def _check_paths(store: Path, out: Path | None, draw: Path | None) -> None:
    if out is not None and out.suffix.lower() != ".parquet":
        raise CommandError(f"expected --out FILE.parquet, got {out.name}", 2)
    if out is not None and out.resolve() == store.resolve():
        raise CommandError(f"expected --out to be another file than the store, got {out}", 2)
    if draw is not None and draw.exists() and not draw.is_dir():
        raise CommandError(f"expected a folder for --draw, got the file {draw}", 2)


def _handed_over_in(out: Path | None, draw: Path | None) -> Path | None:
    """Return where a daemon is to write rows for this command: beside what was asked for."""
    beside = draw / "rows" if out is None and draw is not None else out
    return None if beside is None else beside.absolute().with_name(f".{beside.name}.{os.getpid()}.handed-over")


def _takers(stack: ExitStack, out: Path | None, draw: Path | None) -> list[Taker]:
    """Return what takes each chunk: a file and drawings, as far as asked for."""
    takers: list[Taker] = []
    if out is not None:
        file = stack.enter_context(change_file(out))
        takers.append(lambda compared, names, _state: file.write(compared.rows, compared.places, names))
    if draw is not None:
        draw.mkdir(parents=True, exist_ok=True)
        takers.append(lambda compared, names, state: _draw(compared, names, draw, state))
    return takers


@contextmanager
def _written() -> Iterator[None]:
    """Tell a failure to write in a sentence."""
    try:
        yield
    except OSError as problem:
        where = problem.filename or "what was asked for"
        raise CommandError(f"expected to write {where}, got {problem.strerror or problem}") from problem
    except DrawingError as problem:
        raise CommandError(str(problem)) from problem


def _draw(compared: Compared, names: Mapping[int, str], folder: Path, state: int) -> None:
    rows = compared.rows
    own = ints(whole(rows, "probe_id"))
    for number in dict.fromkeys(ints(whole(rows.filter(rows.column("changed")), "probe_id")).tolist()):
        name = names[number]
        draw_probe(folder / file_name(name), name, rows.filter(pa.array(own == number)), compared.places, state)
