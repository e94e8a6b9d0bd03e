"""What made each reading: codec, curves, limits and registry rows, by name and content digest."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loamline.core.columns import Ints, distinct
from loamline.core.reference import Catalogue, Reference, Resolved
from loamline.core.revisions import Revisions
from loamline_codecs import CodecSet

#: Counts up whenever a rule of the chain changes what it makes of the same inputs; replay brings older readings up.
RULES = 3
#: What a registry decides of a reading.
RESOLVED = tuple(column.name for column in dataclasses.fields(Resolved))


@dataclass(frozen=True)
class Registry:
    """The registry states by number, the catalogue that their indices point into, and the revisions in force."""

    states: Mapping[int, Reference]
    catalogue: Catalogue
    revisions: Revisions = field(default_factory=Revisions)


@dataclass(frozen=True)
class Settings:
    """What m readings were made with: `which` of c different settings made each, shape (m,).

    `reference`, `codec` and the columns of `resolved` are the settings', shape (c,).
    """

    which: Ints
    reference: Ints
    codec: Ints
    resolved: Resolved


def settings_of(codec: Any, reference: Ints, resolved: Resolved) -> Settings:
    """Return the different settings that m readings were made with; every argument's columns have shape (m,)."""
    columns = [reference, codec.astype(np.int64), *(getattr(resolved, name) for name in RESOLVED)]
    first, which = distinct(*columns)
    told = [column[first] for column in columns]
    return Settings(which, told[0], told[1], Resolved(*told[2:]))


def provenance_of(settings: Settings, codecs: CodecSet, registry: Registry) -> list[dict[str, Any]]:
    """Return a row of PROVENANCE, without its number, for each of the settings."""
    resolved = (getattr(settings.resolved, name) for name in RESOLVED)
    keys = np.stack([settings.reference, settings.codec, *resolved], axis=1)
    return [_row(key, codecs, registry.catalogue) for key in keys.tolist()]


def _row(key: Sequence[int], codecs: CodecSet, catalogue: Catalogue) -> dict[str, Any]:
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
