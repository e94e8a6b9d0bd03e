"""`loamline replay apply`: recalculate what is stale, as a revision that can be taken back."""

from __future__ import annotations

import getpass
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption
from loamline.app.engines import EngineOption, SchedulerOption, WorkersOption, deriver_of
from loamline.app.output import CommandError, console, errors, print_json
from loamline.app.replay_scope import (
    CurveOption,
    ProbeOption,
    SinceOption,
    SiteOption,
    StoreOption,
    UntilOption,
    scope_of,
)
from loamline.app.replay_work import INTERRUPTED, at_work, telling


def apply_command(
    store: StoreOption,
    reason: Annotated[str, typer.Option(help="why, for whoever asks later")],
    probe: ProbeOption = None,
    site: SiteOption = None,
    curve: CurveOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="who asks; the login name else")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print revision (null: none) and changed")] = False,
    codec_dir: CodecDirOption = None,
    engine: EngineOption = "local",
    workers: WorkersOption = 1,
    scheduler: SchedulerOption = None,
) -> None:
    """Recalculate the stale readings as one revision, seen all at once when complete; nothing stale, nothing done.

    Of each probe all that lies between its first and its last stale reading is brought up. Interrupted or killed, the
    old readings stand, or the new ones whole; the same command goes on with what was begun, before anything new.

    With --workers 2 or more the chain runs in processes beside this one, which reads and stores; with --engine dask on
    a cluster. For either no daemon may have the store.
    """
    if not reason.strip():
        raise CommandError("expected --reason to say why, got nothing", 2)
    scope = scope_of(probe, site, curve, since, until)
    try:
        with (
            deriver_of(engine, workers, scheduler, codec_dir) as deriver,
            at_work(store, codec_dir, deriver) as work,
            telling() as told,
        ):
            done = work.apply(scope, reason, by or _login_name(), told)
    except KeyboardInterrupt:
        errors.print(
            "interrupted: readings are as they were, or whole as of the revision. The same command goes on; "
            "`loamline replay list` shows how far it is, `replay undo N` drops revision N",
            soft_wrap=True,
        )
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        print_json({"revision": done.revision, "changed": done.changed, "resumed": done.resumed})
        return
    if done.resumed is not None:
        console.print(f"finished revision {done.resumed}, which was begun before")
    if done.revision is None:
        console.print("nothing is stale: nothing was done")
    elif done.revision != done.resumed:
        console.print(f"revision {done.revision}: {done.changed} readings changed")
        console.print(f"take it back with: loamline replay undo {done.revision} --store {store}", soft_wrap=True)


def _login_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
