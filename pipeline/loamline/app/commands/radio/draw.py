"""`loamline radio draw`: which gateway hears which probe how well, and on which days uplinks were lost."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loamline.app.commands.radio.asked import SinceOption, SiteOption, StoreOption, UntilOption, answer
from loamline.app.output import CommandError, console
from loamline.core.radio_sheet import sheet
from loamline.edges.drawing_style import DrawingError, check_format
from loamline.edges.radio_drawing import draw_radio
from loamline.edges.store.radio import Named, microseconds

#: Longer labels are cut, so that the serial beside them stays whole.
_LONGEST_LABEL = 21


def draw_command(
    store: StoreOption,
    out: Annotated[Path, typer.Option(metavar="FILE", help="draw to this .png or .svg")],
    since: SinceOption = None,
    until: UntilOption = None,
    site: SiteOption = None,
    most: Annotated[int, typer.Option("--probes", min=1, max=200, help="so many, the poorest delivery first")] = 40,
) -> None:
    """Draw probes by gateways, with margins and shares of uplinks, and beside them a calendar of losses.

    Each cell says in figures or in the size of its mark what it says in shade.
    """
    try:
        check_format(out)
    except DrawingError as problem:
        raise CommandError(f"--out: {problem}", 2) from None
    told = answer(store, since, until, site)
    drawn = sheet(told.report, microseconds(told.span.since), microseconds(told.span.until), most_probes=most)
    where = "the fleet" if site is None else site
    title = f"Radio of {where}, {told.span.since:%Y-%m-%d %H:%M} to {told.span.until:%Y-%m-%d %H:%M} UTC"
    try:
        draw_radio(out, drawn, [_name(told.probes[number]) for number in drawn.probes], title)
    except DrawingError as problem:
        raise CommandError(f"--out: {problem}", 2) from None
    silent = len(told.probes) - len(told.report.probes)
    console.print(
        f"drawn to {out}: {len(drawn.probes)} probes, {len(drawn.gateways)} gateways; {silent} not heard",
        markup=False,
        soft_wrap=True,
    )


def _name(probe: Named) -> str:
    name = probe.serial or probe.dev_eui
    label = probe.label or ""
    if len(label) > _LONGEST_LABEL:
        label = label[: _LONGEST_LABEL - 1] + "…"
    return f"{label} · {name}" if label else name
