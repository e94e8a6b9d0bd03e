"""Messages that are no uplinks, as the store keeps them: each content once for each kind that it was read as."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import pyarrow as pa

from loamline.edges.messages import Rejected
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import insert
from loamline_schemas.tables import REJECTED_EVER, REJECTED_MESSAGE

#: The kind of rows that were written before kinds were noted.
FIRST_KIND = "canonical"


@dataclass(frozen=True)
class KeptMessage:
    """One rejected message: when it was stored, and all that is kept of it."""

    stored_at: datetime
    source: str
    detail: str
    content: bytes
    digest: int
    kind: str


def keep(store: Store, rejected: Sequence[Rejected], now: datetime) -> None:
    """Store messages that are no uplinks, those that are not there yet. Runs in the caller's transaction."""
    if not rejected:
        return
    fresh = {(digest_of(message.content), message.kind): message for message in rejected}
    told = pa.table({"digest": pa.array([digest for digest, _ in fresh], pa.uint64())})
    store.con.register("_rejected", told)
    held = store.con.execute(
        "SELECT digest, coalesce(kind, ?) FROM rejected_message SEMI JOIN _rejected USING (digest)", [FIRST_KIND]
    ).fetchall()
    store.con.unregister("_rejected")
    known = {(int(digest), kind) for digest, kind in held}
    rows = [
        {
            "stored_at": now,
            "source": message.source,
            "detail": message.detail,
            "content": message.content,
            "digest": key[0],
            "kind": message.kind,
        }
        for key, message in fresh.items()
        if key not in known
    ]
    if not rows:
        return
    insert(store, REJECTED_MESSAGE, pa.Table.from_pylist(rows, schema=REJECTED_MESSAGE.schema))
    # Read after all they go; that they were there is what the watermark has to know.
    ever = store.rejected_ever() + len(rows)
    store.con.execute("DELETE FROM rejected_ever")
    insert(store, REJECTED_EVER, pa.table({"kept": pa.array([ever], pa.int64())}))


def remove(store: Store, digests: Sequence[int]) -> None:
    """Take away messages that were read after all, under every kind. Runs in the caller's transaction."""
    if not digests:
        return
    store.con.register("_read_after_all", pa.table({"digest": pa.array(digests, pa.uint64())}))
    store.con.execute("DELETE FROM rejected_message WHERE digest IN (SELECT digest FROM _read_after_all)")
    store.con.unregister("_read_after_all")


def instants(store: Store) -> list[datetime]:
    """Return when rejected messages were stored, the oldest first: each once."""
    return [at for (at,) in store.con.execute("SELECT DISTINCT stored_at FROM rejected_message ORDER BY 1").fetchall()]


def stored_at(store: Store, instant: datetime) -> list[KeptMessage]:
    """Return the rejected messages that were stored at one instant."""
    rows = store.con.execute(
        "SELECT stored_at, source, detail, content, digest, coalesce(kind, ?) FROM rejected_message "
        "WHERE stored_at = ? ORDER BY digest, kind",
        [FIRST_KIND, instant],
    ).fetchall()
    return [KeptMessage(*row) for row in rows]


def digest_of(content: bytes) -> int:
    """Return what a message is known by, 64 bits."""
    return int.from_bytes(hashlib.blake2b(content, digest_size=8).digest())
