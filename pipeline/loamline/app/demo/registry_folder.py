"""The registry folder that belongs to the demo's fleet: five CSV files and two TOML files, read as anyone's are."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from loamline.app.demo.fleet import (
    COMPOST_BED,
    GLASSHOUSE,
    HISTORY_DAYS,
    HISTORY_END,
    MOVED_SINCE_DAYS,
    PROBES,
    SITES,
    TOPP,
    TRANSDUCER_CURVES,
    Curve,
    Probe,
)
from loamline.app.demo.soils_and_crops import CROP_COLUMNS, SOIL_COLUMNS, crop_rows, soil_rows
from loamline.core.rfc3339 import rfc3339

SITE_COLUMNS = ("site", "customer", "latitude_deg", "longitude_deg", "time_zone")
PROBE_COLUMNS = ("dev_eui", "serial", "hardware", "made_on", "air_count", "water_count", "count_per_k")
PLACEMENT_COLUMNS = (
    "dev_eui", "depth_index", "site", "label", "depth_cm", "texture", "valid_from", "valid_to", "curve",
    "deficit_below", "excess_above",
)  # fmt: skip
#: Placements begin this long before history.
_BURIED_DAYS_EARLIER = 200
_CURVES_VALID_FROM = datetime(2015, 1, 1, tzinfo=UTC)
#: Where the moved probe stood before.
_FORMER_LABEL = "maple 1"

_LIMITS = f"""\
# Thresholds of the plausibility checks. What stands here overrides the shipped defaults, the narrower table last:
# [limits], [texture."silt loam"], [site."..."], [probe."..."].
[limits]

# Compost holds more water than any mineral soil.
[site."{GLASSHOUSE.site}"]
vwc_suspect = [0.05, 0.60]
"""


def write_registry_folder(directory: Path, *, history_end: datetime = HISTORY_END) -> None:
    """Write sites, probes, placements, soils, crops (CSV), curves and limits (TOML) into `directory`, made if absent.

    The unknown probe stands in none of them. `history_end` is the simulation's.
    """
    directory.mkdir(parents=True, exist_ok=True)
    known = [probe for probe in PROBES if probe.character != "unknown"]
    _write_csv(
        directory / "sites.csv",
        SITE_COLUMNS,
        (
            (site.site, site.customer, site.climate.latitude_deg, site.climate.longitude_deg, site.time_zone)
            for site in SITES
        ),
    )
    _write_csv(directory / "probes.csv", PROBE_COLUMNS, map(_probe_row, known))
    _write_csv(
        directory / "placements.csv",
        PLACEMENT_COLUMNS,
        (row for probe in known for row in _placement_rows(probe, history_end)),
    )
    since = rfc3339(_buried(history_end))
    _write_csv(directory / "soils.csv", SOIL_COLUMNS, soil_rows(since))
    _write_csv(directory / "crops.csv", CROP_COLUMNS, crop_rows(since))
    curves = (*TRANSDUCER_CURVES.values(), TOPP, COMPOST_BED)
    (directory / "curves.toml").write_text("\n".join(map(_curve_toml, curves)), encoding="utf-8")
    (directory / "limits.toml").write_text(_LIMITS, encoding="utf-8")


def _write_csv(path: Path, columns: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def _probe_row(probe: Probe) -> tuple[object, ...]:
    record = probe.transducer
    factory = (None,) * 3 if record is None else (record.air_count, record.water_count, record.count_per_k)
    return probe.dev_eui, probe.serial, probe.hardware, probe.made_on.isoformat(), *factory


def _placement_rows(probe: Probe, history_end: datetime) -> Iterable[tuple[object, ...]]:
    site = probe.site
    buried = _buried(history_end)
    stays: list[tuple[str, datetime, datetime | None]] = [(probe.label, buried, None)]
    if probe.character == "moved":
        moved = history_end - timedelta(days=MOVED_SINCE_DAYS)
        stays = [(_FORMER_LABEL, buried, moved), (probe.label, moved, None)]
    curve = None if site.soil_curve is TOPP else site.soil_curve.id
    for label, since, until in stays:
        for depth_index, depth_cm in enumerate(probe.depths_cm):
            span = (rfc3339(since), None if until is None else rfc3339(until))
            where = (probe.dev_eui, depth_index, site.site, label, depth_cm, site.texture)
            yield (*where, *span, curve, *(site.thresholds or (None, None)))


def _buried(history_end: datetime) -> datetime:
    return history_end - timedelta(days=HISTORY_DAYS + _BURIED_DAYS_EARLIER)


def _curve_toml(curve: Curve) -> str:
    lines = ["[[curve]]", f'id = "{curve.id}"', f'step = "{curve.step}"', f'kind = "{curve.kind}"']
    if curve.coefficients:
        lines.append(f"coefficients = {list(curve.coefficients)}")
    lines += [
        f"domain = {list(curve.domain)}",
        f'for = "{curve.applies_to}"',
        f"valid_from = {rfc3339(_CURVES_VALID_FROM)}",
        f'source = "{curve.source}"',
    ]
    if curve.standard_error is not None:
        lines.append(f"standard_error = {curve.standard_error}")
    return "\n".join(lines) + "\n"
