"""Keys to the read API in the store: made, listed, revoked, looked up. A key itself is shown once and kept nowhere."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from loamline.edges.store.connection import Store
from loamline_schemas.key_tables import API_KEY, Scope


class KeyRowError(Exception):
    """A key that can't be made or revoked; the message says what was expected, what came and what to do."""


@dataclass(frozen=True)
class KeyRow:
    """What is stored of one key. `customer` None sees everybody's."""

    key_id: str
    digest: str
    customer: str | None
    scopes: tuple[Scope, ...]
    note: str
    created_at: datetime
    revoked_at: datetime | None


def add_key(
    store: Store,
    *,
    key_id: str,
    digest: str,
    customer: str | None,
    scopes: Iterable[Scope],
    note: str,
    now: datetime,
) -> KeyRow:
    """Record a key. Raises KeyRowError for a customer without a site, or for scopes that don't go together."""
    told = tuple(sorted(set(scopes)))
    if not told:
        raise KeyRowError(f"expected a scope, one or more of {', '.join(Scope)}, got none")
    if customer is None and told != (Scope.OPERATOR,):
        raise KeyRowError("expected a customer, got none; a key for all customers has the scope operator and no other")
    if customer is not None and Scope.OPERATOR in told:
        raise KeyRowError(f"expected the scope operator without a customer, got it for {customer!r}")
    known = [name for (name,) in store.con.execute(
        "SELECT DISTINCT customer FROM site WHERE last_reference_id IS NULL ORDER BY customer"
    ).fetchall()]  # fmt: skip
    if customer is not None and customer not in known:
        near = ", ".join(known[:20]) or "none yet"
        raise KeyRowError(f"expected a customer of the registry's sites ({near}), got {customer!r}")
    store.con.execute(
        f"INSERT INTO api_key ({', '.join(API_KEY.names)}) VALUES (?, ?, ?, ?, ?, ?, NULL)",  # noqa: S608 - our own names
        [key_id, digest, customer, ",".join(told), note, now],
    )
    return KeyRow(key_id, digest, customer, told, note, now, None)


def key_rows(store: Store) -> list[KeyRow]:
    """Return every key, the oldest first."""
    return _rows(store, "ORDER BY created_at, key_id", [])


def find_key(store: Store, key_id: str) -> KeyRow | None:
    """Return the key of this id, revoked or not."""
    return next(iter(_rows(store, "WHERE key_id = ?", [key_id])), None)


def revoke_key(store: Store, key_id: str, now: datetime) -> KeyRow:
    """Note that a key is revoked, from the next request on; one that is already stays as it is. Raises KeyRowError."""
    if find_key(store, key_id) is None:
        raise KeyRowError(f"expected the id of a key, got {key_id!r}; `loamline key list` shows them")
    store.con.execute("UPDATE api_key SET revoked_at = ? WHERE key_id = ? AND revoked_at IS NULL", [now, key_id])
    (row,) = _rows(store, "WHERE key_id = ?", [key_id])
    return row


def _rows(store: Store, rest: str, parameters: list[str]) -> list[KeyRow]:
    found = store.con.execute(f"SELECT {', '.join(API_KEY.names)} FROM api_key {rest}", parameters).fetchall()  # noqa: S608 - our own words
    return [
        KeyRow(key_id, digest, customer, tuple(Scope(told) for told in scopes.split(",")), note, created, revoked)
        for key_id, digest, customer, scopes, note, created, revoked in found
    ]
