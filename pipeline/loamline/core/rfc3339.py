"""Instants as text, by RFC 3339."""

from __future__ import annotations

from datetime import UTC, datetime


def rfc3339(instant: datetime) -> str:
    """Return an instant as RFC 3339 in UTC, with Z: with six decimals, or none where it falls on a whole second."""
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")
