"""What the ways in hand to the writer, and what the writer answers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Self

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

    def __post_init__(self) -> None:
        # JSON may name half a surrogate pair, which no text can hold that is stored or shown.
        for name in ("source", "detail"):
            object.__setattr__(self, name, getattr(self, name).encode(errors="backslashreplace").decode())


Incoming = Accepted | Rejected
#: What became of one message; the names are those of the counts in `Outcome`, which tells what each means.
Fate = Literal["accepted", "duplicates", "set_aside", "unreadable"]


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

    @classmethod
    def of(cls, fates: Iterable[Fate]) -> Self:
        """Return the counts of messages by what became of each."""
        counts: dict[str, int] = Counter(fates)
        return cls(read=sum(counts.values()), **counts)

    def __iadd__(self, other: Outcome) -> Self:
        """Add another batch's counts."""
        for name in vars(other):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        return self
