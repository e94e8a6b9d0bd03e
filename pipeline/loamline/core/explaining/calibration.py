"""What an explanation says from the count to the zone: both curves, the uncertainty, and the soil around the probe."""

from __future__ import annotations

from typing import Any

from loamline.core.explaining.curves import curve_told, relative_count_told, soil_sentence, transducer_sentence
from loamline.core.explaining.soil import standing_told
from loamline.core.explaining.uncertainty import uncertainty_told
from loamline.core.explaining.words import Fields
from loamline.core.provenance import Registry
from loamline.core.reference import Interned
from loamline_codecs import Sample


def calibration_told(registry: Registry, row: Fields, sample: Sample) -> Fields:
    """Return one reading's registry rows and every step from its raw figure to its zone.

    `row` is the reading with its provenance, `sample` what its payload brought.
    """
    catalogue = registry.catalogue
    probe = _by_digest(catalogue.probes, row["probe_digest"])
    placement = _by_digest(catalogue.placements, row["placement_digest"])
    transducer = _by_digest(catalogue.curves, row["transducer_digest"])
    soil = _by_digest(catalogue.curves, row["soil_digest"])
    layer = _by_digest(catalogue.soil_layers, row["soil_layer_digest"])
    crop = _by_digest(catalogue.crops, row["crop_digest"])
    count, reported = sample.figures.get("moisture_count"), sample.figures.get("permittivity")
    degc = row["soil_temperature_degc"]
    x = relative_count_told(probe, count, degc)
    step = curve_told(None if reported is not None else transducer, x["result"], "x", "permittivity")
    permittivity = reported if reported is not None else step["result"]
    water = curve_told(soil, permittivity, "permittivity", "vwc_m3_m3", degc)
    return {
        "record": None if probe is None else {**probe.model_dump(), "digest": row["probe_digest"]},
        "placement": None if placement is None else {**placement.model_dump(), "digest": row["placement_digest"]},
        "transducer": {
            "sentence": transducer_sentence(probe, reported, x, step, permittivity),
            "relative_count": x,
            **step,
            "reported": reported,
            "permittivity": permittivity,
        },
        "soil": {
            "sentence": soil_sentence(placement, water, water["result"]),
            **water,
            "vwc_m3_m3": water["result"],
        },
        "uncertainty": uncertainty_told(probe, transducer, soil, count, reported, degc),
        **standing_told(placement, layer, crop, water["result"]),
    }


def _by_digest(rows: Interned[Any], digest: str | None) -> Any:
    return None if digest is None else rows.rows[rows.digests.index(digest)]
