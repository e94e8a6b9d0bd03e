"""What the API tells of the registry in force: sites, probes, placements, curves, of everybody or one customer."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from loamline.edges.store.api_pages import Listing, Term
from loamline.edges.store.placements import PLACED
from loamline.edges.store.readings import ExportColumn
from loamline_schemas.columns import INSTANT

_c = ExportColumn
_TEXT, _REAL = pa.string(), pa.float64()

_OWN_SITES = "(SELECT site FROM site WHERE last_reference_id IS NULL AND customer = $customer)"
#: The same of one customer's sites, those that held for any time at all.
OWN_PLACED = f"(SELECT * FROM {PLACED} WHERE valid_end > valid_from AND site IN {_OWN_SITES})"  # noqa: S608 - our own names


def _of(customer: str | None, sql: str) -> list[Term]:
    return [] if customer is None else [Term(sql, {"customer": customer})]


SITES = Listing(
    (
        _c("site", "s.site", _TEXT, "", "place"),
        _c("customer", "s.customer", _TEXT, "", "whose it is"),
        _c("latitude_deg", "s.latitude_deg", _REAL, "deg", "WGS 84"),
        _c("longitude_deg", "s.longitude_deg", _REAL, "deg", "WGS 84"),
        _c("time_zone", "s.time_zone", _TEXT, "", "IANA time zone"),
    ),
    "FROM (SELECT * FROM site WHERE last_reference_id IS NULL) s",
    ("site",),
)


def own_sites(customer: str | None) -> list[Term]:
    """Return what limits SITES to a customer's."""
    return _of(customer, "s.customer = $customer")


PROBES = Listing(
    (
        _c("dev_eui", "i.dev_eui", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
        _c("serial", "b.serial", _TEXT, "", "serial number in the registry; null where the probe is in none"),
        _c("hardware", "b.hardware", _TEXT, "", "make of the hardware"),
        _c("made_on", "b.made_on", pa.date32(), "", "day of the factory record"),
    ),
    """FROM probe_identity i LEFT JOIN (
        SELECT dev_eui, serial, hardware, made_on FROM probe WHERE last_reference_id IS NULL
        QUALIFY row_number() OVER (PARTITION BY dev_eui ORDER BY valid_from DESC NULLS LAST, digest) = 1
    ) b ON b.dev_eui = i.dev_eui""",
    ("dev_eui",),
)


def own_probes(customer: str | None) -> list[Term]:
    """Return what limits PROBES to those that are, were or will be placed at a customer's sites."""
    return _of(customer, f"i.dev_eui IN (SELECT dev_eui FROM {OWN_PLACED})")  # noqa: S608 - our own names


PLACEMENTS = Listing(
    (
        _c("dev_eui", "l.dev_eui", _TEXT, "", "EUI-64 of the probe, 16 hex digits"),
        _c("depth_index", "l.depth_index", pa.uint8(), "1", "which of the probe's depths, 0 the shallowest"),
        _c("site", "l.site", _TEXT, "", "place"),
        _c("label", "l.label", _TEXT, "", "where on the site"),
        _c("depth_cm", "l.depth_cm", _REAL, "cm", "depth below the surface"),
        _c("texture", "l.texture", _TEXT, "", "USDA texture class of the soil there"),
        _c("valid_from", "l.valid_from", INSTANT, "", "since when it sat there, UTC"),
        _c("valid_to", "nullif(l.valid_end, 'infinity')", INSTANT, "", "until when, UTC, end excluded; null: still"),
        _c("curve", "l.curve", _TEXT, "", "id of a soil curve that beats the texture's own"),
        _c("deficit_below", "l.deficit_below", _REAL, "m3/m3", "too dry below; null: by soil and crop"),
        _c("excess_above", "l.excess_above", _REAL, "m3/m3", "too wet above; null: by soil and crop"),
    ),
    f"FROM (SELECT * FROM {PLACED} WHERE valid_end > valid_from) l",  # noqa: S608 - our own names
    ("dev_eui", "depth_index", "epoch_us(valid_from)"),
)


def own_placements(customer: str | None) -> list[Term]:
    """Return what limits PLACEMENTS to a customer's sites."""
    return _of(customer, f"l.site IN {_OWN_SITES}")


def _defined(name: str, kind: str) -> str:
    return f"TRY_CAST(json_extract_string(c.definition, '$.{name}') AS {kind})"


CURVES = Listing(
    (
        _c("id", "c.id", _TEXT, "", "what placements and readings call it"),
        _c("digest", "c.digest", _TEXT, "", "content digest, which a reading's provenance names"),
        _c("step", _defined("step", "VARCHAR"), _TEXT, "", "transducer (count to permittivity) or soil (to water)"),
        _c("kind", _defined("kind", "VARCHAR"), _TEXT, "", "which formula"),
        _c("applies_to", f"coalesce({_defined('for', 'VARCHAR')}, {_defined('applies_to', 'VARCHAR')}, '*')", _TEXT, "",
           "hardware name or texture class; * any"),
        _c("valid_from", _defined("valid_from", "TIMESTAMPTZ"), INSTANT, "", "since when it holds, UTC"),
        _c("standard_error", _defined("standard_error", "DOUBLE"), _REAL, "", "in the unit of the output"),
        _c("source", _defined("source", "VARCHAR"), _TEXT, "", "where it comes from"),
        _c("definition", "c.definition", _TEXT, "", "all of it as canonical JSON: parameters and domain too"),
    ),
    "FROM (SELECT DISTINCT id, digest, definition FROM curve WHERE last_reference_id IS NULL) c",
    ("id", "digest"),
)  # fmt: skip


def own_curves(customer: str | None) -> list[Term]:
    """Return what limits CURVES to those that made a figure at a customer's sites."""
    made = f"""
        SELECT unnest([transducer_digest, soil_digest]) FROM provenance
        WHERE placement_digest IN (SELECT digest FROM placement WHERE site IN {_OWN_SITES})
    """  # noqa: S608 - our own names
    return _of(customer, f"c.digest IN (SELECT * FROM ({made}) t(digest) WHERE digest IS NOT NULL)")  # noqa: S608


REVISIONS = Listing(
    (
        _c("revision_id", "v.revision_id", pa.int32(), "1", "number"),
        _c("step", "v.step", _TEXT, "", "preparing, applied, withdrawing or undone"),
        _c("reason", "v.reason", _TEXT, "", "why figures changed, in words"),
        _c("asked_at", "v.asked_at", INSTANT, "", "UTC"),
        _c("published_at", "v.published_at", INSTANT, "", "when its readings became the ones to see, UTC"),
        _c("undone_at", "v.undone_at", INSTANT, "", "when they ceased to be, UTC"),
        _c("measured_from", "v.measured_from", INSTANT, "", "first reading covered, UTC"),
        _c("measured_to", "v.measured_to", INSTANT, "", "last reading covered, UTC"),
        _c("probes", "v.probes", pa.int64(), "1", "how many probes it covers of those that may be seen"),
        _c("asked_by", "v.asked_by", _TEXT, "", "who asked; null for a customer's key"),
        _c("changed", "v.changed", pa.int64(), "1", "readings that changed; null for a customer's key"),
    ),
    "FROM {revisions} v",
    ("revision_id",),
)


def revisions_of(customer: str | None) -> tuple[Listing, list[Term]]:
    """Return the listing of revisions: a customer's tells of published ones that cover readings of its sites."""
    if customer is None:
        found = """(
            SELECT r.*, s.measured_from, s.measured_to, coalesce(s.probes, 0) AS probes FROM revision r LEFT JOIN (
                SELECT revision_id, min(measured_from) AS measured_from, max(measured_to) AS measured_to,
                       count(DISTINCT probe_id) AS probes FROM revision_span GROUP BY revision_id
            ) s USING (revision_id)
        )"""
        return Listing(REVISIONS.columns, REVISIONS.source.format(revisions=found), REVISIONS.keys), []
    found = f"""(
        SELECT r.* REPLACE (NULL::VARCHAR AS asked_by, NULL::BIGINT AS changed),
               min(greatest(s.measured_from, o.valid_from)) AS measured_from,
               max(least(s.measured_to, o.valid_end)) AS measured_to, count(DISTINCT s.probe_id) AS probes
        FROM revision r JOIN revision_span s USING (revision_id) JOIN probe_identity i USING (probe_id)
        JOIN {OWN_PLACED} o ON o.dev_eui = i.dev_eui
             AND s.measured_to >= o.valid_from AND s.measured_from < o.valid_end
        WHERE r.published_at IS NOT NULL GROUP BY ALL
    )"""  # noqa: S608 - our own names
    told = Listing(REVISIONS.columns, REVISIONS.source.format(revisions=found), REVISIONS.keys)
    return told, [Term("true", customer_parameter(customer))]


def customer_parameter(customer: str | None) -> dict[str, Any]:
    """Return the parameter that OWN_PLACED needs."""
    return {} if customer is None else {"customer": customer}
