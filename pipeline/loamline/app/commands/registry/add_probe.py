"""`loamline registry add-probe`: a probe into a registry folder, from the text of its QR code."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError

from loamline.app.output import CommandError, console, print_json
from loamline.core.qr import DeviceQr, QrError, parse_qr
from loamline.edges.probes_file import ProbesFileError, append_probe
from loamline.edges.sentences import sentence
from loamline_schemas.registry import ProbeRow


def add_probe_command(
    qr: Annotated[str, typer.Option("--qr", metavar="TEXT", help="what the QR code says (LoRa Alliance TR005)")],
    folder: Annotated[
        Path | None, typer.Option("--dir", metavar="DIR", help="the registry folder whose probes.csv gets the row")
    ] = None,
    hardware: Annotated[str | None, typer.Option(help="hardware revision, which curves are for")] = None,
    made_on: Annotated[str | None, typer.Option(metavar="DATE", help="day of manufacture")] = None,
    serial: Annotated[str | None, typer.Option(help="serial number, where the QR code has none")] = None,
    air_count: Annotated[float | None, typer.Option(help="count in air at 20 degC")] = None,
    water_count: Annotated[float | None, typer.Option(help="count in water at 20 degC")] = None,
    count_per_k: Annotated[float | None, typer.Option(help="drift of the count, counts per kelvin")] = None,
    show: Annotated[bool, typer.Option("--show", help="only print what the text says; write nothing")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print it as one object")] = False,
) -> None:
    """Add a probe to a registry folder from the text of its QR code, whose checksum is verified.

    dev_eui and serial are the text's; the other columns are the options'. `loamline registry load` takes the folder
    into a store. A known dev_eui, or a text of another form, is refused and nothing is written. A text may leave
    its checksum out.
    """
    try:
        told = parse_qr(qr)
    except QrError as problem:
        raise CommandError(f"{problem}; nothing was written", 2) from None
    if show:
        _print(told, None, as_json=as_json)
        return
    if folder is None:
        raise CommandError("expected --dir with the registry folder, or --show, got neither; nothing was written", 2)
    if serial is not None and told.serial not in (None, serial):
        raise CommandError(
            f"expected --serial {told.serial}, as the QR code says, got {serial}; nothing was written", 2
        )
    row = _row(
        dev_eui=told.dev_eui,
        serial=told.serial or serial,
        hardware=hardware,
        made_on=made_on,
        air_count=air_count,
        water_count=water_count,
        count_per_k=count_per_k,
    )
    try:
        line = append_probe(folder / "probes.csv", row)
    except ProbesFileError as problem:
        raise CommandError(f"{problem}; nothing was written") from None
    _print(told, (folder / "probes.csv", line), as_json=as_json)


def _row(**told: Any) -> ProbeRow:
    try:
        return ProbeRow.model_validate({name: value for name, value in told.items() if value is not None})
    except ValidationError as problem:
        options = sentence(problem).replace("made_on:", "--made-on:")
        for name in ("hardware", "serial"):
            options = options.replace(f"{name}: expected a value", f"--{name}: expected a value")
        raise CommandError(f"{options}; nothing was written", 2) from None


def _print(told: DeviceQr, written: tuple[Path, int] | None, *, as_json: bool) -> None:
    says = {
        "dev_eui": told.dev_eui,
        "join_eui": told.join_eui,
        "profile_id": told.profile_id,
        "vendor_id": told.vendor_id,
        "vendor_profile_id": told.vendor_profile_id,
        "owner_token": told.owner_token,
        "serial": told.serial,
        "proprietary": told.proprietary,
        "checksum": told.checksum,
    }
    if as_json:
        print_json({**says, "file": written and str(written[0]), "line": written and written[1]})
        return
    for name, value in says.items():
        verified = ", verified" if name == "checksum" and value else ""
        console.print(f"{name:<18} {'none' if value is None else value}{verified}", markup=False, soft_wrap=True)
    if written:
        file, line = written
        console.print(f"added as line {line} of {file}; load the folder to use it", markup=False, soft_wrap=True)
