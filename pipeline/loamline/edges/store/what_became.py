"""What became of new raw-log rows, once they are derived: accepted, a copy of what was known, or set aside."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, ints, whole
from loamline.core.derive import Derived
from loamline.edges.messages import Fate
from loamline_schemas.tables import SET_ASIDE


def tell_fates(fates: list[Fate], derived: Derived, deliveries: pa.Table, fresh: Bools, first_seq: int) -> None:
    """Note what became of each new uplink, by its row's number after `first_seq`; every other row is a copy of one.

    `fresh` tells which of n deliveries are new, shape (n,). An uplink is new if every delivery of it is.
    """
    seq, uplink_of = ints(whole(deliveries, "seq")), derived.uplinks.uplink_of
    known = np.zeros(len(derived.uplinks.first), dtype=bool)
    known[uplink_of[~fresh]] = True
    told = np.flatnonzero(fresh)
    told = told[np.argsort(seq[told])]
    uplinks, firsts = np.unique(uplink_of[told], return_index=True)
    for uplink, row in zip(uplinks.tolist(), told[firsts].tolist(), strict=True):
        if not known[uplink]:
            fates[int(seq[row]) - first_seq] = "set_aside" if uplink in derived.refusals else "accepted"


def refused_rows(
    envelopes: Sequence[bytes], derived: Derived, deliveries: pa.Table, fresh: Bools, first_seq: int
) -> pa.Table:
    """Return the rows of SET_ASIDE for new deliveries that no codec reads, in order of `seq`.

    `envelopes` are those of the new rows, by their number after `first_seq`.
    """
    if not derived.refusals:
        return SET_ASIDE.schema.empty_table()
    seq, uplink_of = ints(whole(deliveries, "seq")), derived.uplinks.uplink_of
    refused = np.array(sorted(derived.refusals), dtype=np.int64)
    rows = np.flatnonzero(fresh & np.isin(uplink_of, refused))
    probe, heard = whole(deliveries, "probe_id"), whole(deliveries, "heard_at")
    told = []
    for row in rows[np.argsort(seq[rows])].tolist():
        refusal = derived.refusals[int(uplink_of[row])]
        told.append(
            {
                "seq": int(seq[row]),
                "probe_id": probe[row],
                "heard_at": heard[row],
                "codec": refusal.codec,
                "reason": refusal.reason,
                "detail": refusal.detail,
                "envelope": envelopes[int(seq[row]) - first_seq],
            }
        )
    return pa.Table.from_pylist(told, schema=SET_ASIDE.schema)
