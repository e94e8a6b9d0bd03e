"""Whether a request comes from whoever knows a secret: signatures after the Standard Webhooks specification 1.0.0.

A sender signs `ID.TIMESTAMP.BODY`, the bytes as they travel, with HMAC-SHA256 (RFC 2104, FIPS 180-4) and tells

    webhook-id: an identifier that stays the same when it sends again
    webhook-timestamp: Unix seconds of this attempt
    webhook-signature: `v1,` and the code as base64; several of them, with spaces between, while secrets change

A secret is 24 to 64 random bytes, told as `whsec_` and their base64. Pure: the time is an argument. No error tells a
secret, a token or a signature. The names of headers and prefixes are the specification's, from memory.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

SECRET_PREFIX = "whsec_"  # noqa: S105 - what a secret begins with is none
TOLERANCE_S = 300
_SHORTEST_SECRET_BYTES, _LONGEST_SECRET_BYTES = 24, 64
_SHORTEST_TOKEN = 16
#: More codes than a sender has secrets; each costs us a comparison.
_MOST_SIGNATURES = 16
_VERSION = b"v1"
#: 15 digits reach far beyond any calendar.
_UNIX_SECONDS = re.compile(rb"[0-9]{1,15}")
#: RFC 6750, 2.1: what a bearer token is made of.
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*")


class SecretError(ValueError):
    """A secret or token that can't be used; the message says what was expected, never what it is."""


class NotProvenError(Exception):
    """A request that proves nothing; the message says what was expected and what came."""


def parse_secret(text: str) -> bytes:
    """Return the key that `whsec_...` stands for. Raises SecretError."""
    wanted = f"expected {SECRET_PREFIX} and the base64 of {_SHORTEST_SECRET_BYTES} to {_LONGEST_SECRET_BYTES} bytes"
    advice = f'make one with `echo "{SECRET_PREFIX}$(openssl rand -base64 32)"`'
    try:
        key = base64.b64decode(text.removeprefix(SECRET_PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise SecretError(f"{wanted}, got text that is not base64; {advice}") from None
    if not _SHORTEST_SECRET_BYTES <= len(key) <= _LONGEST_SECRET_BYTES:
        raise SecretError(f"{wanted}, got {len(key)} bytes; {advice}")
    return key


def parse_token(text: str) -> bytes:
    """Return a bearer token as it travels. Raises SecretError."""
    if len(text) < _SHORTEST_TOKEN or not _TOKEN.fullmatch(text):
        raise SecretError(
            f"expected a token of at least {_SHORTEST_TOKEN} letters, digits and -._~+/ with = at the end (RFC 6750), "
            f"got {len(text)} characters; make one with `openssl rand -hex 32`"
        )
    return text.encode()


@dataclass(frozen=True)
class Proof:
    """What a request tells of where it comes from: the values of its headers, None for those that it has not."""

    authorization: bytes | None = field(default=None, repr=False)
    webhook_id: bytes | None = None
    webhook_timestamp: bytes | None = None
    webhook_signature: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Guard:
    """Who may come in: whoever signs with one of `secrets` or shows one of `tokens`; anyone where there is neither."""

    secrets: tuple[bytes, ...] = field(default=(), repr=False)
    tokens: tuple[bytes, ...] = field(default=(), repr=False)
    tolerance_s: int = TOLERANCE_S

    def __str__(self) -> str:
        return f"Guard of {len(self.secrets)} secrets and {len(self.tokens)} tokens"

    @property
    def open(self) -> bool:
        """Whether nothing has to be proven."""
        return not (self.secrets or self.tokens)

    def before_the_body(self, proof: Proof, now_s: float) -> bool:
        """Raise NotProvenError where no body can mend it; return whether the body still has to be looked at."""
        if self.open:
            return False
        if proof.authorization is not None and self.tokens:
            try:
                self._check_token(proof.authorization)
            except NotProvenError:
                if not (self.secrets and proof.webhook_signature):
                    raise
            else:
                return False
        if not self.secrets:
            raise NotProvenError("expected the header Authorization with a bearer token, got none")
        self._check_headers(proof, now_s)
        return True

    def check_body(self, proof: Proof, body: bytes) -> None:
        """Raise NotProvenError where the body is not signed with one of the secrets."""
        wanted = [_code(secret, proof.webhook_id, proof.webhook_timestamp, body) for secret in self.secrets]
        told = _codes(proof.webhook_signature or b"")
        # Every pair, whatever came before: how long it takes tells nothing.
        if not sum(hmac.compare_digest(one, other) for one in wanted for other in told):
            raise NotProvenError(
                "expected a signature of webhook-id.webhook-timestamp.body with a secret that is known here, "
                f"got {len(told)} of version 1 that are not; check the secret, and that the bytes signed are those sent"
            )

    def _check_token(self, authorization: bytes) -> None:
        scheme, _, told = authorization.partition(b" ")
        if scheme.lower() != b"bearer":
            raise NotProvenError("expected the header Authorization with a bearer token, got another scheme")
        told = told.strip()
        if not sum(hmac.compare_digest(told, token) for token in self.tokens):
            raise NotProvenError("expected a bearer token that is known here, got another")

    def _check_headers(self, proof: Proof, now_s: float) -> None:
        told = {
            "webhook-id": proof.webhook_id,
            "webhook-timestamp": proof.webhook_timestamp,
            "webhook-signature": proof.webhook_signature,
        }
        absent = [name for name, value in told.items() if not value]
        if absent:
            other = " or Authorization with a bearer token" if self.tokens else ""
            raise NotProvenError(f"expected the headers {', '.join(told)}{other}, got no {', no '.join(absent)}")
        if not _UNIX_SECONDS.fullmatch(proof.webhook_timestamp or b""):
            raise NotProvenError("expected Unix seconds in webhook-timestamp, got something else")
        off_s = int(proof.webhook_timestamp or b"0") - now_s
        if abs(off_s) > self.tolerance_s:
            side = "ahead of" if off_s > 0 else "behind"
            raise NotProvenError(
                f"expected webhook-timestamp within {self.tolerance_s} s of our clock, got {abs(off_s):.0f} s {side} "
                "it; check both clocks, and that each attempt is signed anew"
            )


def sign(secret: str, webhook_id: str, timestamp_s: int, body: bytes) -> str:
    """Return the value of webhook-signature, as a sender makes it. Raises SecretError."""
    code = _code(parse_secret(secret), webhook_id.encode(), str(timestamp_s).encode(), body)
    return f"{_VERSION.decode()},{base64.b64encode(code).decode()}"


def _code(key: bytes, webhook_id: bytes | None, timestamp: bytes | None, body: bytes) -> bytes:
    return hmac.digest(key, b".".join([webhook_id or b"", timestamp or b"", body]), hashlib.sha256)


def _codes(header: bytes) -> Sequence[bytes]:
    """Return the codes of version 1 that a header tells; one of another version, or no base64, is none."""
    found = []
    for told in header.split(b" ", _MOST_SIGNATURES)[:_MOST_SIGNATURES]:
        version, _, code = told.partition(b",")
        if version == _VERSION:
            try:
                found.append(base64.b64decode(code, validate=True))
            except (binascii.Error, ValueError):
                continue
    return found
