"""What was kept without being read: uplinks that no codec reads, and messages that are no uplinks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from loamline.core.identity import merge
from loamline.edges.store.connection import Store
from loamline.edges.store.rejected import FIRST_KIND


@dataclass(frozen=True)
class Kept:
    """One thing kept: when it was heard (a message: stored), whose it is, why it is not read, and all its bytes.

    `reason` is port, version, length or layout for an uplink, `message` for what is no uplink at all; `detail` is
    the sentence. `hex` holds the payload, or the whole message, and `envelope` the kind that a message was read as.
    """

    kind: Literal["uplink", "message"]
    at: datetime
    dev_eui: str | None
    fport: int | None
    fcnt: int | None
    codec: str | None
    reason: str
    detail: str
    deliveries: int
    hex: str
    envelope: str | None = None


def kept_unread(store: Store) -> list[Kept]:
    """Return everything kept unread, deliveries of one uplink as one, the newest first."""
    told = _uplinks(store) + _messages(store)
    return sorted(told, key=lambda kept: (kept.at, kept.dev_eui or "", kept.hex), reverse=True)


def _uplinks(store: Store) -> list[Kept]:
    rows = store.con.sql(
        "SELECT uplink.*, s.codec, s.reason, s.detail, i.dev_eui "  # noqa: S608 - our own names
        f"FROM set_aside s JOIN {store.raw_log()} uplink USING (seq) "
        "JOIN probe_identity i ON i.probe_id = uplink.probe_id ORDER BY seq"
    ).to_arrow_table()
    uplinks = merge(rows)
    names = ["heard_at", "dev_eui", "fport", "payload", "codec", "reason", "detail"]
    told = rows.select(names).take(uplinks.first).to_pylist()
    deliveries = [0] * len(told)
    for uplink in uplinks.uplink_of.tolist():
        deliveries[uplink] += 1
    return [
        Kept(
            kind="uplink",
            at=row["heard_at"],
            dev_eui=row["dev_eui"],
            fport=row["fport"],
            fcnt=fcnt,
            codec=row["codec"],
            reason=row["reason"],
            detail=row["detail"],
            deliveries=count,
            hex=row["payload"].hex(),
        )
        for row, fcnt, count in zip(told, uplinks.fcnt.tolist(), deliveries, strict=True)
    ]


def _messages(store: Store) -> list[Kept]:
    rows = store.con.sql("SELECT stored_at, detail, content, kind FROM rejected_message").to_arrow_table().to_pylist()
    return [
        Kept(
            kind="message",
            at=row["stored_at"],
            dev_eui=None,
            fport=None,
            fcnt=None,
            codec=None,
            reason="message",
            detail=row["detail"],
            deliveries=1,
            hex=row["content"].hex(),
            envelope=row["kind"] or FIRST_KIND,
        )
        for row in rows
    ]
