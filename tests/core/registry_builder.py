"""Small valid registry rows: name only what a test is about."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from loamline.core.provenance import Registry
from loamline.core.reference import Catalogue, Reference, RegistryState
from loamline_schemas.curves import Curve
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow

SPRING = "2026-03-01T00:00:00Z"


def dev_eui(number: int) -> str:
    """Return the EUI-64 of the test fleet's probe `number` (locally administered)."""
    return f"02AC000000{number:06X}"


def at(text: str) -> datetime:
    """Return an instant from RFC 3339."""
    return datetime.fromisoformat(text).astimezone(UTC)


def site(name: str = "North Field", **changes: Any) -> SiteRow:
    """Return a site."""
    told = {"customer": "a grower", "latitude_deg": 52.0, "longitude_deg": 5.5, "time_zone": "Europe/Amsterdam"}
    return SiteRow.model_validate({"site": name, **told, **changes})


def probe(number: int = 1, **changes: Any) -> ProbeRow:
    """Return the record of a probe whose count runs from 340 in air to 3340 in water and falls by 2 a kelvin."""
    told = {"serial": f"S-{number:04d}", "hardware": "B", "made_on": "2025-06-01"}
    record = {"air_count": 340, "water_count": 3340, "count_per_k": -2}
    return ProbeRow.model_validate({"dev_eui": dev_eui(number), **told, **record, **changes})


def placement(number: int = 1, depth_index: int = 0, **changes: Any) -> PlacementRow:
    """Return a placement in loam at 10 cm since the spring."""
    told = {"site": "North Field", "label": "row 4", "depth_cm": 10, "texture": "loam", "valid_from": SPRING}
    return PlacementRow.model_validate({"dev_eui": dev_eui(number), "depth_index": depth_index, **told, **changes})


def soil(**changes: Any) -> SoilRow:
    """Return a layer of loam from the surface to 30 cm since the spring."""
    told = {"site": "North Field", "top_cm": 0, "bottom_cm": 30, "texture": "loam", "valid_from": SPRING}
    return SoilRow.model_validate({**told, **changes})


def crop(name: str = "turf grass cool season", **changes: Any) -> CropRow:
    """Return a crop since the spring."""
    return CropRow.model_validate({"site": "North Field", "crop": name, "valid_from": SPRING, **changes})


def transducer(name: str = "transducer-b", **changes: Any) -> Curve:
    """Return a transducer curve: 1 + 18 x + 40 x^2, so that half way from air to water is permittivity 20."""
    told = {"kind": "polynomial", "coefficients": [1, 18, 40], "domain": [0, 1], "for": "B", "valid_from": SPRING}
    return Curve.model_validate({"id": name, "step": "transducer", **told, **changes})


def topp(name: str = "topp-1980", **changes: Any) -> Curve:
    """Return the published soil curve for any texture."""
    told = {"kind": "topp1980", "domain": [1, 81], "for": "*", "valid_from": SPRING}
    return Curve.model_validate({"id": name, "step": "soil", **told, **changes})


def state(**changes: Any) -> RegistryState:
    """Return one site with one placed probe, a transducer curve and a soil curve."""
    told = {
        "sites": (site(),),
        "probes": (probe(),),
        "placements": (placement(),),
        "curves": (transducer(), topp()),
        "limits": LimitsFile(),
    }
    return RegistryState(**{**told, **changes})


def registry(*states: RegistryState, probe_ids: Mapping[str, int] | None = None) -> Registry:
    """Return the states, numbered from 1, as the chain takes them; state 0 is empty. Probe n has id n."""
    ids = probe_ids or {dev_eui(number): number for number in range(20)}
    catalogue = Catalogue()
    every = (RegistryState(), *states)
    return Registry({number: Reference(told, ids, catalogue) for number, told in enumerate(every)}, catalogue)
