"""The functions that a script may need beside its own: each is written into it only where it is used."""

from __future__ import annotations

import re

from loamline_codecs.script.figuring_helpers import FIGURING
from loamline_codecs.script.reading_helpers import READING

#: Name -> the function in ECMAScript 5.1, in the order in which a script has them.
HELPERS = READING | FIGURING

_CALLED = re.compile(r"\b(" + "|".join(HELPERS) + r")\(")


def helpers_for(source: str) -> str:
    """Return the helper functions that `source` calls, and those that they call."""
    found: set[str] = set()
    called = set(_CALLED.findall(source))
    while called - found:
        name = (called - found).pop()
        found.add(name)
        called |= set(_CALLED.findall(HELPERS[name].partition(") {")[2]))
    return "\n\n".join(code for name, code in HELPERS.items() if name in found)
