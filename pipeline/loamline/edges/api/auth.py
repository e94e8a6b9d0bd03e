"""Keys: `loamline_ID_SECRET`, of which the store knows the id and a digest.

The secret is 256 random bits. A password's hash has to be slow since passwords can be guessed; nobody tries 2**256
secrets, so that plain SHA-256 (FIPS 180-4) gives away as little, and each request can afford it.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass

from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_keys import KeyRow
from loamline_schemas.key_tables import Scope

_KEY = re.compile(r"loamline_([0-9a-f]{8})_[0-9a-f]{64}")
#: Stands in for a key that is not there, so that looking for one takes as long whether there is one or not.
_NOBODY = hashlib.sha256(b"").hexdigest()
_HOW = {"www-authenticate": 'Bearer realm="loamline"'}


@dataclass(frozen=True)
class NewKey:
    """A key just made: `text` is for whoever gets it, once; the rest is for the store."""

    text: str
    key_id: str
    digest: str


@dataclass(frozen=True)
class Caller:
    """Who asks: `customer` None sees everybody's."""

    key_id: str
    customer: str | None
    scopes: frozenset[Scope]

    def check(self, scope: Scope) -> None:
        """Raise HttpError (403) where the key does not open this."""
        if scope not in self.scopes and Scope.OPERATOR not in self.scopes:
            held = ", ".join(sorted(self.scopes))
            raise HttpError(403, f"a key with the scope {scope}", f"one with {held}", "the header Authorization")


def new_key() -> NewKey:
    """Return a key of fresh random bits."""
    key_id = secrets.token_hex(4)
    text = f"loamline_{key_id}_{secrets.token_hex(32)}"
    return NewKey(text, key_id, digest_of(text))


def digest_of(key: str) -> str:
    """Return what is stored of a key: its SHA-256, hex."""
    return hashlib.sha256(key.encode()).hexdigest()


def key_of(authorization: str | None) -> tuple[str, str]:
    """Return a key and its id out of the header. Raises HttpError (401), which never tells what came."""
    if authorization is None:
        raise HttpError(401, "a key, as Bearer KEY", "none", "the header Authorization", headers=_HOW)
    scheme, _, told = authorization.partition(" ")
    found = _KEY.fullmatch(told.strip())
    if scheme.lower() != "bearer" or found is None:
        raise HttpError(401, "a key, as Bearer KEY", "something else", "the header Authorization", headers=_HOW)
    return found.group(0), found.group(1)


def caller_of(authorization: str | None, find: Callable[[str], KeyRow | None]) -> Caller:
    """Return who asks. Raises HttpError (401): an unknown, a wrong and a revoked key are told alike."""
    key, key_id = key_of(authorization)
    row = find(key_id)
    same = hmac.compare_digest(digest_of(key), _NOBODY if row is None else row.digest)
    if row is None or not same or row.revoked_at is not None:
        raise HttpError(401, "a key that is in use", "another", "the header Authorization", headers=_HOW)
    return Caller(row.key_id, row.customer, frozenset(row.scopes))
