"""`loamline curve add`: one curve more for a registry folder."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.commands.curve.declared import add_to, declared, numbers, print_next
from loamline.app.commands.curve.told import curve_as_object
from loamline.app.instants import instant
from loamline.app.output import CommandError, print_json
from loamline.edges.curves_file import curve_toml
from loamline.edges.laboratory_points import PointsError, read_points


def add_command(
    folder: Annotated[Path, typer.Option("--dir", metavar="DIR", help="the folder whose curves.toml gets the entry")],
    curve_id: Annotated[str, typer.Option("--id", metavar="ID", help="its name; a new version has the same")],
    kind: Annotated[str, typer.Option(help="topp1980, ledieu1986, malicki1996, mixing, polynomial or table")],
    applies_to: Annotated[
        str, typer.Option("--for", metavar="TEXTURE|HARDWARE", help='texture class or hardware; "*" any')
    ],
    valid_from: Annotated[
        datetime, typer.Option(parser=instant, metavar="TIME", help="since when it is true, RFC 3339 or a date")
    ],
    step: Annotated[str, typer.Option(help="soil: permittivity to water; transducer: count to permittivity")] = "soil",
    coefficients: Annotated[
        str | None, typer.Option(metavar="C0,C1,...", help="of a polynomial, ascending powers")
    ] = None,
    bulk_density_g_cm3: Annotated[
        float | None, typer.Option("--bulk-density", metavar="G_CM3", help="of kind malicki1996, dry soil, g/cm3")
    ] = None,
    porosity: Annotated[float | None, typer.Option(help="of kind mixing, m3/m3")] = None,
    solid_permittivity: Annotated[float | None, typer.Option(help="of kind mixing, of the solids")] = None,
    exponent: Annotated[float | None, typer.Option(help="of kind mixing")] = None,
    points: Annotated[
        Path | None, typer.Option(metavar="CSV", help="of kind table: columns permittivity, vwc_m3_m3")
    ] = None,
    source: Annotated[str | None, typer.Option(help="where the curve comes from")] = None,
    standard_error: Annotated[float | None, typer.Option(help="in the unit of its output, m3/m3 for soil")] = None,
    domain: Annotated[
        tuple[float, float] | None, typer.Option(metavar="LOW HIGH", help="between which inputs it holds")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the curve, file and line as one object")] = False,
) -> None:
    """Add a curve, or a new version of one, to a registry folder's curves.toml.

    What stands in the file stays, byte for byte. The curve is checked as loading the folder would; an id that has
    a version from the same time, or anything invalid, is refused and nothing is written. Kinds with a usual
    domain need none told.
    """
    curve = declared(
        id=curve_id,
        step=step,
        kind=kind,
        coefficients=None if coefficients is None else numbers(coefficients, "--coefficients"),
        domain=domain,
        applies_to=applies_to,
        valid_from=valid_from,
        standard_error=standard_error,
        source=source,
        bulk_density_g_cm3=bulk_density_g_cm3,
        porosity=porosity,
        solid_permittivity=solid_permittivity,
        exponent=exponent,
        points=None if points is None else _points(points),
    )
    line = add_to(folder, curve)
    if as_json:
        print_json(
            {"curve": curve_as_object(curve), "file": folder / "curves.toml", "line": line, "toml": curve_toml(curve)}
        )
        return
    print_next(folder, curve, line)


def _points(path: Path) -> list[tuple[float, float]]:
    try:
        told = read_points(path)
    except PointsError as problem:
        raise CommandError(f"{problem}\nnothing was written") from None
    return list(zip(told.permittivity.tolist(), told.vwc_m3_m3.tolist(), strict=True))
