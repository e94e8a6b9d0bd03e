"""How long a codec's payloads are, in words, from its layout alone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import construct as c
from construct.expr import ExprMixin

from loamline_codecs.declaration import Codec
from loamline_codecs.walkable import TERMINATED, fixed_size, is_walked


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
    if is_walked(node) and hasattr(node, "subcon") and kind is not c.Padded:
        return _length(node.subcon, node.name if kind is c.Renamed else name)
    return 0, _by_itself(node, name)


def _by_itself(node: Any, name: str) -> list[str]:
    if type(node) is TERMINATED:
        return []
    if type(node) in (c.Padded, c.BytesInteger):
        return [f"{plain(node.length)} of {name}"]
    return [f"what {type(node).__name__} takes" + (f" for {name}" if name else "")]


def _by_choice(node: Any, name: str) -> str:
    if type(node) is c.Switch:
        cases = dict.fromkeys(_phrase(case, name) for case in (*node.cases.values(), node.default))
        return f"{' or '.join(cases)} by {plain(node.keyfunc)}"
    then, otherwise = _phrase(node.thensubcon, name), _phrase(node.elsesubcon, name)
    return f"{then} where {plain(node.condfunc)}" + ("" if otherwise == "0" else f", else {otherwise}")


def _phrase(node: Any, name: str) -> str:
    fixed, more = _length(node, name)
    return f"{fixed}" + (f" (and {', '.join(more)})" if more else "")


def plain(expression: Any, scopes: Sequence[str] = (), index: str = "k") -> str:
    """Return a `this` expression as the field names it is made of: `flags.tilted` for this._.flags.tilted.

    `scopes` holds the paths of the Structs and Sequences around it, outermost first: with them a name is told with
    its whole path. `index` is the letter for an element's own index.
    """
    if callable(expression) and not isinstance(expression, ExprMixin):
        return "a Python function's result"

    def name(found: re.Match[str]) -> str:
        steps = re.findall(r"\w+", found[1])
        up = next((place for place, step in enumerate(steps) if step != "_"), len(steps))
        rest = steps[up:]
        if rest[:1] == ["_index"]:
            return index
        if rest[:1] == ["_root"]:
            return ".".join(rest[1:])
        scope = scopes[-1 - up] if up < len(scopes) else ""
        return ".".join([scope, *rest] if scope else rest)

    text = re.sub(r"this((?:\['\w+'\])+)", name, repr(expression))
    return re.sub(r"\['(\w+)'\]", r".\1", text)


def unbracketed(text: str) -> str:
    """Return a text without the brackets around all of it: "a + 1" for "(a + 1)", "(a) + (b)" as it is."""
    depth = 0
    for place, letter in enumerate(text):
        depth += (letter == "(") - (letter == ")")
        if depth == 0:
            return text[1:-1] if place and place == len(text) - 1 else text
    return text
