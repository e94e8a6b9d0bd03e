"""The table of keys to the read API: what is stored of a key, which is never the key itself."""

from __future__ import annotations

from enum import StrEnum

import pyarrow as pa

from loamline_schemas.columns import INSTANT, Table, column


class Scope(StrEnum):
    """What a key may read: readings and what explains them, the state of probes and radio, or all of everybody's."""

    READINGS = "readings"
    FLEET = "fleet"
    OPERATOR = "operator"


API_KEY = Table(
    "api_key",
    "Keys to the read API: one row a key, revoked ones too.",
    (
        column("key_id", pa.string(), "8 hex digits, the part of the key that may be told", required=True, since=7),
        column("digest", pa.string(), "SHA-256 of the whole key, hex", required=True, since=7),
        column("customer", pa.string(), "sees this customer's probes alone; null: everybody's", since=7),
        column("scopes", pa.string(), "of Scope, with commas between", required=True, since=7),
        column("note", pa.string(), "who holds it, in words", required=True, since=7),
        column("created_at", INSTANT, "", required=True, since=7),
        column("revoked_at", INSTANT, "null: still in use", since=7),
    ),
    since=7,
)
