"""Text from outside on a terminal: as it is, but without anything that a terminal would obey."""

from __future__ import annotations

from rich.text import Text


def plain(told: object, style: str = "") -> Text:
    """Return text in which control characters show as their code, and nothing is taken for markup."""
    text = "" if told is None else str(told)
    shown = "".join(c if c.isprintable() or c == "\n" else f"\\u{ord(c):04x}" for c in text)
    return Text(shown, style=style)
