"""The chain: raw-log deliveries in, readings out. One path for live ingest, import and replay.

    deliveries -> merge -> decode -> sample -> resolve -> coalesce -> calibrate -> check -> reading

The result depends on the set of deliveries, the registry states, the codecs and what came before the window
(`frozen_before`), never on the order of rows or the size of the batch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core import calibration
from loamline.core.checks.contact import check_contact
from loamline.core.checks.fall import check_fall
from loamline.core.checks.frost import Frost, check_frost
from loamline.core.checks.range_bounds import check_range
from loamline.core.checks.roll_up import roll_up
from loamline.core.checks.series import Series, Thresholds
from loamline.core.checks.spike import check_spike
from loamline.core.checks.stuck import check_stuck
from loamline.core.checks.supply import check_supply
from loamline.core.columns import MINUTE_US, Bools, Floats, Ints, arrow, ints, whole
from loamline.core.identity import Uplinks, merge
from loamline.core.provenance import RESOLVED, Registry, provenance_of, settings_of
from loamline.core.reference import Resolved
from loamline.core.samples import Kept, coalesce, measured_at
from loamline.core.soil.standing import standing
from loamline.core.staleness import used
from loamline.core.uncertainty import propagate
from loamline_codecs import CodecSet, Decoded, Refusal
from loamline_schemas.limits import Limits
from loamline_schemas.registry import PlacementRow
from loamline_schemas.tables import READING, STATUS

#: A reading's columns without the store's own number of its provenance, for which `made_by` stands.
_DERIVED = tuple(column for column in READING.columns if column.name != "provenance_id")


@dataclass(frozen=True)
class Derived:
    """What a set of deliveries says.

    `readings`: the columns of READING but `provenance_id`, and `made_by`, a row of `provenance`; in order of
    probe, depth and instant. `provenance`: rows of PROVENANCE without its number. `statuses`: rows of STATUS.
    `refusals`: by uplink, why no codec reads it. `oldest_age_us`: by uplink, of its oldest sample, shape (k,).

    For whoever derives a window of history, by reading: `span_us`, the first and last instant of the samples that
    were weighed against each other; `frost_decided`, whether its own temperature settles the frost state.
    """

    uplinks: Uplinks
    readings: pa.Table
    provenance: list[dict[str, Any]]
    statuses: pa.Table
    refusals: dict[int, Refusal]
    oldest_age_us: Ints
    span_us: tuple[Ints, Ints]
    frost_decided: Bools


def derive(
    deliveries: pa.Table,
    codecs: CodecSet,
    registry: Registry,
    frozen_before: Mapping[tuple[int, int], bool] | None = None,
) -> Derived:
    """Return the readings of a set of raw-log rows; see the module's text.

    `frozen_before` tells, by probe id and depth index, whether the soil was frozen before the first sample.
    """
    uplinks = merge(deliveries)
    first = pa.array(uplinks.first)
    fport = ints(whole(deliveries, "fport").take(first)).astype(np.uint8)
    decoded = codecs.decode(fport, whole(deliveries, "payload").take(first))
    reference = _earliest_reference(deliveries, uplinks)
    frozen = frozen_before or {}
    readings, provenance, kept, frost = _readings(deliveries, uplinks, decoded, reference, codecs, registry, frozen)
    return Derived(
        uplinks=uplinks,
        readings=readings,
        provenance=provenance,
        statuses=_statuses(uplinks, decoded, codecs),
        refusals=decoded.refusals,
        oldest_age_us=decoded.oldest_age_minutes * MINUTE_US,
        span_us=kept.span_us,
        frost_decided=frost.decided,
    )


def _earliest_reference(deliveries: pa.Table, uplinks: Uplinks) -> Ints:
    """Return the registry state under which each uplink was first delivered, shape (k,)."""
    earliest = np.full(len(uplinks.first), np.iinfo(np.int64).max, dtype=np.int64)
    np.minimum.at(earliest, uplinks.uplink_of, ints(whole(deliveries, "reference_id")))
    return earliest


def _readings(
    deliveries: pa.Table,
    uplinks: Uplinks,
    decoded: Decoded,
    reference: Ints,
    codecs: CodecSet,
    registry: Registry,
    frozen_before: Mapping[tuple[int, int], bool],
) -> tuple[pa.Table, list[dict[str, Any]], Kept, Frost]:
    row, depth = decoded.row, decoded.depth_index.astype(np.int64)
    probe, heard, age = uplinks.probe_id[row], uplinks.heard_at_us[row], decoded.age_minutes.astype(np.int64)
    at = measured_at(heard, age)
    state = registry.revisions.reference(probe, at, reference[row])
    resolved = _resolve(registry, state, probe, depth, at)
    catalogue = registry.catalogue
    interval = decoded.uplink["interval_minutes"][row]
    usual = np.array([row.interval_minutes for row in catalogue.limits.rows], dtype=np.float64).take(resolved.limits)
    interval = np.where(np.isnan(interval), usual, interval)
    kept = coalesce(
        probe * 256 + depth,
        at,
        interval,
        age,
        heard,
        lambda samples: _uplink_key(deliveries, uplinks, row[samples]),
        tuple(decoded.figures.values()),
    )
    k = kept.row
    figures = {name: column[k] for name, column in decoded.figures.items()}
    resolved = used(Resolved(**{name: getattr(resolved, name)[k] for name in RESOLVED}), figures["moisture_count"])
    settings = settings_of(decoded.codec[row[k]], state[k], resolved)
    which, setting = settings.which, settings.resolved
    uplink = {name: column[row[k]] for name, column in decoded.uplink.items()}
    air, water, per_k = calibration.records(catalogue.probes.rows, setting.probe)
    record = air.take(which), water.take(which), per_k.take(which)
    made = calibration.calibrate(
        figures["moisture_count"],
        figures["permittivity"],
        figures["soil_temperature_degc"],
        record,
        resolved.transducer,
        resolved.soil,
        catalogue.curves.rows,
    )
    uncertain = propagate(
        made,
        figures["permittivity"],
        figures["soil_temperature_degc"],
        record,
        resolved.transducer,
        resolved.soil,
        catalogue.curves.rows,
    )
    stands = standing(
        made.vwc_m3_m3,
        which,
        setting.placement,
        setting.soil_layer,
        setting.crop,
        catalogue.placements.rows,
        catalogue.soil_layers.rows,
        catalogue.crops.rows,
    )
    series = Series(
        series=probe[k] * 256 + depth[k],
        placement=resolved.placement,
        measured_at_us=at[k],
        moisture_count=figures["moisture_count"],
        permittivity=made.permittivity,
        vwc_m3_m3=made.vwc_m3_m3,
        soil_temperature_degc=figures["soil_temperature_degc"],
        moisture_fault=decoded.moisture_fault[k],
        temperature_fault=decoded.temperature_fault[k],
        out_of_range=decoded.out_of_range[k],
        outside_transducer=made.outside_transducer,
        outside_soil=made.outside_soil,
        supply_v=uplink["supply_v"],
        supply_low=uplink["supply_low"],
        tilted=uplink["tilted"],
        depth_cm=_depth_cm(catalogue.placements.rows, setting.placement).take(which),
        relative_count=made.x,
    )
    limits = _thresholds(catalogue.limits.rows, setting.limits, which)
    limits.columns["interval_minutes"] = interval[k]  # the payload's own, where it tells one
    flags, frost = _flags(series, limits, frozen_before)
    columns = {
        "probe_id": probe[k],
        "depth_index": depth[k],
        "measured_at": at[k],
        "heard_at": heard[k],
        "fcnt": uplinks.fcnt[row[k]],
        "age_minutes": age[k],
        **figures,
        "permittivity": made.permittivity,
        "vwc_m3_m3": made.vwc_m3_m3,
        "vwc_uncertainty_m3_m3": uncertain.vwc_uncertainty_m3_m3,
        "plant_available_fraction": stands.plant_available_fraction,
        "zone": stands.zone,
        **uplink,
        "best_rssi_dbm": uplinks.best_rssi_dbm[row[k]],
        "best_snr_db": uplinks.best_snr_db[row[k]],
        "gateways": uplinks.gateways[row[k]],
        "conflicts": kept.conflicts,
        **flags,
    }
    arrays = [arrow(columns[column.name], column.arrow) for column in _DERIVED]
    table = pa.table([*arrays, pa.array(which)], names=[*(column.name for column in _DERIVED), "made_by"])
    return table, provenance_of(settings, codecs, registry), kept, frost


def _uplink_key(deliveries: pa.Table, uplinks: Uplinks, which: Ints) -> tuple[Ints, ...]:
    """Return the columns that order uplinks heard at once: fcnt, dev_addr, fport, then the payload's bytes."""
    rows = deliveries.select(["dev_addr", "fport", "payload"]).take(pa.array(uplinks.first[which]))
    payload = whole(rows, "payload").dictionary_encode()
    # Rank of the payload among those here: its order, whatever else is in the batch.
    order = np.asarray(pa.compute.sort_indices(payload.dictionary))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return uplinks.fcnt[which], ints(whole(rows, "dev_addr")), ints(whole(rows, "fport")), rank[ints(payload.indices)]


def _resolve(registry: Registry, reference: Ints, probe: Ints, depth: Ints, at: Ints) -> Resolved:
    if len(probe) and (reference == reference[0]).all():
        return registry.states[int(reference[0])].resolve(probe, depth, at)
    found = {name: np.full(len(probe), -1, dtype=np.int64) for name in RESOLVED}
    for number in np.unique(reference).tolist():
        rows = np.flatnonzero(reference == number)
        told = registry.states[number].resolve(probe[rows], depth[rows], at[rows])
        for name in RESOLVED:
            found[name][rows] = getattr(told, name)
    return Resolved(**found)


def _depth_cm(rows: list[PlacementRow], which: Ints) -> Floats:
    return np.array([rows[index].depth_cm if index >= 0 else np.nan for index in which.tolist()], dtype=np.float64)


def _thresholds(rows: list[Limits], limits: Ints, which: Ints) -> Thresholds:
    """Return the limits of each reading, whose setting is `which`; `limits` has a row for each setting."""
    columns: dict[str, Floats] = {}
    for name, usual in Limits():
        values = np.array([getattr(row, name) for row in rows], dtype=np.float64)[limits]
        if isinstance(usual, tuple):
            columns[f"{name}_low"], columns[f"{name}_high"] = (
                np.ascontiguousarray(bound).take(which) for bound in values.reshape(-1, 2).T
            )
        else:
            columns[name] = values.take(which)
    return Thresholds(columns)


def _flags(
    series: Series, limits: Thresholds, frozen_before: Mapping[tuple[int, int], bool]
) -> tuple[dict[str, Any], Frost]:
    frozen = np.zeros(len(series.series), dtype=bool)
    for (probe_id, depth_index), was in frozen_before.items():
        if was:
            frozen[series.series == probe_id * 256 + depth_index] = True
    range_flag, cause = check_range(series, limits)
    frost = check_frost(series, limits, frozen)
    told = {
        "range_flag": range_flag,
        "spike_flag": check_spike(series, limits),
        "stuck_flag": check_stuck(series, limits),
        "frost_flag": frost.flag,
        "supply_flag": check_supply(series, limits),
        "contact_flag": check_contact(series, limits),
        "fall_flag": check_fall(series, limits),
    }
    verdict = roll_up(
        tuple(told.values()),
        no_figure=np.isnan(series.vwc_m3_m3),
        fault=series.moisture_fault | series.temperature_fault,
    )
    return {**told, "range_cause": cause, "verdict_flag": verdict}, frost


def _statuses(uplinks: Uplinks, decoded: Decoded, codecs: CodecSet) -> pa.Table:
    names = np.array([codec.name for codec in codecs.codecs] or [""], dtype=object)
    is_status = np.array([codec.message == "status" for codec in codecs.codecs] or [False])
    rows = np.flatnonzero((decoded.codec >= 0) & is_status[decoded.codec])
    order = rows[np.lexsort((uplinks.fcnt[rows], uplinks.heard_at_us[rows], uplinks.probe_id[rows]))]
    columns = {
        "probe_id": uplinks.probe_id,
        "heard_at": uplinks.heard_at_us,
        "fcnt": uplinks.fcnt,
        **decoded.uplink,
    }
    arrays = [
        pa.array(names[decoded.codec[order]], pa.string())
        if column.name == "codec"
        else arrow(columns[column.name][order], column.arrow)
        for column in STATUS.columns
    ]
    return pa.Table.from_arrays(arrays, names=list(STATUS.names))
