"""What made each reading: codec, curves, limits and registry rows, by name and content digest."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loamline.core.columns import Ints, distinct
from loamline.core.reference import Catalogue, Reference, Resolved
from loamline.core.revisions import Revisions
from loamline_codecs import CodecSet

#: Counts up whenever a rule of the chain changes what it makes of the same inputs; replay brings older readings up.
RULES = 2
#: What a registry decides of a reading.
RESOLVED = tuple(column.name for column in dataclasses.fields(Resolved))


@dataclass(frozen=True)
class Registry:
    """The registry states by number, the catalogue that their indices point into, and the revisions in force."""

    states: Mapping[int, Reference]
    catalogue: Catalogue
    revisions: Revisions = field(default_factory=Revisions)


def provenance_of(
    codec: Any, reference: Ints, resolved: Resolved, codecs: CodecSet, registry: Registry
) -> tuple[Ints, list[dict[str, Any]]]:
    """Return each reading's row of the provenance list, and that list."""
    columns = [reference, codec.astype(np.int64), *(getattr(resolved, name) for name in RESOLVED)]
    first, made_by = distinct(*columns)
    keys = np.stack([column[first] for column in columns])
    return made_by, [_row(tuple(int(i) for i in key), codecs, registry.catalogue) for key in keys.T]


def _row(key: tuple[int, ...], codecs: CodecSet, catalogue: Catalogue) -> dict[str, Any]:
    reference, codec, probe, placement, transducer, soil, limits, soil_layer, crop = key
    curves = catalogue.curves
    return {
        "reference_id": reference,
        "codec": codecs.codecs[codec].name,
        "codec_digest": codecs.codecs[codec].digest,
        "probe_digest": catalogue.probes.digests[probe] if probe >= 0 else None,
        "placement_digest": catalogue.placements.digests[placement] if placement >= 0 else None,
        "transducer_curve": curves.rows[transducer].id if transducer >= 0 else None,
        "transducer_digest": curves.digests[transducer] if transducer >= 0 else None,
        "soil_curve": curves.rows[soil].id if soil >= 0 else None,
        "soil_digest": curves.digests[soil] if soil >= 0 else None,
        "limits_digest": catalogue.limits.digests[limits],
        "soil_layer_digest": catalogue.soil_layers.digests[soil_layer] if soil_layer >= 0 else None,
        "crop_digest": catalogue.crops.digests[crop] if crop >= 0 else None,
        "rules": RULES,
    }
