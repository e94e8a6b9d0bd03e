"""What the ways in hand to the writer, and what the writer answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from loamline_schemas.uplink import Uplink


@dataclass(frozen=True)
class Accepted:
    """A message that is an uplink, and the bytes that it came in."""

    uplink: Uplink
    envelope: bytes


@dataclass(frozen=True)
class Rejected:
    """A message that is no uplink: where it came from, why not, all of it, and the envelope it was read as."""

    source: str
    detail: str
    content: bytes
    kind: str = "canonical"


Incoming = Accepted | Rejected


@dataclass
class Outcome:
    """What became of messages; each is counted once.

    `accepted`: new uplinks, read by a codec. `set_aside`: new uplinks that no codec reads, kept with the reason.
    `duplicates`: deliveries of an uplink that was there already. `unreadable`: no uplinks at all, kept whole.
    """

    read: int = 0
    accepted: int = 0
    duplicates: int = 0
    set_aside: int = 0
    unreadable: int = 0

    def __iadd__(self, other: Outcome) -> Self:
        """Add another batch's counts."""
        for name in vars(other):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        return self
