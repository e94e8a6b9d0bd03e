"""Registry rows that tests of the store share: one site, P1 probes in loam at 10 cm, a transducer and a soil curve."""

from __future__ import annotations

from datetime import date, datetime

from loamline_schemas.curves import Curve
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow

SITES = (SiteRow(site="s", customer="c", latitude_deg=1, longitude_deg=2, time_zone="UTC"),)


def probe_row(dev_eui: str) -> ProbeRow:
    """Return a factory record."""
    return ProbeRow(
        dev_eui=dev_eui,
        serial=dev_eui[-2:],
        hardware="P1",
        made_on=date(2020, 1, 1),
        air_count=500,
        water_count=3500,
        count_per_k=-0.8,
    )


def placement_row(dev_eui: str, label: str, since: datetime, until: datetime | None = None) -> PlacementRow:
    """Return the placement of a probe's first depth."""
    return PlacementRow(
        dev_eui=dev_eui,
        depth_index=0,
        site="s",
        label=label,
        depth_cm=10,
        texture="loam",
        valid_from=since,
        valid_to=until,
    )


def curve_rows(since: datetime, coefficients: tuple[float, ...] = (1, 30, 49)) -> tuple[Curve, Curve]:
    """Return the transducer's curve and the soil's."""
    return (
        Curve(
            id="p1",
            step="transducer",
            kind="polynomial",
            coefficients=coefficients,
            domain=(0, 1),
            valid_from=since,
        ),
        Curve(id="topp", step="soil", kind="topp1980", domain=(1.8, 81), valid_from=since),
    )
