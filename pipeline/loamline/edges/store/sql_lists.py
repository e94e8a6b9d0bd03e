"""Numbers as SQL names them: written out, since DuckDB skips by them what parameters would have it read."""

from __future__ import annotations

from collections.abc import Iterable


def listed(numbers: Iterable[int]) -> str:
    """Return numbers for `IN (...)`, which no row is in where there are none."""
    return ", ".join(str(int(number)) for number in numbers) or "NULL"
