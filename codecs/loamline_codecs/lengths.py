"""How long a codec's payloads are, in words, from its layout alone."""

from __future__ import annotations

import re
from typing import Any

import construct as c

from loamline_codecs.declaration import Codec
from loamline_codecs.walkable import fixed_size


def length_in_words(codec: Codec) -> str:
    """Return the length as a phrase, for instance "9 bytes, then 3 for each of samples"."""
    fixed, more = _length(codec.layout, "")
    return ", then ".join([f"{fixed} byte{'' if fixed == 1 else 's'}", *more])


def _length(node: Any, name: str) -> tuple[int, list[str]]:
    """Return the bytes that a node always has, and what comes on top where the payload says so.

    A walkable layout varies in whole bytes only: what varies among bits is refused on loading.
    """
    size = fixed_size(node)
    if size is not None:
        return size, []
    kind = type(node)
    if kind in (c.Struct, c.Sequence):
        parts = [_length(subcon, name) for subcon in node.subcons]
        return sum(fixed for fixed, _ in parts), [phrase for _, more in parts for phrase in more]
    if kind in (c.Array, c.GreedyRange):
        return 0, [f"{_phrase(node.subcon, name)} for each of {name}"]
    if kind in (c.IfThenElse, c.Switch):
        return 0, [_by_choice(node, name)]
    if kind in (c.Padded, c.BytesInteger):
        return 0, [f"{_plain(node.length)} of {name}"]
    return _length(node.subcon, node.name if kind is c.Renamed else name)


def _by_choice(node: Any, name: str) -> str:
    if type(node) is c.Switch:
        cases = dict.fromkeys(_phrase(case, name) for case in (*node.cases.values(), node.default))
        return f"{' or '.join(cases)} by {_plain(node.keyfunc)}"
    then, otherwise = _phrase(node.thensubcon, name), _phrase(node.elsesubcon, name)
    return f"{then} where {_plain(node.condfunc)}" + ("" if otherwise == "0" else f", else {otherwise}")


def _phrase(node: Any, name: str) -> str:
    fixed, more = _length(node, name)
    return f"{fixed}" + (f" (and {', '.join(more)})" if more else "")


def _plain(expression: Any) -> str:
    """Return a `this` expression as the field names it is made of: `flags.tilted` for this._.flags.tilted."""
    text = re.sub(r"\['(\w+)'\]", r".\1", repr(expression))
    return re.sub(r"\bthis\.(_\.)*", "", text)
