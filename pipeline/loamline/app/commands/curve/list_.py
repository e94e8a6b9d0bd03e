"""`loamline curve list`: which curves a registry has, one line a version."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.curve.sources import DirOption, StoreOption, one_source
from loamline.app.commands.curve.told import curve_as_object, domain_in_words
from loamline.app.output import console, print_json
from loamline.app.registry_text import day
from loamline.app.text import plain
from loamline.core.curves.kinds import standard_error
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest


def list_command(
    store: StoreOption = None,
    folder: DirOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a version")] = False,
) -> None:
    """List the curves of a store or of a registry folder, every version of each.

    A curve holds from its valid_from until the next version of the same id begins. `curve show` tells all of one.
    """
    curves = sorted(one_source(store, folder).curves, key=lambda curve: (curve.step, curve.id, curve.valid_from))
    if as_json:
        print_json([curve_as_object(curve) for curve in curves])
        return
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("id", overflow="fold", max_width=28)
    for heading in ("kind", "domain", "true from (UTC)", "digest"):
        table.add_column(heading, no_wrap=True)
    for curve in curves:
        table.add_row(
            plain(curve.id, "bold").append_text(plain(f"\nfor {curve.applies_to}", "not bold")),
            plain(f"{curve.kind}\n{curve.step}"),
            plain(f"{domain_in_words(curve)}\n{_error(curve)}"),
            plain(day(curve.valid_from)),
            plain(content_digest(curve)),
        )
    console.print(table)
    console.print(f"{len(curves)} versions of {len({curve.id for curve in curves})} curves")


def _error(curve: Curve) -> str:
    error = standard_error(curve)
    return "error unknown" if error is None else f"error {error:.3g}"
