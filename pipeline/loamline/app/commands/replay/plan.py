"""`loamline replay plan`: which stored readings are stale, and why."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption
from loamline.app.output import console, print_json
from loamline.app.replay_scope import (
    CurveOption,
    ProbeOption,
    SinceOption,
    SiteOption,
    StoreOption,
    UntilOption,
    scope_of,
)
from loamline.app.replay_text import plan_tables
from loamline.app.replay_work import at_work, telling


def plan_command(
    store: StoreOption,
    probe: ProbeOption = None,
    site: SiteOption = None,
    curve: CurveOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print stale, causes, sites, probes, months")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Count the stored readings that the registry in force, the codecs and the rules would give other inputs, by cause.

    A reading may be stale for several causes. Verdicts beside a stale reading can change with it; `preview` counts
    those too. Uplinks set aside that a codec reads by now, and statuses that it reads otherwise, are counted as a
    cause, though they are no readings. Writes nothing.
    """
    scope = scope_of(probe, site, curve, since, until)
    with at_work(store, codec_dir) as work, telling() as told:
        found = work.plan(scope, told)
    if as_json:
        print_json(found)
        return
    if not found["causes"]:
        console.print("nothing is stale")
        return
    console.print(f"{found['stale']} readings are stale under registry state {found['reference_id']}")
    for table in plan_tables(found):
        console.print(table)
    console.print("see what would change: loamline replay preview")
