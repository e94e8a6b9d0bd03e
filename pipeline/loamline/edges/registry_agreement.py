"""Whether the files of a registry folder agree with each other: what no single row can tell."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from pydantic import ValidationError

from loamline.core.limit_layers import layer_names, limits_over_time
from loamline.edges.registry_fault import Fault, Model, Row, since
from loamline.edges.registry_soils import crop_faults, soil_faults
from loamline.edges.sentences import findings
from loamline_schemas.curves import Curve
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import USDA_TEXTURES, CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow


@dataclass(frozen=True)
class Names:
    """What other files may refer to: the names that a file's rows give, those of rows with faults of their own too.

    None where the file could not be read by rows, so that nobody is blamed for naming what may well stand there.
    """

    sites: set[str] | None
    probes: set[str] | None
    soil_curves: set[str] | None


@dataclass(frozen=True)
class Rows:
    """Every valid row of a folder, file by file."""

    sites: list[Row[SiteRow]]
    probes: list[Row[ProbeRow]]
    placements: list[Row[PlacementRow]]
    curves: list[Row[Curve]]
    soils: list[Row[SoilRow]]
    crops: list[Row[CropRow]]


def disagreements(rows: Rows, limits: LimitsFile | None, names: Names) -> list[Fault]:
    """Return every fault between rows and between files; `limits` is None where its file has faults of its own."""
    faults = [
        *_once("sites.csv", "site", rows.sites, lambda row: row.site),
        *_records_apart(rows.probes),
        *_known_elsewhere(rows.placements, names),
        *_one_place_at_a_time(rows.placements),
        *_curves_apart(rows.curves),
        *soil_faults(rows.soils, names.sites),
        *crop_faults(rows.crops, names.sites),
    ]
    if limits is not None:
        faults += _limits_agree(limits, rows.placements, names)
    return faults


def _records_apart(probes: list[Row[ProbeRow]]) -> Iterator[Fault]:
    """Yield where a probe has two records that begin together, or two probes have one serial."""
    records: dict[tuple[str, datetime | None], int] = {}
    owners: dict[str, Row[ProbeRow]] = {}
    for row in probes:
        probe = row.value
        first = records.setdefault((probe.dev_eui, probe.valid_from), row.line)
        if first != row.line and probe.valid_from is None:
            got = f"{probe.dev_eui} again (line {first})"
            yield Fault("probes.csv", row.line, "dev_eui", "each dev_eui once, or valid_from in the later record", got)
        elif first != row.line:
            expected = f"one record of {probe.dev_eui} from {since(probe.valid_from)} on"
            yield Fault("probes.csv", row.line, "valid_from", expected, f"another in line {first}")
        owner = owners.setdefault(probe.serial, row)
        if owner.value.dev_eui != probe.dev_eui:
            got = f"{probe.serial} again (line {owner.line})"
            yield Fault("probes.csv", row.line, "serial", "each serial once", got)


def _once(name: str, column: str, rows: Iterable[Row[Model]], key: Callable[[Model], str]) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for row in rows:
        value = key(row.value)
        if value in seen:
            yield Fault(name, row.line, column, f"each {column} once", f"{value} again (line {seen[value]})")
        seen.setdefault(value, row.line)


def _known_elsewhere(placements: list[Row[PlacementRow]], names: Names) -> Iterator[Fault]:
    for row in placements:
        place = row.value
        if names.sites is not None and place.site not in names.sites:
            yield Fault("placements.csv", row.line, "site", "a site of sites.csv", repr(place.site))
        if names.probes is not None and place.dev_eui not in names.probes:
            yield Fault("placements.csv", row.line, "dev_eui", "a probe of probes.csv", repr(place.dev_eui))
        if names.soil_curves is not None and place.curve is not None and place.curve not in names.soil_curves:
            yield Fault("placements.csv", row.line, "curve", "a soil curve of curves.toml", repr(place.curve))


def _one_place_at_a_time(placements: list[Row[PlacementRow]]) -> Iterator[Fault]:
    ordered = sorted(placements, key=lambda row: (row.value.dev_eui, row.value.depth_index, row.value.valid_from))
    for before, row in pairwise(ordered):
        one, two = before.value, row.value
        if (one.dev_eui, one.depth_index) != (two.dev_eui, two.depth_index):
            continue
        if one.valid_to is None or one.valid_to > two.valid_from:
            until = "open" if one.valid_to is None else one.valid_to.isoformat()
            expected = f"a time after the placement of line {before.line} ends (valid_to {until})"
            yield Fault("placements.csv", row.line, "valid_from", expected, two.valid_from.isoformat())


def _curves_apart(curves: list[Row[Curve]]) -> Iterator[Fault]:
    versions: dict[tuple[object, ...], int] = {}
    hardware: dict[tuple[object, ...], int] = {}
    for row in curves:
        curve = row.value
        since = curve.valid_from.isoformat()
        if (first := versions.setdefault((curve.id, curve.valid_from), row.line)) != row.line:
            yield Fault("curves.toml", row.line, "id", f"one {curve.id!r} from {since} on", f"another in line {first}")
        if curve.step == "transducer":
            first = hardware.setdefault((curve.applies_to, curve.valid_from), row.line)
            if first != row.line:
                expected = f"one transducer curve for {curve.applies_to!r} from {since} on"
                yield Fault("curves.toml", row.line, "for", expected, f"another in line {first}")
        elif curve.applies_to not in ("*", *USDA_TEXTURES):
            expected = f'"*" or one of the 12 USDA texture classes ({", ".join(USDA_TEXTURES)})'
            yield Fault("curves.toml", row.line, "for", expected, repr(curve.applies_to))


def _limits_agree(limits: LimitsFile, placements: list[Row[PlacementRow]], names: Names) -> Iterator[Fault]:
    layers_of: dict[str, tuple[Mapping[str, object], set[str] | None, str]] = {
        "texture": (limits.texture, set(USDA_TEXTURES), "a USDA texture class"),
        "site": (limits.site, names.sites, "a site of sites.csv"),
        "probe": (limits.probe, names.probes, "a dev_eui of probes.csv"),
    }
    for layer, (named, known, expected) in layers_of.items():
        for name in sorted(set(named) - known) if known is not None else ():
            yield Fault("limits.toml", None, f'{layer}."{name}"', expected, repr(name))
    places = [(row.value.texture, row.value.site, row.value.dev_eui) for row in placements]
    unplaced = [(None, None, name) for name in limits.probe]
    told: set[str] = set()
    for names_ in sorted({layer_names(limits, *place) for place in [(None, None, None), *places, *unplaced]}, key=str):
        try:
            limits_over_time(limits, *names_)
        except ValidationError as problem:
            for _, expected, got in findings(problem):
                if expected not in told:
                    told.add(expected)
                    yield Fault("limits.toml", None, "", expected, got)
