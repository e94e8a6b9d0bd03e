"""`loamline replay undo`: take a revision back."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption
from loamline.app.output import console, errors, print_json
from loamline.app.replay_scope import StoreOption
from loamline.app.replay_work import INTERRUPTED, at_work, telling


def undo_command(
    store: StoreOption,
    revision: Annotated[
        int | None, typer.Argument(metavar="[REVISION]", help="its number; the latest applied one else")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the revision and how many readings it had changed")
    ] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Take a revision back: the readings are then as if it had never been applied.

    A later revision over the same readings keeps its say: each reading comes under the latest registry state of those
    left. Uplinks that became readable stay read. A revision still in preparation is dropped, if it is named.
    """
    try:
        with at_work(store, codec_dir) as work, telling() as told:
            done = work.undo(revision, told)
    except KeyboardInterrupt:
        errors.print(
            "interrupted: the revision still holds, or is gone whole; the same command goes on", soft_wrap=True
        )
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        print_json({"revision": done.revision, "changed": done.changed})
    else:
        console.print(f"revision {done.revision} is taken back")
