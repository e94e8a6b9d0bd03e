"""What a replay changes beside readings: uplinks set aside that a codec reads by now, or no more, and statuses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pyarrow as pa

from loamline.core.columns import ints, whole
from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import insert, probe_ids, registry
from loamline.edges.store.sql_lists import listed
from loamline_codecs import CodecSet
from loamline_schemas.tables import SET_ASIDE, STATUS

#: Probes that a condition names one by one; beyond it is about all.
_MOST_NAMED = 10_000


@dataclass
class Settled:
    """What changes for one probe: raw-log rows (`seq`) no longer set aside, rows of SET_ASIDE and STATUS to be."""

    read: list[int] = field(default_factory=list)
    refused: list[dict[str, object]] = field(default_factory=list)
    statuses: pa.Table | None = None


def write_settled(store: Store, settled: Mapping[int, Settled]) -> None:
    """Write what changes for these probes. Runs in the caller's transaction."""
    store.changes += 1
    refused = [row for told in settled.values() for row in told.refused]
    again = [*(seq for told in settled.values() for seq in told.read), *(row["seq"] for row in refused)]
    if again:
        store.con.register("_again", pa.table({"seq": pa.array(again, pa.int64())}))
        store.con.execute("DELETE FROM set_aside WHERE seq IN (SELECT seq FROM _again)")
        store.con.unregister("_again")
        insert(store, SET_ASIDE, pa.Table.from_pylist(refused, schema=SET_ASIDE.schema))
    statuses = {probe_id: told.statuses for probe_id, told in settled.items() if told.statuses is not None}
    if statuses:
        store.con.register("_told_again", pa.table({"probe_id": pa.array(list(statuses), pa.int32())}))
        store.con.execute("DELETE FROM status WHERE probe_id IN (SELECT probe_id FROM _told_again)")
        store.con.unregister("_told_again")
        insert(store, STATUS, pa.concat_tables(statuses.values()))


def settle(store: Store, probes: Sequence[int], deliveries: pa.Table, derived: Derived) -> dict[int, Settled]:
    """Return what changes for each of `probes`, those without a change left out. Reads only.

    `deliveries` is their whole raw log and `derived` what it says.
    """
    found: dict[int, Settled] = {}
    _settle_set_aside(store, probes, deliveries, derived, found)
    _settle_statuses(store, probes, derived.statuses, found)
    return found


def restated(
    store: Store, codecs: CodecSet, known: Registry, probes: Sequence[int] | None = None
) -> list[tuple[int, datetime]]:
    """Return probe and instant of each status of some probes, or of all, that these codecs read otherwise. Reads only.

    What a status says is compared, since its codec's digest is not kept.
    """
    if probes is None:
        found = store.con.execute("SELECT DISTINCT probe_id FROM status ORDER BY probe_id").fetchall()
        probes = [int(number) for (number,) in found]
    fports = sorted({codec.match.fport for codec in codecs.codecs if codec.message == "status"})
    con = store.con
    con.register("_probes", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    con.register("_fports", pa.table({"fport": pa.array(fports, pa.uint8())}))
    deliveries = con.sql(
        f"SELECT log.* FROM {store.raw_log(probes=probes)} log SEMI JOIN _probes USING (probe_id) "  # noqa: S608
        "SEMI JOIN _fports USING (fport)"
    ).to_arrow_table()
    con.register("_told", derive(deliveries, codecs, known).statuses)
    held = "SELECT status.* FROM status SEMI JOIN _probes USING (probe_id)"
    apart = con.execute(
        "SELECT DISTINCT probe_id, heard_at, fcnt FROM "  # noqa: S608 - our own names
        f"((({held}) EXCEPT FROM _told) UNION ALL (FROM _told EXCEPT ({held})))"
    ).fetchall()
    for name in ("_probes", "_fports", "_told"):
        con.unregister(name)
    return [(int(number), at) for number, at, _ in apart]


def resettled(store: Store, codecs: CodecSet) -> str:
    """Return the condition on `probe_id` under which a probe that is staged may have something to settle."""
    begun = "SELECT revision_id FROM revision WHERE step IN ('preparing', 'withdrawing')"
    if not store.scalar(
        f"SELECT count(*) FROM revision_span WHERE staged_seq IS NOT NULL AND revision_id IN ({begun})"  # noqa: S608
    ):
        return "false"
    rows = store.con.execute("SELECT DISTINCT codec, codec_digest FROM provenance").fetchall()
    if not set(rows) <= {(codec.name, codec.digest) for codec in codecs.codecs}:
        return "true"
    again = {number for number, _ in restated(store, codecs, registry(store, probe_ids(store)))}
    if len(again) > _MOST_NAMED:
        return "true"
    return f"(probe_id IN (SELECT probe_id FROM set_aside) OR probe_id IN ({listed(sorted(again))}))"  # noqa: S608 - our own numbers


def _settle_set_aside(
    store: Store, probes: Sequence[int], deliveries: pa.Table, derived: Derived, found: dict[int, Settled]
) -> None:
    store.con.register("_probes", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    rows = store.con.sql("SELECT * FROM set_aside JOIN _probes USING (probe_id)").to_arrow_table().to_pylist()
    store.con.unregister("_probes")
    held = {int(row["seq"]): row for row in rows}
    uplink_of = derived.uplinks.uplink_of
    refused = np.flatnonzero(np.isin(uplink_of, np.array(sorted(derived.refusals), dtype=np.int64)))
    seq, probe = ints(whole(deliveries, "seq")), ints(whole(deliveries, "probe_id"))
    for gone in sorted(set(held) - set(seq[refused].tolist())):
        found.setdefault(int(held[gone]["probe_id"]), Settled()).read.append(gone)
    heard_at = whole(deliveries, "heard_at")
    for at in refused.tolist():
        refusal = derived.refusals[int(uplink_of[at])]
        row = {
            "seq": int(seq[at]),
            "probe_id": int(probe[at]),
            "heard_at": heard_at[at].as_py(),
            "codec": refusal.codec,
            "reason": refusal.reason,
            "detail": refusal.detail,
            # The envelope of what could be read once was not kept.
            "envelope": held.get(int(seq[at]), {}).get("envelope"),
        }
        if held.get(int(seq[at])) != row:
            found.setdefault(int(probe[at]), Settled()).refused.append(row)


def _settle_statuses(store: Store, probes: Sequence[int], statuses: pa.Table, found: dict[int, Settled]) -> None:
    con = store.con
    con.register("_probes", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    con.register("_told", statuses)
    held = "SELECT status.* FROM status WHERE probe_id IN (SELECT probe_id FROM _probes)"
    apart = con.execute(
        f"SELECT DISTINCT probe_id FROM ((({held}) EXCEPT FROM _told) UNION ALL (FROM _told EXCEPT ({held})))"  # noqa: S608
    ).fetchall()
    con.unregister("_told")
    con.unregister("_probes")
    own = ints(whole(statuses, "probe_id"))
    for (number,) in apart:
        found.setdefault(int(number), Settled()).statuses = statuses.filter(pa.array(own == number))
