"""What an examination found: what was looked at, how it is, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: `unseen`: it can't be told from here; the advice says what to look at.
Level = Literal["fine", "unseen", "look", "broken"]


@dataclass(frozen=True)
class Finding:
    """One line of an examination; `advice` is what to do, empty where there is nothing."""

    what: str
    level: Level
    finding: str
    advice: str = ""
