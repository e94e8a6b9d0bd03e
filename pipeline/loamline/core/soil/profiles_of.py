"""Which profile a reading belongs to: registry rows -> profiles, each true from one instant to another.

A probe at a site is a new profile whenever its depths, the site's layers or its crop change. Where no layer is
told, the texture of the nearest depth of the probe's holds. As for readings (`loamline.core.timeline`), a row holds
until its end or until the next one for the same depth or site begins.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any, Protocol, TypeVar

from loamline.core.columns import Ints
from loamline.core.soil.crops import root_zone_of
from loamline.core.soil.profile import Layer, Profile
from loamline.core.soil.water import soil_water_of
from loamline.core.timeline import FOREVER, Timeline, span_us
from loamline_schemas.registry import CropRow, PlacementRow, SoilRow


class _Dated(Protocol):
    @property
    def valid_from(self) -> datetime: ...
    @property
    def valid_to(self) -> datetime | None: ...


Row = TypeVar("Row", bound=_Dated)


@dataclass(frozen=True)
class Profiles:
    """Every profile that the registry rows tell of, and when each is true."""

    profiles: tuple[Profile, ...]
    timeline: Timeline

    def at(self, site: Ints, probe: Ints, measured_at_us: Ints) -> Ints:
        """Return the number of each reading's profile, shape (m,), -1 where the registry tells of none.

        Codes as given to `profiles_of`, from 0 to 2**31 - 1; instants in microseconds since 1970, UTC.
        """
        return self.timeline.at(_key(site, probe), measured_at_us)


def profiles_of(
    placements: Sequence[PlacementRow],
    soils: Sequence[SoilRow],
    crops: Sequence[CropRow],
    site_codes: Mapping[str, int],
    probe_codes: Mapping[str, int],
) -> Profiles:
    """Return the profiles of one registry state; the codes are the caller's, by site and by dev_eui.

    ValueError where a soil contradicts itself or a crop is unknown.
    """
    by_probe, soils_at, crops_at = _by(placements, "dev_eui"), _by(soils, "site"), _by(crops, "site")
    numbers: dict[Profile, int] = {}
    spans: list[tuple[int, int, int, int]] = []
    for site, dev_eui in sorted({(row.site, row.dev_eui) for row in placements}):
        site_code, probe_code = site_codes[site], probe_codes[dev_eui]
        of_probe, layered, grown = by_probe[dev_eui], soils_at.get(site, []), crops_at.get(site, [])
        for start, end in pairwise(_turns((*of_probe, *layered, *grown))):
            there = [row for row in _placed_at(of_probe, start) if row.site == site]
            if not there:
                continue
            crop = _newest(grown, start)
            zone = root_zone_of(crop)
            profile = Profile(
                site_code,
                probe_code,
                tuple(sorted({row.depth_cm for row in there})),
                zone.root_depth_m,
                zone.depletion_fraction,
                layers_of(there, layered, start, round(zone.root_depth_m * 100, 7)),
            )
            spans.append((_key(site_code, probe_code), start, end, numbers.setdefault(profile, len(numbers))))
    return Profiles(tuple(numbers), Timeline(spans))


def layers_of(
    placed: Sequence[PlacementRow], layered: Sequence[SoilRow], at_us: int, root_depth_cm: float
) -> tuple[Layer, ...]:
    """Return the layers from the surface to the root depth at an instant; see the module's text.

    `placed`: the probe's depths then, one at least. `layered`: the site's layers of any time.
    """
    depths = sorted({row.depth_cm for row in placed})
    edges = {0.0, root_depth_cm, *((low + high) / 2 for low, high in pairwise(depths))}
    edges |= {edge for row in layered for edge in (row.top_cm, row.bottom_cm)}
    layers: list[Layer] = []
    for top, bottom in pairwise(sorted(edge for edge in edges if edge <= root_depth_cm)):
        middle = (top + bottom) / 2
        nearest = min(placed, key=lambda row: (abs(row.depth_cm - middle), row.depth_cm, row.depth_index))
        row = _newest([row for row in layered if row.top_cm <= middle < row.bottom_cm], at_us)
        water = soil_water_of(row, nearest.texture)
        same = bool(layers) and layers[-1].water == water
        layers.append(Layer(layers.pop().top_cm if same else top, bottom, water))
    return tuple(layers)


def _by(rows: Iterable[Row], name: str) -> dict[str, list[Row]]:
    told: dict[str, list[Row]] = {}
    for row in rows:
        told.setdefault(getattr(row, name), []).append(row)
    return told


def _placed_at(rows: Sequence[PlacementRow], at_us: int) -> list[PlacementRow]:
    newest = (
        _newest([row for row in rows if row.depth_index == index], at_us) for index in {row.depth_index for row in rows}
    )
    return [row for row in newest if row is not None]


def _turns(rows: Iterable[_Dated]) -> list[int]:
    """Return every instant at which something begins or ends, in order, and the end of time."""
    return sorted({FOREVER}.union(*(span_us(row.valid_from, row.valid_to) for row in rows)))


def _begun(row: _Dated, at_us: int) -> bool:
    return span_us(row.valid_from)[0] <= at_us


def _newest(rows: Sequence[Row], at_us: int) -> Row | None:
    """Return the row that began last, of equals the last one told, if it still holds at the instant."""
    begun = [row for row in rows if _begun(row, at_us)]
    if not begun:
        return None
    latest = max(row.valid_from for row in begun)
    newest = [row for row in begun if row.valid_from == latest][-1]
    return newest if at_us < span_us(None, newest.valid_to)[1] else None


def _key(site: Any, probe: Any) -> Any:
    return site * 2**31 + probe
