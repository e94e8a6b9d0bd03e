"""The store's tables, written once: Arrow schema, DDL and the note on every column come from here.

A column or table added later carries the number of the migration that brings it in `since`; the DDL
of that migration is generated from it (`loamline_schemas.migrations`). Nothing is ever renamed or dropped.

Times are UTC. Probes carry a small integer id, since a repeated 16-digit identifier would cost
more than the rest of a row. The big tables have no primary key: identity is kept by the writer.
"""

from __future__ import annotations

from dataclasses import replace

import pyarrow as pa

from loamline_schemas.columns import INSTANT, RECEPTION, Column, Table


def _c(name: str, arrow: pa.DataType, note: str, *, required: bool = False, since: int = 1) -> Column:
    return Column(name, arrow, note, required, since)


PROBE_IDENTITY = Table(
    "probe_identity",
    "Every probe that was ever heard or registered, and its small integer id.",
    (
        _c("probe_id", pa.int32(), "assigned in order of first sight", required=True),
        _c("dev_eui", pa.string(), "EUI-64, 16 upper-case hex digits", required=True),
    ),
)

UPLINK = Table(
    "uplink",
    "The raw log: one row a delivery, append only. Deliveries of one uplink are merged when derived.",
    (
        _c("seq", pa.int64(), "order of storing; the watermark", required=True),
        _c("probe_id", pa.int32(), "probe_identity", required=True),
        _c("dev_addr", pa.uint32(), "LoRaWAN session address"),
        _c("fcnt", pa.uint32(), "FCntUp as delivered", required=True),
        _c("fport", pa.uint8(), "LoRaWAN FPort", required=True),
        _c("payload", pa.binary(), "FRMPayload, decrypted", required=True),
        _c("heard_at", INSTANT, "when it was heard", required=True),
        _c("heard_at_source", pa.uint8(), "0 the network's clock, 1 the first gateway's, 2 ours", required=True),
        _c("frequency_hz", pa.uint32(), "carrier"),
        _c("spreading_factor", pa.uint8(), "LoRa spreading factor"),
        _c("bandwidth_hz", pa.uint32(), "LoRa bandwidth"),
        _c("coding_rate", pa.string(), "LoRa coding rate"),
        _c("confirmed", pa.bool_(), "confirmed data up"),
        _c("network", pa.string(), "which network delivered it"),
        _c("receptions", pa.list_(RECEPTION), "one entry a gateway and antenna", required=True),
        _c("digest", pa.uint64(), "of the whole delivery: equal means delivered again", required=True),
        _c("reference_id", pa.int32(), "registry state in force when it came", required=True),
        _c("stored_at", INSTANT, "our clock at commit", required=True),
    ),
)

SET_ASIDE = Table(
    "set_aside",
    "Deliveries that no codec could read, kept with reason and envelope; replay reads them again.",
    (
        _c("seq", pa.int64(), "uplink.seq", required=True),
        _c("probe_id", pa.int32(), "probe_identity", required=True),
        _c("heard_at", INSTANT, "when it was heard", required=True),
        _c("codec", pa.string(), "the codec that refused it; null where none matched"),
        _c("reason", pa.string(), "one word: port, version, length, layout", required=True),
        _c("detail", pa.string(), "the sentence: expected, got, where", required=True),
        _c("envelope", pa.binary(), "the message as it came"),
    ),
)

REJECTED_MESSAGE = Table(
    "rejected_message",
    "Messages that are no uplink at all, kept whole.",
    (
        _c("stored_at", INSTANT, "our clock", required=True),
        _c("source", pa.string(), "topic, or file and line", required=True),
        _c("detail", pa.string(), "the sentence: expected, got, where", required=True),
        _c("content", pa.binary(), "the message as it came", required=True),
        _c("digest", pa.uint64(), "of the content", required=True),
    ),
)

READING = Table(
    "reading",
    "One sample of one depth after calibration and checks; derived from the raw log.",
    (
        _c("probe_id", pa.int32(), "probe_identity", required=True),
        _c("depth_index", pa.uint8(), "0 the shallowest", required=True),
        _c("measured_at", INSTANT, "heard_at less the sample's age", required=True),
        _c("heard_at", INSTANT, "the uplink that carried it", required=True),
        _c("fcnt", pa.uint32(), "the uplink that carried it", required=True),
        _c("age_minutes", pa.int32(), "how much older than the uplink", required=True),
        _c("moisture_count", pa.int32(), "raw count"),
        _c("permittivity", pa.float64(), "relative, dimensionless"),
        _c("vwc_m3_m3", pa.float64(), "volumetric water content, m3/m3"),
        _c("soil_temperature_degc", pa.float64(), "degC"),
        _c("conductivity_ds_m", pa.float64(), "bulk electrical conductivity, dS/m"),
        _c("supply_v", pa.float64(), "supply voltage, V"),
        _c("firmware_major", pa.uint16(), ""),
        _c("firmware_minor", pa.uint16(), ""),
        _c("sample_counter", pa.int32(), "the probe's own count of measurements"),
        _c("tilted", pa.bool_(), "not upright"),
        _c("cold_start", pa.bool_(), "first measurement after a power-up"),
        _c("supply_low", pa.bool_(), "sagged during the measurement"),
        _c("best_rssi_dbm", pa.float64(), "highest over the receptions"),
        _c("best_snr_db", pa.float64(), "highest over the receptions"),
        _c("gateways", pa.uint16(), "gateways that heard the uplink", required=True),
        _c("conflicts", pa.uint16(), "other samples of the same instant with other figures", required=True),
        _c("range_flag", pa.uint8(), "QARTOD flag", required=True),
        _c("range_cause", pa.uint8(), "loamline_schemas.verdicts.RangeCause", required=True),
        _c("spike_flag", pa.uint8(), "QARTOD flag", required=True),
        _c("stuck_flag", pa.uint8(), "QARTOD flag", required=True),
        _c("frost_flag", pa.uint8(), "QARTOD flag", required=True),
        _c("verdict_flag", pa.uint8(), "the roll-up", required=True),
        _c("provenance_id", pa.int32(), "what made the figure", required=True),
        _c("vwc_uncertainty_m3_m3", pa.float64(), "standard uncertainty of vwc_m3_m3", since=2),
        _c("plant_available_fraction", pa.float64(), "0 at the wilting point, 1 at field capacity", since=2),
        _c("zone", pa.uint8(), "loamline_schemas.verdicts.Zone; null: not known", since=2),
        _c("supply_flag", pa.uint8(), "QARTOD flag", since=3),
        _c("contact_flag", pa.uint8(), "QARTOD flag", since=3),
        _c("fall_flag", pa.uint8(), "QARTOD flag", since=3),
    ),
)

STATUS = Table(
    "status",
    "One status message of one probe; derived from the raw log.",
    (
        _c("probe_id", pa.int32(), "probe_identity", required=True),
        _c("heard_at", INSTANT, "the uplink that carried it", required=True),
        _c("fcnt", pa.uint32(), "the uplink that carried it", required=True),
        _c("codec", pa.string(), "", required=True),
        _c("firmware_major", pa.uint16(), ""),
        _c("firmware_minor", pa.uint16(), ""),
        _c("reset_cause", pa.int32(), "code; the codec names it"),
        _c("supply_rest_v", pa.float64(), "V, at rest"),
        _c("supply_transmit_v", pa.float64(), "V, while transmitting"),
        _c("hours_since_power_up", pa.float64(), "h"),
        _c("transmissions", pa.float64(), "since power-up"),
    ),
)

REVISION = Table(
    "revision",
    "Recalculations of stored readings under a later registry state, each named, reasoned and reversible.",
    (
        _c("revision_id", pa.int32(), "", required=True, since=4),
        _c("reference_id", pa.int32(), "the registry state that it applies", required=True, since=4),
        _c("reason", pa.string(), "why, in the words of whoever asked", required=True, since=4),
        _c("asked_by", pa.string(), "who asked", required=True, since=4),
        _c("scope", pa.string(), "JSON: probes, sites, curve, since and until, as asked", required=True, since=4),
        _c("step", pa.string(), "preparing, applied, withdrawing or undone", required=True, since=4),
        _c("asked_at", INSTANT, "", required=True, since=4),
        _c("published_at", INSTANT, "when its readings became the ones to see", since=4),
        _c("undone_at", INSTANT, "when they ceased to be", since=4),
        _c("changed", pa.int64(), "readings that differ from those before", since=4),
    ),
    since=4,
)

REVISION_SPAN = Table(
    "revision_span",
    "Which part of whose history a revision covers, and how far it is with that.",
    (
        _c("revision_id", pa.int32(), "", required=True, since=4),
        _c("probe_id", pa.int32(), "probe_identity", required=True, since=4),
        _c("measured_from", INSTANT, "first reading covered", required=True, since=4),
        _c("measured_to", INSTANT, "last reading covered", required=True, since=4),
        _c("staged_seq", pa.int64(), "last raw-log row that its staged changes know of; null: none staged", since=4),
        _c("pending", pa.bool_(), "published, but not yet merged into reading", required=True, since=4),
    ),
    since=4,
)

READING_STAGED = Table(
    "reading_staged",
    "What a revision in preparation changes: readings to come, and the keys of those to go.",
    (
        _c("revision_id", pa.int32(), "", required=True, since=4),
        _c("gone", pa.bool_(), "true: the reading of this key goes; false: this one comes", required=True, since=4),
        *(replace(column, required=False, since=4) for column in READING.columns),
    ),
    since=4,
)

PROVENANCE = Table(
    "provenance",
    "What made a figure: codec, curves, limits and registry rows by name and content digest.",
    (
        _c("provenance_id", pa.int32(), "", required=True),
        _c("reference_id", pa.int32(), "the registry state", required=True),
        _c("codec", pa.string(), "", required=True),
        _c("codec_digest", pa.string(), "", required=True),
        _c("probe_digest", pa.string(), "null: not registered"),
        _c("placement_digest", pa.string(), "null: not placed then"),
        _c("transducer_curve", pa.string(), "null: none needed or none known"),
        _c("transducer_digest", pa.string(), ""),
        _c("soil_curve", pa.string(), "null: none known"),
        _c("soil_digest", pa.string(), ""),
        _c("limits_digest", pa.string(), "", required=True),
        _c("soil_layer_digest", pa.string(), "null: the placement's texture alone", since=2),
        _c("crop_digest", pa.string(), "null: no crop told", since=2),
        _c("rules", pa.int32(), "version of the chain's own rules; null: 1", since=4),
    ),
)

REFERENCE = Table(
    "reference",
    "States of the registry, in the order in which we were told.",
    (
        _c("reference_id", pa.int32(), "", required=True),
        _c("recorded_at", INSTANT, "", required=True),
        _c("digest", pa.string(), "over every row in force", required=True),
        _c("note", pa.string(), "what was loaded", required=True),
    ),
)


def _span(since: int = 1) -> tuple[Column, ...]:
    return (
        _c("digest", pa.string(), "content digest of the row", required=True, since=since),
        _c("first_reference_id", pa.int32(), "the state that brought it", required=True, since=since),
        _c("last_reference_id", pa.int32(), "the last state that held it; null: still in force", since=since),
    )


SITE = Table(
    "site",
    "Places with probes.",
    (
        *_span(),
        _c("site", pa.string(), "", required=True),
        _c("customer", pa.string(), "", required=True),
        _c("latitude_deg", pa.float64(), "WGS 84", required=True),
        _c("longitude_deg", pa.float64(), "WGS 84", required=True),
        _c("time_zone", pa.string(), "IANA", required=True),
    ),
)

PROBE = Table(
    "probe",
    "Factory records.",
    (
        *_span(),
        _c("dev_eui", pa.string(), "", required=True),
        _c("serial", pa.string(), "", required=True),
        _c("hardware", pa.string(), "", required=True),
        _c("made_on", pa.date32(), "", required=True),
        _c("air_count", pa.float64(), "count in air at 20 degC"),
        _c("water_count", pa.float64(), "count in water at 20 degC"),
        _c("count_per_k", pa.float64(), "counts per kelvin"),
        _c("valid_from", INSTANT, "null: since ever", since=2),
    ),
)

PLACEMENT = Table(
    "placement",
    "Where each depth of a probe sat, in which soil, from when to when.",
    (
        *_span(),
        _c("dev_eui", pa.string(), "", required=True),
        _c("depth_index", pa.uint8(), "", required=True),
        _c("site", pa.string(), "", required=True),
        _c("label", pa.string(), "", required=True),
        _c("depth_cm", pa.float64(), "cm below the surface", required=True),
        _c("texture", pa.string(), "USDA class", required=True),
        _c("valid_from", INSTANT, "", required=True),
        _c("valid_to", INSTANT, "end excluded; null: open"),
        _c("curve", pa.string(), "soil curve that beats the texture's"),
        _c("deficit_below", pa.float64(), "m3/m3"),
        _c("excess_above", pa.float64(), "m3/m3"),
    ),
)

SOIL = Table(
    "soil",
    "Layers of the sites' soils, from when to when.",
    (
        *_span(2),
        _c("site", pa.string(), "", required=True, since=2),
        _c("definition", pa.string(), "canonical JSON of loamline_schemas.registry.SoilRow", required=True, since=2),
    ),
    since=2,
)

CROP = Table(
    "crop",
    "What grew at the sites, from when to when.",
    (
        *_span(2),
        _c("site", pa.string(), "", required=True, since=2),
        _c("definition", pa.string(), "canonical JSON of loamline_schemas.registry.CropRow", required=True, since=2),
    ),
    since=2,
)

CURVE = Table(
    "curve",
    "Calibration curves.",
    (
        *_span(),
        _c("id", pa.string(), "", required=True),
        _c("definition", pa.string(), "canonical JSON of loamline_schemas.curves.Curve", required=True),
    ),
)

LIMITS = Table(
    "limits",
    "Thresholds of the checks, one row a layer.",
    (
        *_span(),
        _c("layer", pa.string(), "limits, texture, site or probe", required=True),
        _c("name", pa.string(), "the texture, site or dev_eui; empty for the first layer", required=True),
        _c("definition", pa.string(), "canonical JSON of the layer", required=True),
    ),
)

TABLES = (
    PROBE_IDENTITY,
    UPLINK,
    SET_ASIDE,
    REJECTED_MESSAGE,
    READING,
    STATUS,
    PROVENANCE,
    REFERENCE,
    SITE,
    PROBE,
    PLACEMENT,
    CURVE,
    LIMITS,
    SOIL,
    CROP,
    REVISION,
    REVISION_SPAN,
    READING_STAGED,
)

#: The registry's tables, whose rows are in force from one registry state to another.
REGISTRY_TABLES = (SITE, PROBE, PLACEMENT, CURVE, LIMITS, SOIL, CROP)
