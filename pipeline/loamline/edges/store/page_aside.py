"""What was kept without being read, a page at a time, the newest first: of everybody, or a customer's own uplinks."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from loamline.edges.store.api_registry import OWN_PLACED, customer_parameter
from loamline.edges.store.connection import Store
from loamline.edges.store.kept import Kept
from loamline.edges.store.rejected import FIRST_KIND

_OWN = f"""EXISTS (
    SELECT 1 FROM {OWN_PLACED} o WHERE o.dev_eui = i.dev_eui AND s.heard_at >= o.valid_from AND s.heard_at < o.valid_end
)"""  # noqa: S608 - our own names


def count_kept(store: Store, customer: str | None) -> int:
    """Return how many deliveries and messages there are."""
    return int(store.scalar(f"SELECT count(*) FROM ({_kept(customer)})", customer_parameter(customer)))  # noqa: S608


def kept_page(store: Store, customer: str | None, limit: int, start: int) -> list[Kept]:
    """Return `limit` of the deliveries and messages from number `start` on, the newest first.

    Deliveries of one uplink among them are told as one.
    """
    rows = store.con.execute(
        f"SELECT * FROM ({_kept(customer)}) ORDER BY kept_at DESC, seq DESC, content "  # noqa: S608 - our own names
        f"LIMIT {int(limit)} OFFSET {int(start)}",
        customer_parameter(customer),
    ).fetchall()
    uplinks = _uplinks(store, {seq: at for at, seq, *_ in rows if seq is not None})
    told: dict[tuple[Any, ...], Kept] = {}
    for at, seq, dev_eui, codec, reason, detail, content, envelope in rows:
        if seq is None:
            key: tuple[Any, ...] = (at, content, len(told))
            told[key] = Kept("message", at, None, None, None, None, reason, detail, 1, content.hex(), envelope)
            continue
        dev_addr, fport, fcnt, payload = uplinks[seq]
        key = (dev_eui, dev_addr, fport, fcnt, payload)
        earlier = told.get(key)
        # The newest comes first: the last one that is met was heard first.
        deliveries = 1 if earlier is None else 1 + earlier.deliveries
        told[key] = Kept("uplink", at, dev_eui, fport, fcnt, codec, reason, detail, deliveries, payload.hex())
    return [*told.values()]


def _uplinks(store: Store, heard_at: Mapping[int, datetime]) -> dict[int, tuple[Any, ...]]:
    """Return dev_addr, FPort, frame counter and payload of deliveries by `seq`, looked for where they were heard."""
    if not heard_at:
        return {}
    since, until = min(heard_at.values()), max(heard_at.values())
    rows = store.con.execute(
        f"SELECT seq, dev_addr, fport, fcnt, payload FROM {store.raw_log(since, until)} "  # noqa: S608 - our own names
        "WHERE heard_at BETWEEN $since AND $until AND list_contains($seqs, seq)",
        {"since": since, "until": until, "seqs": [*heard_at]},
    ).fetchall()
    return {seq: tuple(more) for seq, *more in rows}


def _kept(customer: str | None) -> str:
    uplinks = f"""
        SELECT s.heard_at AS kept_at, s.seq, i.dev_eui, s.codec, s.reason, s.detail, NULL::BLOB AS content,
               NULL::VARCHAR AS envelope
        FROM set_aside s JOIN probe_identity i USING (probe_id) WHERE {"true" if customer is None else _OWN}
    """  # noqa: S608 - our own names
    if customer is not None:
        return uplinks
    return f"""{uplinks} UNION ALL
        SELECT stored_at, NULL, NULL, NULL, 'message', detail, content, coalesce(kind, '{FIRST_KIND}')
        FROM rejected_message
    """  # noqa: S608 - our own names
