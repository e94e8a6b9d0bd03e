"""`loamline curve fit`: a soil curve from laboratory points, with its errors, a drawing and a curves.toml entry."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.table import Table

from loamline.app.commands.curve.declared import add_to, check_addition, declared, print_next
from loamline.app.commands.curve.told import curve_as_object
from loamline.app.instants import instant
from loamline.app.output import CommandError, console, print_json
from loamline.app.text import plain
from loamline.core.curves.fitting import (
    FIT_KINDS,
    MOST_DEGREES,
    Fit,
    FitError,
    best_polynomial,
    fit_polynomial,
    fit_table,
)
from loamline.edges.curves_file import curve_toml
from loamline.edges.drawing_style import DrawingError, check_format
from loamline.edges.fit_drawing import draw_fit
from loamline.edges.laboratory_points import LaboratoryPoints, PointsError, read_points
from loamline_schemas.curves import Curve

#: Residuals of so many points are shown to a person; `--json` tells all.
_SHOWN = 40


def fit_command(
    file: Annotated[Path, typer.Argument(metavar="POINTS.csv", help="columns permittivity and vwc_m3_m3")],
    kind: Annotated[str, typer.Option(help="polynomial or table")] = "polynomial",
    degree: Annotated[
        int | None, typer.Option(min=1, max=MOST_DEGREES, help="of the polynomial; else the best of 1 to 3")
    ] = None,
    curve_id: Annotated[str | None, typer.Option("--id", metavar="ID", help="its name; else the file's")] = None,
    applies_to: Annotated[str, typer.Option("--for", metavar="TEXTURE", help='texture class; "*" any')] = "*",
    valid_from: Annotated[
        datetime | None, typer.Option(parser=instant, metavar="TIME", help="since when it is true, RFC 3339 or a date")
    ] = None,
    source: Annotated[str | None, typer.Option(help="where the points come from; else the file is named")] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="draw it to this .png or .svg")] = None,
    append_to: Annotated[
        Path | None, typer.Option(metavar="DIR", help="add the curve to this registry folder's curves.toml")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print one object")] = False,
) -> None:
    """Fit a soil curve to laboratory points: a least-squares polynomial, or a monotone table of the points.

    The standard error of a polynomial counts its degrees of freedom, points less coefficients. The leave-one-out error
    is the root mean square of how far each point is from a curve made without it: where it is much the greater, the
    curve follows its points too closely. Without --degree the one of 1 to 3 with the least leave-one-out error is
    taken. A table averages points of equal permittivity; its standard error is the greater of its leave-one-out error
    and the scatter of repeated points.

    A curve that doesn't increase over its points is refused. Nothing is written without --append-to or --out.
    """
    _refuse_options(kind, degree, append_to, curve_id, valid_from, out)
    try:
        points = read_points(file)
    except PointsError as problem:
        raise CommandError(str(problem)) from None
    fit, tried = _fit(kind, degree, points)
    curve = _declared(fit, curve_id or file.stem, applies_to, valid_from, source or _source(fit, file, points))
    # Everything that can be refused comes before anything is written.
    if append_to is not None:
        check_addition(append_to, curve)
    if out is not None:
        try:
            draw_fit(out, fit, points, f"{curve.id}, from {file.name}")
        except DrawingError as problem:
            raise CommandError(f"--out: {problem}") from None
    line = None if append_to is None else add_to(append_to, curve)
    if as_json:
        print_json(_as_object(fit, points, curve, tried, append_to, line))
        return
    _print(fit, points, tried)
    console.print(plain(f"\n{curve_toml(curve)}"), soft_wrap=True)
    if valid_from is None:
        console.print("valid_from is today, as no --valid-from says since when the curve is true")
    if out is not None:
        console.print(f"drawn to {out}", markup=False, soft_wrap=True)
    if append_to is not None and line is not None:
        print_next(append_to, curve, line)


def _refuse_options(
    kind: str,
    degree: int | None,
    append_to: Path | None,
    curve_id: str | None,
    valid_from: datetime | None,
    out: Path | None,
) -> None:
    if kind not in FIT_KINDS:
        raise CommandError(f"--kind: expected {' or '.join(FIT_KINDS)}, got {kind!r}", 2)
    if kind == "table" and degree is not None:
        raise CommandError("expected no --degree with --kind table, got one: a table goes through its points", 2)
    if append_to is not None and (curve_id is None or valid_from is None):
        missing = "--id" if curve_id is None else "--valid-from"
        raise CommandError(f"expected --id and --valid-from with --append-to, got no {missing}; nothing was written", 2)
    if out is not None:
        try:
            check_format(out)
        except DrawingError as problem:
            raise CommandError(f"--out: {problem}; nothing was written", 2) from None


def _fit(kind: str, degree: int | None, points: LaboratoryPoints) -> tuple[Fit, dict[int, str]]:
    columns = points.permittivity, points.vwc_m3_m3
    try:
        if kind == "table":
            return fit_table(*columns), {}
        return (fit_polynomial(*columns, degree), {}) if degree is not None else best_polynomial(*columns)
    except FitError as problem:
        raise CommandError(f"{problem}; nothing was written") from None


def _declared(fit: Fit, curve_id: str, applies_to: str, valid_from: datetime | None, source: str) -> Curve:
    error = fit.standard_error_m3_m3
    return declared(
        id=curve_id,
        step="soil",
        kind=fit.kind,
        coefficients=list(fit.coefficients) or None,
        points=list(fit.points) or None,
        domain=fit.domain,
        applies_to=applies_to,
        # Without a time it is only printed: today, for somebody to put the right one in.
        valid_from=valid_from or datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0),
        # Rounded up, to what so few points can tell.
        standard_error=None if error is None else math.ceil(error * 1e5) / 1e5,
        source=source,
    )


def _source(fit: Fit, file: Path, points: LaboratoryPoints) -> str:
    what = f"polynomial of degree {fit.degree}" if fit.coefficients else "monotone table"
    return f"{what} fitted to {len(points.permittivity)} laboratory points of {file.name}"


def _as_object(
    fit: Fit,
    points: LaboratoryPoints,
    curve: Curve,
    tried: dict[int, str],
    append_to: Path | None,
    line: int | None,
) -> dict[str, Any]:
    return {
        "curve": curve_as_object(curve),
        "degree": fit.degree,
        "tried": {str(degree): came for degree, came in tried.items()},
        "degrees_of_freedom": fit.degrees_of_freedom,
        "residual_standard_error_m3_m3": fit.residual_standard_error_m3_m3,
        "leave_one_out_error_m3_m3": fit.leave_one_out_error_m3_m3,
        "points": [
            {
                "permittivity": x,
                "vwc_m3_m3": y,
                "residual_m3_m3": residual,
                "left_out_m3_m3": None if math.isnan(left_out) else left_out,
            }
            for x, y, residual, left_out in _rows(fit, points)
        ],
        "toml": curve_toml(curve),
        "file": None if append_to is None else append_to / "curves.toml",
        "line": line,
    }


def _rows(fit: Fit, points: LaboratoryPoints) -> list[tuple[float, float, float, float]]:
    columns = (points.permittivity, points.vwc_m3_m3, fit.residuals_m3_m3, fit.left_out_m3_m3)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def _print(fit: Fit, points: LaboratoryPoints, tried: dict[int, str]) -> None:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0), header_style="bold")
    for heading in ("permittivity", "vwc_m3_m3", "fitted", "less fitted", "less one made without it"):
        table.add_column(heading, justify="right")
    for x, y, residual, left_out in _rows(fit, points)[:_SHOWN]:
        without = "-" if math.isnan(left_out) else f"{left_out:+.4f}"
        table.add_row(f"{x:g}", f"{y:g}", f"{y - residual:.4f}", f"{residual:+.4f}", without)
    console.print(table)
    many = len(points.permittivity)
    if many > _SHOWN:
        console.print(f"and {many - _SHOWN} points more; --json tells all")
    for degree, came in tried.items():
        console.print(f"degree {degree}: {came}{', taken' if degree == fit.degree else ''}")
    if fit.residual_standard_error_m3_m3 is not None:
        what = "standard error" if fit.coefficients else "scatter of repeated points"
        freedom = f"degrees of freedom: {fit.degrees_of_freedom}"
        console.print(f"{what} {fit.residual_standard_error_m3_m3:.3g} m3/m3 ({freedom})")
    if fit.leave_one_out_error_m3_m3 is not None:
        console.print(f"leave-one-out error {fit.leave_one_out_error_m3_m3:.3g} m3/m3")
    if fit.standard_error_m3_m3 is None:
        console.print("the points don't tell a standard error: readings by this curve would have no uncertainty")
