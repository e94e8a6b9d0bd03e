"""Who looks at a page: somebody who signed in with a key, or, on this machine alone, anybody.

A session is a random word in a cookie; what it stands for is kept here, by the word's digest. The key is looked up
again for every request, so that one that is revoked opens nothing from then on.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from loamline.edges.api.auth import Caller, caller_of
from loamline.edges.store.api_keys import KeyRow
from loamline_schemas.key_tables import Scope

COOKIE = "loamline_session"
#: A working day; then the key is asked for again.
LIFETIME = timedelta(hours=12)
_MOST_SESSIONS = 10_000

#: Who looks where no key is asked for: on this machine alone.
ANYBODY_HERE = Caller("", None, frozenset(Scope))

FindKey = Callable[[str], KeyRow | None]


@dataclass(frozen=True)
class _Session:
    key_id: str
    ends_at: datetime


class Sessions:
    """Sessions in force, of this process; it starts with none. To be used from any thread."""

    def __init__(self) -> None:
        self._held: OrderedDict[str, _Session] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, key: str, find: FindKey, now: datetime) -> str:
        """Return the word for the cookie of who holds `key`. Raises HttpError (401) for one that opens nothing."""
        caller = caller_of(f"Bearer {key.strip()}", find)
        word = secrets.token_urlsafe(32)
        with self._lock:
            self._held[_digest(word)] = _Session(caller.key_id, now + LIFETIME)
            while len(self._held) > _MOST_SESSIONS:
                self._held.popitem(last=False)
        return word

    def caller(self, word: str | None, find: FindKey, now: datetime) -> Caller | None:
        """Return who a cookie's word stands for; None where it stands for nobody, or for a revoked key."""
        if not word:
            return None
        with self._lock:
            session = self._held.get(_digest(word))
        if session is None:
            return None
        row = find(session.key_id)
        if now >= session.ends_at or row is None or row.revoked_at is not None:
            self.end(word)
            return None
        return Caller(row.key_id, row.customer, frozenset(row.scopes))

    def end(self, word: str | None) -> None:
        """Forget a session, where there is one."""
        with self._lock:
            self._held.pop(_digest(word or ""), None)


def _digest(word: str) -> str:
    return hashlib.sha256(word.encode()).hexdigest()
