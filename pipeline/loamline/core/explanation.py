"""One figure explained: the whole derivation from the delivered bytes to the verdict (promise 5).

Input: one probe's whole raw log, the readings stored near an instant, codecs and registry. The log is derived
again by the chain itself (`loamline.core.derive`), each step is laid out with its numbers, and what comes out is
compared with what is stored. The result is plain data, ready for JSON; units stand in the names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core import calibration
from loamline.core.columns import DAY_US, HOUR_US, Bools, Ints, floats, instant, instants, ints, whole
from loamline.core.derive import Derived, derive
from loamline.core.explaining.calibration import calibration_told
from loamline.core.explaining.check_of_the_fall import fall_told
from loamline.core.explaining.checks import (
    frost_told,
    range_told,
    roll_up_sentence,
    spike_told,
    stuck_told,
)
from loamline.core.explaining.checks_of_the_probe import contact_told, supply_told
from loamline.core.explaining.neighbours import Neighbours
from loamline.core.explaining.uplink import Log, find_sample, payload_told, refused_near, rivals, uplink_told
from loamline.core.explaining.words import Fields, number, shown
from loamline.core.provenance import Registry
from loamline_codecs import CodecSet, Refusal, Sample
from loamline_schemas.tables import PROVENANCE, READING
from loamline_schemas.verdicts import RangeCause, Verdict

#: What a stored and a recomputed reading are compared in: everything but the store's own numbers.
COMPARED = tuple(name for name in (*READING.names, *PROVENANCE.names) if name not in ("provenance_id", "probe_id"))


@dataclass(frozen=True)
class Explanation:
    """What `explain` found.

    `instant_us`: the nearest instant with a reading within a day, else None. `readings`: one object a depth.
    `set_aside`: uplinks near the asked instant that no codec reads, each with its reason.
    """

    dev_eui: str
    asked_us: int
    instant_us: int | None
    readings: list[Fields]
    set_aside: list[Fields]

    def as_fields(self) -> Fields:
        """Return the whole as one object; instants are UTC datetimes."""
        return {
            "dev_eui": self.dev_eui,
            "asked_for": instant(self.asked_us),
            "measured_at": None if self.instant_us is None else instant(self.instant_us),
            "readings": self.readings,
            "set_aside": self.set_aside,
        }


def explain(
    dev_eui: str,
    asked_us: int,
    deliveries: pa.Table,
    stored: pa.Table,
    codecs: CodecSet,
    registry: Registry,
    states: Mapping[int, Fields],
    depth_index: int | None = None,
) -> Explanation:
    """Explain one probe's readings at the instant nearest `asked_us` (microseconds since 1970).

    `deliveries`: its whole raw log. `stored`: its stored readings within a day, the columns of READING and
    PROVENANCE but their numbers. `states`: what is known of each registry state. `depth_index`: only that depth.
    """
    derived = derive(deliveries, codecs, registry)
    log = Log(deliveries, derived.uplinks, codecs)
    at = instants(whole(derived.readings, "measured_at"))
    depth = ints(whole(derived.readings, "depth_index"))
    wanted: Bools = np.ones(len(at), dtype=bool) if depth_index is None else depth == depth_index
    held = [row for row in _rows(stored) if depth_index in (None, row["depth_index"])]
    nearest = _nearest(asked_us, np.concatenate([at[wanted], np.array([r["at_us"] for r in held], dtype=np.int64)]))
    told = []
    if nearest is not None:
        rows = np.flatnonzero(wanted & (at == nearest)).tolist()
        stored_at = {row["depth_index"]: row for row in held if row["at_us"] == nearest}
        for row in rows:
            reading = _explained(log, derived, registry, row, stored_at.pop(int(depth[row]), None))
            told.append({**reading, "registry_state": states.get(reading["made_by"]["reference_id"])})
        told += [_only_stored(row) for row in stored_at.values()]
        told.sort(key=lambda reading: reading["depth_index"])
    within = DAY_US if nearest is None else max(HOUR_US, abs(nearest - asked_us))
    aside = refused_near(log, derived.refusals, asked_us, within)
    return Explanation(dev_eui, asked_us, nearest, told, aside)


def _nearest(asked_us: int, candidates: Ints) -> int | None:
    """Return the candidate nearest in time, the earlier of two; None where none lies within a day."""
    near = np.unique(candidates[np.abs(candidates - asked_us) <= DAY_US])
    return int(near[np.argmin(np.abs(near - asked_us))]) if len(near) else None


def _rows(table: pa.Table) -> list[Fields]:
    """Return readings as objects, with their instants in microseconds too."""
    at, heard = instants(whole(table, "measured_at")), instants(whole(table, "heard_at"))
    times = zip(at.tolist(), heard.tolist(), strict=True)
    return [
        {**row, "at_us": at_us, "heard_at_us": heard_us}
        for row, (at_us, heard_us) in zip(table.to_pylist(), times, strict=True)
    ]


def _explained(log: Log, derived: Derived, registry: Registry, index: int, stored: Fields | None) -> Fields:
    (row,) = _rows(derived.readings.slice(index, 1))
    made_by = derived.provenance[row["made_by"]]
    row = {**row, **made_by}
    found = find_sample(log, row)
    if found is None:
        raise LookupError(f"expected an uplink that holds the sample of {shown(row['measured_at'])}, found none")
    uplink, sample = found
    span = int(derived.span_us[0][index]), int(derived.span_us[1][index])
    compared = {name: row[name] for name in COMPARED}
    differences = _differences(stored, compared)
    return {
        "depth_index": row["depth_index"],
        "measured_at": row["measured_at"],
        "vwc_m3_m3": row["vwc_m3_m3"],
        "vwc_uncertainty_m3_m3": row["vwc_uncertainty_m3_m3"],
        "plant_available_fraction": row["plant_available_fraction"],
        "permittivity": row["permittivity"],
        "soil_temperature_degc": row["soil_temperature_degc"],
        "verdict": Verdict(row["verdict_flag"]).word,
        "uplink": uplink_told(log, uplink),
        "payload": payload_told(log, uplink, sample),
        "instant": {
            "formula": "measured_at = heard_at - age_minutes",
            "heard_at": row["heard_at"],
            "age_minutes": row["age_minutes"],
            "measured_at": row["measured_at"],
        },
        "same_instant": rivals(log, row, span, uplink),
        **calibration_told(registry, row, sample),
        **_checks(derived, registry, index, row, sample, _interval_told(log, uplink)),
        "made_by": made_by,
        "agrees": not differences,
        "differences": differences,
    }


def _only_stored(row: Fields) -> Fields:
    """Return a stored reading that the raw log does not give: there is nothing to lay out."""
    told = {name: row[name] for name in COMPARED}
    return {
        "depth_index": row["depth_index"],
        "measured_at": row["measured_at"],
        "verdict": Verdict(row["verdict_flag"]).word,
        "agrees": False,
        "differences": [{"column": name, "stored": value, "recomputed": None} for name, value in told.items()],
    }


def _differences(stored: Fields | None, recomputed: Fields) -> list[Fields]:
    held: Fields = stored or {}
    return [
        {"column": name, "stored": held.get(name), "recomputed": value}
        for name, value in recomputed.items()
        if held.get(name) != value
    ]


def _interval_told(log: Log, uplink: int) -> float | None:
    """Return the interval that the payload itself tells, minutes; None where it tells none."""
    message = log.message(uplink)
    return None if isinstance(message, Refusal) else message.uplink.get("interval_minutes")


def _checks(
    derived: Derived, registry: Registry, index: int, row: Fields, sample: Sample, interval_minutes: float | None
) -> Fields:
    near = _neighbours(derived, registry, index, row["depth_index"])
    if interval_minutes is not None:
        near.limits[near.index] = near.own.model_copy(update={"interval_minutes": interval_minutes})
    names = ("range", "spike", "stuck", "frost", "supply", "contact", "fall", "verdict")
    flags = {name: Verdict(row[f"{name}_flag"]) for name in names}
    checks = [
        range_told(near, flags["range"], RangeCause(row["range_cause"])),
        spike_told(near, flags["spike"], sample),
        stuck_told(near, flags["stuck"], sample),
        frost_told(near, flags["frost"]),
        supply_told(near, flags["supply"]),
        contact_told(near, flags["contact"]),
        fall_told(near, flags["fall"]),
    ]
    sentence = roll_up_sentence(checks, flags["verdict"], has_figure=row["vwc_m3_m3"] is not None)
    return {"checks": checks, "roll_up": {"verdict": flags["verdict"].word, "sentence": sentence}}


def _neighbours(derived: Derived, registry: Registry, index: int, depth_index: int) -> Neighbours:
    """Return what the checks of one reading could look at: every reading of its depth."""
    own = np.flatnonzero(ints(whole(derived.readings, "depth_index")) == depth_index)
    table = derived.readings.take(pa.array(own))
    made_by = [derived.provenance[number] for number in ints(whole(table, "made_by")).tolist()]
    catalogue = registry.catalogue
    limits = dict(zip(catalogue.limits.digests, catalogue.limits.rows, strict=True))
    depth_cm = dict(zip(catalogue.placements.digests, (row.depth_cm for row in catalogue.placements.rows), strict=True))
    probe = {digest: number for number, digest in enumerate(catalogue.probes.digests)}
    figures = {
        name: floats(whole(table, name))
        for name in (
            *("moisture_count", "permittivity", "vwc_m3_m3", "soil_temperature_degc"),
            *("supply_v", "supply_low", "tilted"),
        )
    }
    record = calibration.records(
        catalogue.probes.rows, np.array([probe.get(made["probe_digest"], -1) for made in made_by], dtype=np.int64)
    )
    return Neighbours(
        index=int(np.searchsorted(own, index)),
        at_us=instants(whole(table, "measured_at")),
        **figures,
        depth_cm=np.array([depth_cm.get(made["placement_digest"], np.nan) for made in made_by]),
        relative_count=calibration.relative_count(figures["moisture_count"], figures["soil_temperature_degc"], *record),
        placement=[made["placement_digest"] for made in made_by],
        limits=[limits[made["limits_digest"]] for made in made_by],
    )


def difference_sentence(difference: Fields) -> str:
    """Return one difference in words."""
    stored, fresh = (
        number(value) if isinstance(value, float) else str(value)
        for value in (difference["stored"], difference["recomputed"])
    )
    return f"{difference['column']}: stored {stored}, recomputed {fresh}"
