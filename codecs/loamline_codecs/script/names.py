"""JavaScript's names and literals: what a field may be called in a script, and how a text is written in one."""

from __future__ import annotations

import json
import re
from typing import Any

from loamline_codecs.script.helpers import HELPERS

#: Words of ECMAScript 5.1 and later that can't be a variable, and the names that every script has.
_TAKEN = frozenset(
    """
    abstract arguments await boolean break byte case catch char class const continue debugger default delete do double
    else enum eval export extends false final finally float for function goto if implements import in instanceof int
    interface let long native new null package private protected public return short static super switch synchronized
    this throw throws transient true try typeof var void volatile while with yield undefined NaN Infinity Math Number
    String Boolean Object Array Error JSON Date RegExp CODEC FPORT decodeUplink readPayload readLayout checkBounds
    figuresOf samplesOf input reader problem
    """.split()  # noqa: SIM905 - a table of words reads better than a list of literals
)


class Names:
    """Gives every variable of a function a name of its own."""

    def __init__(self) -> None:
        self._used: set[str] = set()

    def new(self, wish: str) -> str:
        """Return a variable name close to `wish` that nothing else has."""
        base = re.sub(r"\W", "_", wish, flags=re.ASCII)
        base = f"_{base}" if not base or base[0].isdigit() else base
        name, number = base, 2
        while name in self._used or name in _TAKEN or name in HELPERS:
            name, number = f"{base}_{number}", number + 1
        self._used.add(name)
        return name


def member(owner: str, name: str) -> str:
    """Return the expression for a property."""
    plain = re.fullmatch(r"[A-Za-z_$][\w$]*", name, flags=re.ASCII)
    return f"{owner}.{name}" if plain else f"{owner}[{text(name)}]"


def key(name: str) -> str:
    """Return a property's name as an object literal has it."""
    return name if re.fullmatch(r"[A-Za-z_]\w*", name, flags=re.ASCII) else text(name)


def text(value: str) -> str:
    """Return a string literal, in ASCII."""
    return json.dumps(value)


def literal(value: Any) -> str:
    """Return a constant: null, a flag or a number."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(int(value)) if isinstance(value, int) else repr(float(value))


def comment(words: str) -> str:
    """Return text that no comment ends at, nor a line."""
    return " ".join(words.split()).replace("*/", "* /")
