"""What a replay would change, computed chunk by chunk and compared with what stands. Writes nothing to the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.change_report import NONE, ChangeReport, Pairs, Place
from loamline.core.columns import floats as doubles
from loamline.core.columns import instants, ints, whole
from loamline.core.derive import derive
from loamline.core.provenance import Registry
from loamline.core.revisions import Revision, Revisions
from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import with_content
from loamline.edges.store.registry import probe_ids, registry
from loamline.edges.store.replay import deliveries_of, delivery_counts
from loamline.edges.store.revisions import CURRENT, revisions
from loamline.edges.store.stale import Plan, chunks
from loamline_codecs import CodecSet
from loamline_schemas.tables import PROVENANCE, READING

#: Deliveries that are derived in one go, unless a single probe has more.
BLOCK = 100_000

_KEY = ("probe_id", "depth_index", "measured_at")
#: What makes two readings differ: all that they say, and the content of what made them. The number of the registry
#: state is no content.
_COMPARED = (
    *(name for name in READING.names if name not in (*_KEY, "provenance_id")),
    *(name for name in PROVENANCE.names if name not in ("provenance_id", "reference_id")),
)
_DIFFERS = " OR ".join(f"b.{name} IS DISTINCT FROM a.{name}" for name in _COMPARED)
_BOTH = ", ".join(
    f"b.{name} AS {told}_before, a.{name} AS {told}_after"
    for name, told in (("vwc_m3_m3", "vwc_m3_m3"), ("verdict_flag", "verdict"), ("zone", "zone"))
)
_PAIRED = f"""
    WITH b AS (
        SELECT r.* EXCLUDE (provenance_id), p.* EXCLUDE (provenance_id, rules), coalesce(p.rules, 1) AS rules,
               true AS held
        FROM {CURRENT} r JOIN provenance p USING (provenance_id) WHERE probe_id IN (SELECT probe_id FROM _previewed)
    ), a AS (SELECT *, true AS comes FROM _after)
    SELECT probe_id, depth_index, measured_at, coalesce(a.placement_digest, b.placement_digest) AS placement_digest,
           {_BOTH}, (held IS NULL OR comes IS NULL OR {_DIFFERS}) AS changed
    FROM b FULL JOIN a USING ({", ".join(_KEY)})
"""  # noqa: S608 - our own names


@dataclass(frozen=True)
class Compared:
    """A chunk of whole probes: `done` of `total` probes are through with it.

    `rows`: one a reading, in order of probe, depth and instant: probe_id, depth_index, measured_at, place (a row of
    `places`), changed, and vwc_m3_m3, verdict and zone, each `_before` and `_after`; null on the side of one that comes
    or goes.
    """

    done: int
    total: int
    rows: pa.Table
    places: Sequence[Place]


class Preview:
    """The comparison of one plan; `report` is complete when `chunks` is read to its end."""

    def __init__(self, store: Store, codecs: CodecSet, plan: Plan, block: int = BLOCK) -> None:
        self._store, self._codecs, self._plan, self._block = store, codecs, plan, block
        self.report = ChangeReport()
        self._places, self._place_of = _places(store)

    def chunks(self) -> Iterator[Compared]:
        """Compare chunk by chunk; between two, the store may be used for other things."""
        known = registry(self._store, probe_ids(self._store), self._revised())
        spans = sorted(self._plan.spans)
        done = 0
        for chunk in chunks(delivery_counts(self._store, spans), self._block):
            rows = self._compare(chunk, known)
            self.report.add(_pairs(rows.filter(rows.column("changed")), self._places))
            done += len(chunk)
            yield Compared(done, len(spans), rows, self._places)

    def _revised(self) -> Revisions:
        """Return the revisions in force and the one that the plan would make."""
        spans = [self._plan.spans[number] for number in sorted(self._plan.spans)]
        hypothetical = Revision(
            self._plan.reference_id,
            np.array([span.probe_id for span in spans], dtype=np.int64),
            np.array([span.measured_from_us for span in spans], dtype=np.int64),
            np.array([span.measured_to_us for span in spans], dtype=np.int64),
        )
        return Revisions((*revisions(self._store).applied, hypothetical))

    def _compare(self, probes: Sequence[int], known: Registry) -> pa.Table:
        con = self._store.con
        after = with_content(derive(deliveries_of(self._store, probes), self._codecs, known))
        con.register("_after", after)
        con.register("_previewed", pa.table({"probe_id": pa.array(probes, pa.int32())}))
        rows = con.sql(_PAIRED).to_arrow_table()
        con.unregister("_after")
        con.unregister("_previewed")
        rows = rows.sort_by([(name, "ascending") for name in _KEY])
        place = [self._place_of.get(digest, 0) for digest in rows.column("placement_digest").to_pylist()]
        return rows.drop_columns(["placement_digest"]).append_column("place", pa.array(place, pa.int64()))


def _places(store: Store) -> tuple[list[Place], dict[Any, int]]:
    """Return the places of all placements, the first of them none, and the place of each placement's digest."""
    places = {Place(None, None, None): 0}
    found = {}
    query = "SELECT DISTINCT digest, site, depth_cm, texture FROM placement ORDER BY ALL"
    for digest, *told in store.con.execute(query).fetchall():
        found[digest] = places.setdefault(Place(*told), len(places))
    return list(places), found


def _pairs(rows: pa.Table, places: Sequence[Place]) -> Pairs:
    return Pairs(
        places=places,
        place=ints(whole(rows, "place")),
        measured_at_us=instants(whole(rows, "measured_at")),
        vwc_before=doubles(whole(rows, "vwc_m3_m3_before")),
        vwc_after=doubles(whole(rows, "vwc_m3_m3_after")),
        verdict_before=ints(whole(rows, "verdict_before"), missing=NONE),
        verdict_after=ints(whole(rows, "verdict_after"), missing=NONE),
        zone_before=ints(whole(rows, "zone_before"), missing=NONE),
        zone_after=ints(whole(rows, "zone_after"), missing=NONE),
    )
