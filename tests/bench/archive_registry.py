"""The registry of a synthetic archive: every kind of curve, soils and crops, limits by layer, and moves in between."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from loamline.core.reference import RegistryState
from loamline_schemas.curves import Curve
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow

_SINCE = datetime(2020, 1, 1, tzinfo=UTC)
_MOVED = datetime(2025, 1, 13, 5, 30, tzinfo=UTC)
_TEXTURES = ("loam", "sand", "clay loam", "silt loam", "sandy loam")
_SITES = 20


def dev_eui(number: int) -> str:
    """Return the EUI-64 of the archive's probe `number`, locally administered."""
    return f"02DD{number:012X}"


def archive_registry(probes: int) -> RegistryState:
    """Return the state under which an archive of `probes` is read; one probe in 20 moves, one in 50 is not placed."""
    return RegistryState(
        sites=tuple(
            SiteRow(site=f"s{number}", customer="c", latitude_deg=1, longitude_deg=2, time_zone="UTC")
            for number in range(_SITES)
        ),
        probes=tuple(_probe(number) for number in range(probes)),
        placements=tuple(
            placement
            for number in range(probes)
            if number % 50 != 18
            for depth_index in range(1 + number % 4 % 2)
            for placement in _placements(number, depth_index)
        ),
        curves=_curves(),
        limits=_limits(),
        soils=tuple(_soils()),
        crops=(
            CropRow(site="s0", crop="carrots", valid_from=_SINCE),
            CropRow(site="s1", crop="own", valid_from=_SINCE, root_depth_m=0.3, depletion_fraction=0.45),
            CropRow(site="s2", crop="tomato", valid_from=_SINCE, valid_to=_MOVED),
        ),
    )


def _probe(number: int) -> ProbeRow:
    told: dict[str, Any] = {"serial": f"S{number}", "hardware": f"P{number % 4}", "made_on": date(2019, 6, 1)}
    if number % 4 != 3:
        told |= {"air_count": 500, "water_count": 3500 + number % 7, "count_per_k": (-0.8, 0.0)[number % 3 == 0]}
    return ProbeRow(dev_eui=dev_eui(number), **told)


def _placements(number: int, depth_index: int) -> list[PlacementRow]:
    told: dict[str, Any] = {
        "dev_eui": dev_eui(number),
        "depth_index": depth_index,
        "label": f"p{number}",
        "depth_cm": 10 + 20 * depth_index,
    }
    here = {"site": f"s{number % _SITES}", "texture": _TEXTURES[number % len(_TEXTURES)]}
    own: dict[str, Any] = {"deficit_below": 0.15} if number % 11 == 5 else {"curve": "own"} if number % 11 == 6 else {}
    if number % 20 != 2:
        return [PlacementRow(**told, **here, **own, valid_from=_SINCE)]
    there = {"site": "s3", "texture": "sand"}
    return [
        PlacementRow(**told, **here, **own, valid_from=_SINCE, valid_to=_MOVED),
        PlacementRow(**told, **there, excess_above=0.3, valid_from=_MOVED),
    ]


def _curves() -> tuple[Curve, ...]:
    transducer: dict[str, Any] = {"step": "transducer", "kind": "polynomial", "domain": (0, 1), "valid_from": _SINCE}
    soil: dict[str, Any] = {"step": "soil", "valid_from": _SINCE}
    points = ((2.0, 0.02), (5.0, 0.08), (12.0, 0.22), (25.0, 0.4), (45.0, 0.5))
    return (
        Curve(id="any", coefficients=(1, 30, 49), **transducer),
        Curve(id="p1", coefficients=(1, 29, 50), applies_to="P1", standard_error=0.4, **transducer),
        Curve(id="topp", kind="topp1980", **soil),
        Curve(id="ledieu", kind="ledieu1986", applies_to="sand", **soil),
        Curve(id="malicki", kind="malicki1996", bulk_density_g_cm3=1.4, applies_to="clay loam", **soil),
        Curve(
            id="mixing",
            kind="mixing",
            porosity=0.45,
            solid_permittivity=3.9,
            exponent=0.46,
            applies_to="silt loam",
            **soil,
        ),
        Curve(id="table", kind="table", points=points, applies_to="sandy loam", **soil),
        Curve(
            id="own",
            kind="polynomial",
            coefficients=(-0.05, 0.025, -0.0003),
            domain=(1.8, 41),
            standard_error=0.011,
            applies_to="sandy loam",
            **soil,
        ),
        Curve(
            id="fitted",
            step="soil",
            kind="polynomial",
            coefficients=(-0.04, 0.024, -0.0003),
            domain=(1.8, 38),
            applies_to="loam",
            valid_from=_MOVED,
        ),
    )


def _limits() -> LimitsFile:
    return LimitsFile.model_validate(
        {
            "limits": [{}, {"valid_from": _MOVED, "spike_suspect": 0.04}],
            "texture": {"sand": {"fall_suspect_per_hour": 0.05}},
            "site": {"s4": {"stuck_suspect_hours": 12, "stuck_fail_hours": 30}},
            "probe": {dev_eui(3): {"contact_air_permittivity": 2.0, "supply_window_hours": 24}},
        }
    )


def _soils() -> list[SoilRow]:
    told: dict[str, Any] = {"valid_from": _SINCE}
    return [
        SoilRow(site="s0", top_cm=0, bottom_cm=20, sand_percent=40, clay_percent=20, **told),
        SoilRow(site="s1", top_cm=0, bottom_cm=60, texture="clay", field_capacity=0.41, **told),
        SoilRow(site="s2", top_cm=0, bottom_cm=60, wilting_point=0.1, field_capacity=0.3, saturation=0.5, **told),
        SoilRow(site="s5", top_cm=0, bottom_cm=30, sand_percent=10, clay_percent=70, **told),
    ]
