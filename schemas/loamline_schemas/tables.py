"""The store's tables, written once: Arrow schema, DDL and the note on every column come from here.

A column or table added later carries the number of the migration that brings it in `since`; the DDL
of that migration is generated from it (`loamline_schemas.migrations`). Nothing is ever renamed or dropped.

Times are UTC. Probes carry a small integer id, since a repeated 16-digit identifier would cost
more than the rest of a row. The big tables have no primary key: identity is kept by the writer.
"""

from __future__ import annotations

from dataclasses import replace

import pyarrow as pa

from loamline_schemas.columns import INSTANT, RECEPTION, Table, column
from loamline_schemas.feed_tables import FEED, FEED_DUE
from loamline_schemas.key_tables import API_KEY
from loamline_schemas.problem_tables import EVENT_OUTBOX, EVENT_RECEIVER, PROBLEM
from loamline_schemas.registry_tables import CROP, CURVE, LIMITS, PLACEMENT, PROBE, REFERENCE, SITE, SOIL

PROBE_IDENTITY = Table(
    "probe_identity",
    "Every probe that was ever heard or registered, and its small integer id.",
    (
        column("probe_id", pa.int32(), "assigned in order of first sight", required=True),
        column("dev_eui", pa.string(), "EUI-64, 16 upper-case hex digits", required=True),
    ),
)

UPLINK = Table(
    "uplink",
    "The raw log: one row a delivery, append only. Deliveries of one uplink are merged when derived.",
    (
        column("seq", pa.int64(), "order of storing; the watermark", required=True),
        column("probe_id", pa.int32(), "probe_identity", required=True),
        column("dev_addr", pa.uint32(), "LoRaWAN session address"),
        column("fcnt", pa.uint32(), "FCntUp as delivered", required=True),
        column("fport", pa.uint8(), "LoRaWAN FPort", required=True),
        column("payload", pa.binary(), "FRMPayload, decrypted", required=True),
        column("heard_at", INSTANT, "when it was heard", required=True),
        column("heard_at_source", pa.uint8(), "0 the network's clock, 1 the first gateway's, 2 ours", required=True),
        column("frequency_hz", pa.uint32(), "carrier"),
        column("spreading_factor", pa.uint8(), "LoRa spreading factor"),
        column("bandwidth_hz", pa.uint32(), "LoRa bandwidth"),
        column("coding_rate", pa.string(), "LoRa coding rate"),
        column("confirmed", pa.bool_(), "confirmed data up"),
        column("network", pa.string(), "which network delivered it"),
        column("receptions", pa.list_(RECEPTION), "one entry a gateway and antenna", required=True),
        column("digest", pa.uint64(), "of the whole delivery: equal means delivered again", required=True),
        column("reference_id", pa.int32(), "registry state in force when it came", required=True),
        column("stored_at", INSTANT, "our clock at commit", required=True),
    ),
)

SET_ASIDE = Table(
    "set_aside",
    "Deliveries that no codec could read, kept with reason and envelope; replay reads them again.",
    (
        column("seq", pa.int64(), "uplink.seq", required=True),
        column("probe_id", pa.int32(), "probe_identity", required=True),
        column("heard_at", INSTANT, "when it was heard", required=True),
        column("codec", pa.string(), "the codec that refused it; null where none matched"),
        column("reason", pa.string(), "one word: port, version, length, layout", required=True),
        column("detail", pa.string(), "the sentence: expected, got, where", required=True),
        column("envelope", pa.binary(), "the message as it came"),
    ),
)

REJECTED_MESSAGE = Table(
    "rejected_message",
    "Messages that are no uplink at all, kept whole.",
    (
        column("stored_at", INSTANT, "our clock", required=True),
        column("source", pa.string(), "topic, or file and line", required=True),
        column("detail", pa.string(), "the sentence: expected, got, where", required=True),
        column("content", pa.binary(), "the message as it came", required=True),
        column("digest", pa.uint64(), "of the content", required=True),
        column("kind", pa.string(), "the envelope that it was read as; null: canonical", since=6),
    ),
)

REJECTED_EVER = Table(
    "rejected_ever",
    "One row: how many messages that are no uplink were ever kept, those that were read after all included.",
    (column("kept", pa.int64(), "only grows; the watermark", required=True, since=9),),
    since=9,
)

READING = Table(
    "reading",
    "One sample of one depth after calibration and checks; derived from the raw log.",
    (
        column("probe_id", pa.int32(), "probe_identity", required=True),
        column("depth_index", pa.uint8(), "0 the shallowest", required=True),
        column("measured_at", INSTANT, "heard_at less the sample's age", required=True),
        column("heard_at", INSTANT, "the uplink that carried it", required=True),
        column("fcnt", pa.uint32(), "the uplink that carried it", required=True),
        column("age_minutes", pa.int32(), "how much older than the uplink", required=True),
        column("moisture_count", pa.int32(), "raw count"),
        column("permittivity", pa.float64(), "relative, dimensionless"),
        column("vwc_m3_m3", pa.float64(), "volumetric water content, m3/m3"),
        column("soil_temperature_degc", pa.float64(), "degC"),
        column("conductivity_ds_m", pa.float64(), "bulk electrical conductivity, dS/m"),
        column("supply_v", pa.float64(), "supply voltage, V"),
        column("firmware_major", pa.uint16(), ""),
        column("firmware_minor", pa.uint16(), ""),
        column("sample_counter", pa.int32(), "the probe's own count of measurements"),
        column("tilted", pa.bool_(), "not upright"),
        column("cold_start", pa.bool_(), "first measurement after a power-up"),
        column("supply_low", pa.bool_(), "sagged during the measurement"),
        column("best_rssi_dbm", pa.float64(), "highest over the receptions"),
        column("best_snr_db", pa.float64(), "highest over the receptions"),
        column("gateways", pa.uint16(), "gateways that heard the uplink", required=True),
        column("conflicts", pa.uint16(), "other samples of the same instant with other figures", required=True),
        column("range_flag", pa.uint8(), "QARTOD flag", required=True),
        column("range_cause", pa.uint8(), "loamline_schemas.verdicts.RangeCause", required=True),
        column("spike_flag", pa.uint8(), "QARTOD flag", required=True),
        column("stuck_flag", pa.uint8(), "QARTOD flag", required=True),
        column("frost_flag", pa.uint8(), "QARTOD flag", required=True),
        column("verdict_flag", pa.uint8(), "the roll-up", required=True),
        column("provenance_id", pa.int32(), "what made the figure", required=True),
        column("vwc_uncertainty_m3_m3", pa.float64(), "standard uncertainty of vwc_m3_m3", since=2),
        column("plant_available_fraction", pa.float64(), "0 at the wilting point, 1 at field capacity", since=2),
        column("zone", pa.uint8(), "loamline_schemas.verdicts.Zone; null: not known", since=2),
        column("supply_flag", pa.uint8(), "QARTOD flag", since=3),
        column("contact_flag", pa.uint8(), "QARTOD flag", since=3),
        column("fall_flag", pa.uint8(), "QARTOD flag", since=3),
    ),
)

STATUS = Table(
    "status",
    "One status message of one probe; derived from the raw log.",
    (
        column("probe_id", pa.int32(), "probe_identity", required=True),
        column("heard_at", INSTANT, "the uplink that carried it", required=True),
        column("fcnt", pa.uint32(), "the uplink that carried it", required=True),
        column("codec", pa.string(), "", required=True),
        column("firmware_major", pa.uint16(), ""),
        column("firmware_minor", pa.uint16(), ""),
        column("reset_cause", pa.int32(), "code; the codec names it"),
        column("supply_rest_v", pa.float64(), "V, at rest"),
        column("supply_transmit_v", pa.float64(), "V, while transmitting"),
        column("hours_since_power_up", pa.float64(), "h"),
        column("transmissions", pa.float64(), "since power-up"),
    ),
)

REVISION = Table(
    "revision",
    "Recalculations of stored readings under a later registry state, each named, reasoned and reversible.",
    (
        column("revision_id", pa.int32(), "", required=True, since=4),
        column("reference_id", pa.int32(), "the registry state that it applies", required=True, since=4),
        column("reason", pa.string(), "why, in the words of whoever asked", required=True, since=4),
        column("asked_by", pa.string(), "who asked", required=True, since=4),
        column("scope", pa.string(), "JSON: probes, sites, curve, since and until, as asked", required=True, since=4),
        column("step", pa.string(), "preparing, applied, withdrawing or undone", required=True, since=4),
        column("asked_at", INSTANT, "", required=True, since=4),
        column("published_at", INSTANT, "when its readings became the ones to see", since=4),
        column("undone_at", INSTANT, "when they ceased to be", since=4),
        column("changed", pa.int64(), "readings that differ from those before", since=4),
    ),
    since=4,
)

REVISION_SPAN = Table(
    "revision_span",
    "Which part of whose history a revision covers, and how far it is with that.",
    (
        column("revision_id", pa.int32(), "", required=True, since=4),
        column("probe_id", pa.int32(), "probe_identity", required=True, since=4),
        column("measured_from", INSTANT, "first reading covered", required=True, since=4),
        column("measured_to", INSTANT, "last reading covered", required=True, since=4),
        column(
            "staged_seq", pa.int64(), "last raw-log row that its staged changes know of; null: none staged", since=4
        ),
        column("pending", pa.bool_(), "published, but not yet merged into reading", required=True, since=4),
    ),
    since=4,
)

READING_STAGED = Table(
    "reading_staged",
    "What a revision in preparation changes: readings to come, and the keys of those to go.",
    (
        column("revision_id", pa.int32(), "", required=True, since=4),
        column("gone", pa.bool_(), "true: the reading of this key goes; false: this one comes", required=True, since=4),
        *(replace(column, required=False, since=4) for column in READING.columns),
    ),
    since=4,
)

ARCHIVED = Table(
    "archived",
    "Closed months of the raw log that stand in Parquet files: one row a file.",
    (
        column("month", pa.string(), "YYYY-MM, UTC, of heard_at", required=True, since=5),
        column("bucket", pa.int32(), "probe_id modulo the number of buckets", required=True, since=5),
        column("path", pa.string(), "relative to the store's folder where it lies in it", required=True, since=5),
        column("size_bytes", pa.int64(), "", required=True, since=5),
        column("rows", pa.int64(), "", required=True, since=5),
        column("first_seq", pa.int64(), "", required=True, since=5),
        column("last_seq", pa.int64(), "", required=True, since=5),
        column("first_heard_at", INSTANT, "", required=True, since=5),
        column("last_heard_at", INSTANT, "", required=True, since=5),
        column("sha256", pa.string(), "of the file, hex", required=True, since=5),
        column("content", pa.string(), "digest of the rows, whatever their order and encoding", required=True, since=5),
        column("archived_at", INSTANT, "our clock", required=True, since=5),
    ),
    since=5,
)

PROVENANCE = Table(
    "provenance",
    "What made a figure: codec, curves, limits and registry rows by name and content digest.",
    (
        column("provenance_id", pa.int32(), "", required=True),
        column("reference_id", pa.int32(), "the registry state", required=True),
        column("codec", pa.string(), "", required=True),
        column("codec_digest", pa.string(), "", required=True),
        column("probe_digest", pa.string(), "null: not registered"),
        column("placement_digest", pa.string(), "null: not placed then"),
        column("transducer_curve", pa.string(), "null: none needed or none known"),
        column("transducer_digest", pa.string(), ""),
        column("soil_curve", pa.string(), "null: none known"),
        column("soil_digest", pa.string(), ""),
        column("limits_digest", pa.string(), "", required=True),
        column("soil_layer_digest", pa.string(), "null: the placement's texture alone", since=2),
        column("crop_digest", pa.string(), "null: no crop told", since=2),
        column("rules", pa.int32(), "version of the chain's own rules; null: 1", since=4),
    ),
)

TABLES = (
    PROBE_IDENTITY,
    UPLINK,
    SET_ASIDE,
    REJECTED_MESSAGE,
    REJECTED_EVER,
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
    ARCHIVED,
    API_KEY,
    PROBLEM,
    EVENT_OUTBOX,
    EVENT_RECEIVER,
    FEED,
    FEED_DUE,
)
