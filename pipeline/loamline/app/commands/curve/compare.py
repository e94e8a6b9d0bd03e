"""`loamline curve compare`: what each of several curves gives for the same input, as a table and as a drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.curve.sources import DirOption, StoreOption, any_source
from loamline.app.commands.curve.told import QUANTITIES, curve_as_object
from loamline.app.output import CommandError, console, print_json
from loamline.app.text import plain
from loamline.core.columns import Floats
from loamline.core.curves.comparison import Difference, difference, outputs, shared_domain, table_inputs
from loamline.core.curves.naming import UnknownCurveError, meant
from loamline.edges.curve_drawing import draw_comparison
from loamline.edges.drawing_style import DrawingError, check_format
from loamline.edges.sentences import sentence
from loamline_schemas.curves import Curve


def compare_command(
    names: Annotated[
        list[str],
        typer.Argument(
            metavar="ID ID...",
            help="curves, the first is what the others are compared with; ID@TIME is the version from then on; "
            "topp1980, ledieu1986 and malicki1996@DENSITY need no registry",
        ),
    ],
    store: StoreOption = None,
    folder: DirOption = None,
    temperature: Annotated[
        float, typer.Option("--temperature", metavar="DEGC", min=-50, max=100, help="of the soil, for kind mixing")
    ] = 20.0,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="draw them to this .png or .svg")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one object")] = False,
) -> None:
    """Compare soil curves, or transducer curves: their figures, differences and domains; --out draws them.

    A curve has no figure outside its own domain. Differences are less the first curve: over what the two share, their
    mean, root mean square, and the greatest with its place.
    """
    curves = _curves(names, any_source(store, folder).curves)
    apart = [difference(curve, curves[0], temperature) for curve in curves[1:]]
    x = table_inputs(curves)
    figures = outputs(curves, x, temperature)
    if out is not None:
        try:
            check_format(out)
            draw_comparison(out, names, curves, temperature)
        except DrawingError as problem:
            raise CommandError(f"--out: {problem}", 2) from None
    if as_json:
        print_json(_as_object(names, curves, temperature, x, figures, apart))
        return
    _print(names, curves, x, figures, apart)
    if any(curve.kind == "mixing" for curve in curves):
        console.print(f"mixing model at {temperature:g} degC")
    if out is not None:
        console.print(f"drawn to {out}", markup=False, soft_wrap=True)


def _curves(names: Sequence[str], known: Sequence[Curve]) -> list[Curve]:
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise CommandError(f"expected two curves or more, each once, got {' '.join(names)}", 2)
    try:
        curves = [meant(name, known) for name in names]
    except UnknownCurveError as problem:
        raise CommandError(str(problem), 2) from None
    except ValidationError as problem:
        raise CommandError(sentence(problem), 2) from None
    steps = {curve.step for curve in curves}
    if len(steps) > 1:
        told = ", ".join(f"{name} is of step {curve.step}" for name, curve in zip(names, curves, strict=True))
        raise CommandError(f"expected curves of one step, got both: {told}", 2)
    return curves


def _as_object(
    names: Sequence[str],
    curves: Sequence[Curve],
    temperature: float,
    x: Floats,
    figures: Floats,
    apart: Sequence[Difference | None],
) -> dict[str, Any]:
    variable, result = ("permittivity", "vwc_m3_m3") if curves[0].step == "soil" else ("x", "permittivity")
    shared = shared_domain(curves)
    return {
        "temperature_degc": temperature,
        "curves": [{"name": name, **curve_as_object(curve)} for name, curve in zip(names, curves, strict=True)],
        "shared_domain": None if shared is None else list(shared),
        "differences": [
            None if one is None else {"name": name, "less": names[0], **vars(one)}
            for name, one in zip(names[1:], apart, strict=True)
        ],
        "rows": [
            {variable: at, result: dict(zip(names, map(_or_none, row), strict=True))}
            for at, row in zip(x.tolist(), figures.T.tolist(), strict=True)
        ],
    }


def _print(
    names: Sequence[str],
    curves: Sequence[Curve],
    x: Floats,
    figures: Floats,
    apart: Sequence[Difference | None],
) -> None:
    variable, result, unit = QUANTITIES[curves[0].step]
    digits = 4 if curves[0].step == "soil" else 2
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0), header_style="bold", title_justify="left")
    table.title = f"{result}{f', {unit}' if unit else ''}; in brackets: less {plain(names[0]).plain}"
    table.add_column(variable, justify="right")
    for name in names:
        table.add_column(plain(name), justify="right", overflow="fold")
    for at, (first, *others) in zip(x.tolist(), figures.T.tolist(), strict=True):
        cells = [_cell(first, digits), *(_cell(other, digits, other - first) for other in others)]
        table.add_row(f"{at:g}", *cells)
    console.print(table)
    for name, one in zip(names[1:], apart, strict=True):
        console.print(plain(f"{name} less {names[0]}: {_in_words(one, variable, unit, digits)}"), soft_wrap=True)
    shared = shared_domain(curves)
    told = "have no domain in common" if shared is None else f"share {variable} {shared[0]:g} to {shared[1]:g}"
    console.print(f"the {len(curves)} curves {told}")


def _cell(figure: float, digits: int, apart: float = math.nan) -> str:
    if math.isnan(figure):
        return "-"
    return f"{figure:.{digits}f}" + ("" if math.isnan(apart) else f" ({apart:+.{digits}f})")


def _in_words(one: Difference | None, variable: str, unit: str, digits: int) -> str:
    if one is None:
        return "their domains have nothing in common"
    low, high = one.shared_domain
    return (
        f"mean {one.mean:+.{digits}f}, root mean square {one.root_mean_square:.{digits}f}, greatest "
        f"{one.greatest:+.{digits}f} {unit}".rstrip()
        + f" at {variable} {one.at:.4g}, over {low:g} to {high:g}"
    )


def _or_none(figure: float) -> float | None:
    return None if math.isnan(figure) else figure
