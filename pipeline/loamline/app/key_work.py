"""Keys to the read API, made, listed and revoked in an open store: by a command, or by the daemon that is asked to.

A key is made where it is shown; what goes to the store is its id and digest alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from loamline.app.output import rfc3339
from loamline.edges.store.api_keys import KeyRow, add_key, key_rows, revoke_key
from loamline.edges.store.connection import Store
from loamline_schemas.key_tables import Scope


def key_create(
    store: Store, *, key_id: str, digest: str, customer: str | None, scopes: Sequence[str], note: str
) -> dict[str, Any]:
    """Record a key; return what is told of it. Raises KeyRowError."""
    told = [Scope(scope) for scope in scopes]
    now = datetime.now(UTC)
    return as_fields(add_key(store, key_id=key_id, digest=digest, customer=customer, scopes=told, note=note, now=now))


def key_list(store: Store) -> list[dict[str, Any]]:
    """Return what is told of every key, the oldest first."""
    return [as_fields(row) for row in key_rows(store)]


def key_revoke(store: Store, *, key_id: str) -> dict[str, Any]:
    """Revoke a key; return what is told of it. Raises KeyRowError."""
    return as_fields(revoke_key(store, key_id, datetime.now(UTC)))


def as_fields(row: KeyRow) -> dict[str, Any]:
    """Return a key as it is told: all but its digest."""
    return {
        "key_id": row.key_id,
        "customer": row.customer,
        "scopes": [str(scope) for scope in row.scopes],
        "note": row.note,
        "created_at": rfc3339(row.created_at),
        "revoked_at": None if row.revoked_at is None else rfc3339(row.revoked_at),
    }
