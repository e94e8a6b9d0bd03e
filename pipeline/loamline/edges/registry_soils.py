"""Whether the soils and crops of a registry folder agree with its sites, with each other and with what is published."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import combinations
from typing import TypeVar

from loamline.core.soil.crops import root_zone_of
from loamline.core.soil.texture import texture_of
from loamline.core.soil.water import soil_water_of
from loamline.edges.registry_fault import Fault, Row
from loamline_schemas.registry import CropRow, SoilRow

_LAST = datetime.max.replace(tzinfo=UTC)
AtSite = TypeVar("AtSite", SoilRow, CropRow)


def soil_faults(soils: Sequence[Row[SoilRow]], sites: set[str] | None) -> Iterator[Fault]:
    """Yield what is wrong with soil layers; `sites` is None where the sites could not be read."""
    yield from _on_known_sites("soils.csv", soils, sites)
    for row in soils:
        yield from _contradictions(row)
    for before, row in _together(soils, _share_a_depth):
        one, two = before.value, row.value
        expected = (
            f"one layer of {two.site!r} at a depth and time: line {before.line} has {one.top_cm:g} to "
            f"{one.bottom_cm:g} cm {_spell(one)}"
        )
        got = f"{two.top_cm:g} to {two.bottom_cm:g} cm {_spell(two)}"
        yield Fault("soils.csv", row.line, "valid_from", expected, got)


def crop_faults(crops: Sequence[Row[CropRow]], sites: set[str] | None) -> Iterator[Fault]:
    """Yield what is wrong with crops; `sites` is None where the sites could not be read."""
    yield from _on_known_sites("crops.csv", crops, sites)
    for row in crops:
        try:
            root_zone_of(row.value)
        except ValueError as problem:
            yield _fault("crops.csv", row.line, "crop", problem)
    for before, row in _together(crops, lambda *_: True):
        one, two = before.value, row.value
        expected = f"one crop at a time at {two.site!r}: line {before.line} has {one.crop!r} {_spell(one)}"
        yield Fault("crops.csv", row.line, "valid_from", expected, f"{two.crop!r} {_spell(two)}")


def _on_known_sites(name: str, rows: Sequence[Row[AtSite]], sites: set[str] | None) -> Iterator[Fault]:
    for row in rows:
        if sites is not None and row.value.site not in sites:
            yield Fault(name, row.line, "site", "a site of sites.csv", repr(row.value.site))


def _contradictions(row: Row[SoilRow]) -> Iterator[Fault]:
    soil = row.value
    if soil.texture is not None and soil.sand_percent is not None and soil.clay_percent is not None:
        found = texture_of(soil.sand_percent, soil.clay_percent)
        if found != soil.texture:
            expected = f"{found}, the class of sand {soil.sand_percent:g} % and clay {soil.clay_percent:g} %, or none"
            yield Fault("soils.csv", row.line, "texture", expected, repr(soil.texture))
            return
    try:
        soil_water_of(soil, soil.texture or "")
    except ValueError as problem:
        yield _fault("soils.csv", row.line, "", problem)


def _fault(name: str, line: int, column: str, problem: ValueError) -> Fault:
    """Return a sentence `expected ..., got ...` as a fault."""
    expected, _, got = str(problem).removeprefix("expected ").partition(", got ")
    return Fault(name, line, column, expected, got)


def _share_a_depth(one: SoilRow, two: SoilRow) -> bool:
    return one.top_cm < two.bottom_cm and two.top_cm < one.bottom_cm


def _together(
    rows: Sequence[Row[AtSite]], clash: Callable[[AtSite, AtSite], bool]
) -> Iterator[tuple[Row[AtSite], Row[AtSite]]]:
    """Yield the pairs of one site, the earlier line first, that hold at one time where `clash` says they must not."""
    of_site: dict[str, list[Row[AtSite]]] = defaultdict(list)
    for row in rows:
        of_site[row.value.site].append(row)
    for here in of_site.values():
        for before, row in combinations(here, 2):
            one, two = before.value, row.value
            if (
                one.valid_from < (two.valid_to or _LAST)
                and two.valid_from < (one.valid_to or _LAST)
                and clash(one, two)
            ):
                yield before, row


def _spell(row: SoilRow | CropRow) -> str:
    until = "" if row.valid_to is None else f" to {row.valid_to.isoformat()}"
    return f"from {row.valid_from.isoformat()}{until}"
