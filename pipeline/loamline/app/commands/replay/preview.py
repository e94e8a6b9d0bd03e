"""`loamline replay preview`: what a replay would change, without changing it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Annotated

import pyarrow as pa
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.opening import open_store
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
from loamline.app.replay_text import report_fields, report_table
from loamline.app.replay_work import telling, told_in_a_sentence
from loamline.app.replaying import Plan, plan_now
from loamline.core.columns import ints, whole
from loamline.edges.change_drawing import draw_probe, file_name
from loamline.edges.change_file import change_file
from loamline.edges.drawing_style import DrawingError
from loamline.edges.store.connection import Store
from loamline.edges.store.preview import Compared, Preview
from loamline.edges.store.registry import probe_ids


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
    codecs = known_codecs(codec_dir)
    with told_in_a_sentence(store), open_store(store) as opened, telling() as told:
        plan = plan_now(opened, codecs, scope, lambda done, total: told("planning", done, total))
        preview = Preview(opened, codecs, plan)
        with _written(), ExitStack() as stack:
            takers = _takers(stack, opened, plan, out, draw)
            for compared in preview.chunks():
                told("comparing", compared.done, compared.total)
                for take in takers:
                    take(compared)
    report = preview.report
    if as_json:
        print_json({"changed": report.changed, "stale": plan.stale, "report": report_fields(report)})
        return
    if plan.nothing:
        console.print("nothing is stale: nothing would change")
        return
    console.print(report_table(report))
    console.print(f"{report.changed} readings would change; nothing was written to {store}", soft_wrap=True)
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


def _takers(
    stack: ExitStack, store: Store, plan: Plan, out: Path | None, draw: Path | None
) -> list[Callable[[Compared], None]]:
    """Return what takes each chunk: a file and drawings, as far as asked for."""
    names = {number: dev_eui for dev_eui, number in probe_ids(store).items()}
    takers: list[Callable[[Compared], None]] = []
    if out is not None:
        file = stack.enter_context(change_file(out))
        takers.append(lambda compared: file.write(compared.rows, compared.places, names))
    if draw is not None:
        draw.mkdir(parents=True, exist_ok=True)
        takers.append(lambda compared: _draw(compared, names, draw, plan.reference_id))
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


def _draw(compared: Compared, names: dict[int, str], folder: Path, state: int) -> None:
    rows = compared.rows
    own = ints(whole(rows, "probe_id"))
    for number in dict.fromkeys(ints(whole(rows.filter(rows.column("changed")), "probe_id")).tolist()):
        name = names[number]
        draw_probe(folder / file_name(name), name, rows.filter(pa.array(own == number)), compared.places, state)
