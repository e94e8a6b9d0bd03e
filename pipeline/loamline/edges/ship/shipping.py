"""Shipping: closed months of the raw log, sealed into segments by month and bucket, with the registry beside them.

A row goes into one segment, ever: of each month the manifest remembers the last row that was sealed, so that what comes
late for it goes into a further segment. Nothing leaves the store; `loamline archive` is what makes it smaller.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.edges.ship.depot import Depot, DepotError, Manifest, Segment
from loamline.edges.store.archive_files import bounds
from loamline.edges.store.connection import Store
from loamline_schemas.registry_tables import CROP, CURVE, LIMITS, PLACEMENT, PROBE, REFERENCE, SITE, SOIL
from loamline_schemas.tables import PROBE_IDENTITY, REVISION, REVISION_SPAN

#: What a chain needs to know beside the raw log.
REGISTRY_TABLES = (
    PROBE_IDENTITY, REFERENCE, SITE, PROBE, PLACEMENT, CURVE, LIMITS, SOIL, CROP, REVISION, REVISION_SPAN
)  # fmt: skip
_OF_MONTH = "heard_at >= ? AND heard_at < ? AND seq > ?"


@dataclass(frozen=True)
class Shipped:
    """What one run shipped."""

    segments: int
    rows: int
    size_bytes: int
    months: tuple[str, ...]


def bucket_of(dev_eui: str, buckets: int) -> int:
    """Return the bucket of a probe: by its own name, so that every ingester and every machine says the same."""
    return int.from_bytes(hashlib.sha256(dev_eui.encode()).digest()[:8], "big") % buckets


def shipping(
    store: Store, depot: Depot, before: datetime, buckets: int
) -> Generator[tuple[str, int, int], None, Shipped]:
    """Ship what is not shipped yet of the months that end by `before`; yield how far it is.

    Raises DepotError, and then the manifest tells of what was there before, which the same call goes on from.
    """
    manifest = depot.manifest() or Manifest(buckets)
    if manifest.buckets != buckets:
        raise DepotError(
            f"expected {manifest.buckets} buckets, as {depot.path} was begun with, got {buckets}: a probe has to stay "
            "in its bucket; leave the option out, or name another place"
        )
    names = {
        int(number): str(name)
        for number, name in store.con.execute("SELECT probe_id, dev_eui FROM probe_identity").fetchall()
    }
    bucket = {number: bucket_of(name, buckets) for number, name in names.items()}
    months = _months(store, before)
    last_seq = store.last_seq()
    manifest = replace(manifest, registry=_ship_registry(store, depot))
    shipped: list[Segment] = []
    for index, month in enumerate(months):
        yield "shipping", index, len(months)
        for number in range(buckets):
            probes = sorted(probe for probe, its in bucket.items() if its == number)
            segment = _seal(store, depot, month, number, probes, names, manifest.sealed.get(month, 0))
            if segment is not None:
                shipped.append(segment)
                yield "shipping", index, len(months)
        # With every month the manifest tells of what is whole by then.
        manifest = replace(
            manifest,
            sealed={**manifest.sealed, month: last_seq},
            segments=(*manifest.segments, *(one for one in shipped if one.month == month)),
        )
        depot.write_manifest(manifest)
    depot.write_manifest(manifest)
    yield "shipping", len(months), len(months)
    told = tuple(sorted({segment.month for segment in shipped}))
    return Shipped(len(shipped), sum(one.rows for one in shipped), sum(one.size_bytes for one in shipped), told)


def _months(store: Store, before: datetime) -> list[str]:
    found = store.con.execute(
        "SELECT DISTINCT year(heard), month(heard) FROM "  # noqa: S608 - our own names
        f"(SELECT make_timestamp(epoch_us(heard_at)) AS heard FROM {store.raw_log()}) ORDER BY ALL"
    ).fetchall()
    months = [f"{year:04d}-{month:02d}" for year, month in found]
    return [month for month in months if bounds(month)[1] <= before]


def _ship_registry(store: Store, depot: Depot) -> str:
    tables = {
        table.name: store.con.sql(f'SELECT * FROM "{table.name}" ORDER BY ALL').to_arrow_table()  # noqa: S608
        for table in REGISTRY_TABLES
    }
    digest = hashlib.sha256("".join(f"{name}{rows.to_pylist()}" for name, rows in tables.items()).encode()).hexdigest()
    place = f"registry-{digest[:16]}"
    for name, rows in tables.items():
        if not depot.has(f"{place}/{name}.parquet"):
            depot.write_table(f"{place}/{name}.parquet", rows)
    return place


def _seal(
    store: Store, depot: Depot, month: str, bucket: int, probes: list[int], names: dict[int, str], after_seq: int
) -> Segment | None:
    """Write one segment; None where there is nothing to seal."""
    if not probes:
        return None
    store.con.register("_sealed", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    since, until = bounds(month)
    rows = store.con.sql(
        f"SELECT * FROM {store.raw_log(since, until, probes)} SEMI JOIN _sealed USING (probe_id) "  # noqa: S608
        f"WHERE {_OF_MONTH} ORDER BY probe_id, heard_at, seq",
        params=[since, until, after_seq],
    ).to_arrow_table()
    store.con.unregister("_sealed")
    if not rows.num_rows:
        return None
    seq = ints(whole(rows, "seq"))
    dev_eui = pa.array([names[number] for number in ints(whole(rows, "probe_id")).tolist()], pa.string())
    first, last = int(np.min(seq)), int(np.max(seq))
    path = f"segments/month={month}/bucket={bucket:03d}/{first}-{last}.parquet"
    size, digest = depot.write_table(path, rows.append_column("dev_eui", dev_eui))
    return Segment(path, month, bucket, rows.num_rows, first, last, size, digest)
