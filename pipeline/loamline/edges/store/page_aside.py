"""What was kept without being read, a page at a time, the newest first: of everybody, or a customer's own uplinks."""

from __future__ import annotations

from typing import Any

from loamline.edges.store.api_registry import OWN_PLACED, customer_parameter
from loamline.edges.store.connection import Store
from loamline.edges.store.kept import Kept
from loamline.edges.store.rejected import FIRST_KIND

_OWN = f"""EXISTS (
    SELECT 1 FROM {OWN_PLACED} o WHERE o.dev_eui = i.dev_eui AND s.heard_at >= o.valid_from AND s.heard_at < o.valid_end
)"""  # noqa: S608 - our own names


def counts(store: Store, customer: str | None) -> int:
    """Return how many uplinks and messages there are; deliveries of one uplink count once."""
    ((total,),) = store.con.execute(
        f"SELECT count(*) FROM ({_kept(store, customer)})",  # noqa: S608 - our own names
        customer_parameter(customer),
    ).fetchall()
    return int(total)


def kept_page(store: Store, customer: str | None, limit: int, offset: int) -> list[Kept]:
    """Return some of what was kept, the newest first."""
    rows: list[Any] = store.con.execute(
        f"SELECT * FROM ({_kept(store, customer)}) ORDER BY kept_at DESC, dev_eui, content "  # noqa: S608 - our own names
        f"LIMIT {int(limit)} OFFSET {int(offset)}",
        customer_parameter(customer),
    ).fetchall()
    return [
        Kept(
            kind=kind,
            at=at,
            dev_eui=dev_eui,
            fport=fport,
            fcnt=fcnt,
            codec=codec,
            reason=reason,
            detail=detail,
            deliveries=deliveries,
            hex=content.hex(),
            envelope=envelope,
        )
        for kind, at, dev_eui, fport, fcnt, codec, reason, detail, deliveries, content, envelope in rows
    ]


def _kept(store: Store, customer: str | None) -> str:
    uplinks = f"""
        SELECT 'uplink' AS kind, min(s.heard_at) AS kept_at, i.dev_eui, u.fport, u.fcnt, any_value(s.codec) AS codec,
               any_value(s.reason) AS reason, any_value(s.detail) AS detail, count(*) AS deliveries,
               u.payload AS content, NULL::VARCHAR AS envelope
        FROM set_aside s JOIN {store.raw_log()} u USING (seq) JOIN probe_identity i ON i.probe_id = s.probe_id
        WHERE {"true" if customer is None else _OWN} GROUP BY i.dev_eui, u.dev_addr, u.fport, u.fcnt, u.payload
    """  # noqa: S608 - our own names
    if customer is not None:
        return uplinks
    return f"""{uplinks} UNION ALL
        SELECT 'message', stored_at, NULL, NULL, NULL, NULL, 'message', detail, 1, content,
               coalesce(kind, '{FIRST_KIND}')
        FROM rejected_message
    """  # noqa: S608 - our own names
