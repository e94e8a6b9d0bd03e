"""`loamline curve show`: all of a curve: formula, domain, error, source, who uses it, and its other versions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import typer

from loamline.app.commands.curve.sources import DirOption, StoreOption, opened_source
from loamline.app.commands.curve.told import (
    curve_as_object,
    domain_in_words,
    parameters_in_words,
    source_from,
)
from loamline.app.output import CommandError, console, print_json
from loamline.app.registry_text import day
from loamline.app.text import plain
from loamline.core.curves.naming import versions_of
from loamline.core.curves.usage import Use, uses
from loamline.edges.store.connection import Store
from loamline.edges.store.registry_history import versions
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.registry import PlacementRow

#: So many users of a curve are shown to a person; `--json` tells all.
_SHOWN = 12


def show_command(
    names: Annotated[list[str], typer.Argument(metavar="ID...", help="curves; ID@TIME is the version from then on")],
    store: StoreOption = None,
    folder: DirOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="print a list of objects, one a curve")] = False,
) -> None:
    """Show a curve: kind, parameters, formula, domain, standard error, source, digest, users and versions.

    Of several versions the latest is told, or the one that ID@TIME names by its valid_from. A store also knows
    versions that are in force no more.
    """
    told = []
    with opened_source(store, folder) as (state, opened):
        for name in names:
            found = versions_of(name, state.curves)
            if not found:
                known = ", ".join(sorted({curve.id for curve in state.curves})) or "none"
                former = "; `loamline registry history` tells of those no more in force" if store else ""
                raise CommandError(f"expected a curve of this registry ({known}), got {name!r}{former}", 2)
            curve = found[-1]
            told.append((curve, uses(curve, state), _versions(curve, state.curves, opened)))
    if as_json:
        print_json(
            [
                {**curve_as_object(curve), "used_by": [_use_as_object(use) for use in used], "versions": every}
                for curve, used, every in told
            ]
        )
        return
    for at, (curve, used, every) in enumerate(told):
        if at:
            console.print()
        _print(curve, used, every)


def _versions(curve: Curve, curves: Sequence[Curve], store: Store | None) -> list[dict[str, Any]]:
    """Return every version of a curve that is known, and from a store, since when and until when we were told so."""
    if store is None:
        every = sorted((one for one in curves if one.id == curve.id), key=lambda one: one.valid_from)
        return [{"valid_from": one.valid_from, "digest": content_digest(one)} for one in every]
    return [
        {
            "valid_from": version.row.key["valid_from"],
            "digest": version.digest,
            "recorded_from": version.recorded_from,
            "recorded_until": version.recorded_until,
        }
        for version in versions(store, curve.id)
        if version.row.table == "curve" and version.row.key["id"] == curve.id
    ]


def _use_as_object(use: Use) -> dict[str, Any]:
    row = use.row
    span = {"from": use.since, "until": use.until}
    if isinstance(row, PlacementRow):
        told: dict[str, Any] = {
            "dev_eui": row.dev_eui,
            "depth_index": row.depth_index,
            "site": row.site,
            "label": row.label,
            "depth_cm": row.depth_cm,
        }
        return {**told, "texture": row.texture, "by_name": row.curve is not None, **span}
    return {"dev_eui": row.dev_eui, "serial": row.serial, "hardware": row.hardware, **span}


def _print(curve: Curve, used: Sequence[Use], known: Sequence[dict[str, Any]]) -> None:
    told = curve_as_object(curve)
    error = f"{told['standard_error']:.4g} {told['standard_error_unit']}".strip() if told["standard_error"] else "none"
    console.print(plain(curve.id, "bold"))
    for name, value in {
        "step": f"{curve.step}, for {curve.applies_to}",
        "kind": curve.kind,
        "parameters": parameters_in_words(curve),
        "formula": told["formula"],
        "domain": domain_in_words(curve),
        "standard error": f"{error} ({told['standard_error_origin']})",
        "source": f"{told['source'] or 'none'} ({source_from(curve)})",
        "digest": told["digest"],
        "true from": day(curve.valid_from),
    }.items():
        console.print(plain(f"  {name:<15} {value}"), soft_wrap=True)
    console.print(f"  {'used by':<15} {_users(used)}")
    for use in used[:_SHOWN]:
        console.print(plain(f"    {_use(use)}"), soft_wrap=True)
    if len(used) > _SHOWN:
        console.print(f"    and {len(used) - _SHOWN} more; --json tells all")
    console.print("  versions")
    for version in known:
        console.print(plain(f"    {_version(version, told['digest'])}"), soft_wrap=True)


def _users(used: Sequence[Use]) -> str:
    if not used:
        return "nothing: no placement or probe has it as its best curve at any time"
    placements = sum(isinstance(use.row, PlacementRow) for use in used)
    return f"{placements} placements" if placements else f"{len(used)} probes"


def _use(use: Use) -> str:
    until = "on" if use.until is None else f"to {day(use.until)}"
    span = f"{day(use.since)} {until}"
    row = use.row
    if isinstance(row, PlacementRow):
        why = "by its name" if row.curve is not None else f"as {row.texture}"
        return f"{row.dev_eui} depth {row.depth_index}, {row.site}, {row.label}, {row.depth_cm:g} cm, {why}, {span}"
    return f"{row.dev_eui} {row.serial}, hardware {row.hardware}, {span}"


def _version(version: dict[str, Any], shown: str) -> str:
    told = f"{version['digest']} true from {day(version['valid_from'])}"
    if "recorded_from" in version:
        until = version["recorded_until"]
        told += f", told {day(version['recorded_from'])}, " + ("in force" if until is None else f"until {day(until)}")
    return told + (", shown above" if version["digest"] == shown else "")
