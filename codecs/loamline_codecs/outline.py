"""A codec written out as text, for the content digest that readings cite."""

from __future__ import annotations

import hashlib
import re
from types import CodeType
from typing import Any

import construct as c
from construct.expr import ExprMixin

from loamline_codecs.declaration import Codec
from loamline_codecs.walkable import TRANSFORMS, children, is_walked
from loamline_schemas.digest import content_digest


def describe(codec: Codec) -> str:
    """Return the content digest of a codec: of everything that decides which figures a payload gives."""
    return content_digest(
        {
            "name": codec.name,
            "message": codec.message,
            "match": [codec.match.fport, codec.match.leading_bits, codec.match.value],
            "layout": outline(codec.layout),
            "bounds": [[bound.field, bound.low, bound.high] for bound in codec.bounds],
            "quantities": [_meaning(quantity) for quantity in codec.quantities],
            "samples": [
                [group.repeat, group.depth_index, group.age_interval, [_meaning(q) for q in group.quantities]]
                for group in codec.samples
            ],
        }
    )


def _meaning(q: Any) -> list[Any]:
    sentinels = sorted([raw, text] for raw, text in q.sentinels.items())
    return [q.name, q.field, q.unit, q.scale, q.offset, sentinels, list(q.valid or ())]


def outline(node: Any) -> list[Any]:
    """Write out a node and all under it as nested lists of text: all that decides what it reads."""
    kind = type(node)
    if not is_walked(node):
        return _other(node)
    told: list[Any] = [kind.__name__]
    if kind is c.Renamed:
        told.append(node.name)
        if node.parsed is not None:
            told.append(_told(node.parsed))
    if kind is c.Transformed:
        told.append(TRANSFORMS[node.decodefunc])
    told += [
        _told(getattr(node, attribute))
        for attribute in ("fmtstr", "length", "signed", "swapped", "count", "value", "condfunc", "keyfunc", "func")
        if attribute in node.__dict__ and kind is not c.Rebuild
    ]
    if kind is c.Switch:
        told.append([repr(key) for key in node.cases])
    return [*told, *(outline(child) for child in children(node))]


def _other(node: Any) -> list[Any]:
    """Write out a node of any class: its name and what it was made of, as far as that can be told."""
    kind = type(node)
    attributes = [
        [name, _told(value)]
        for name, value in sorted(getattr(node, "__dict__", {}).items())
        if not name.startswith("_") and name not in _WORDS and not _holds_nodes(value)
    ]
    # What an ExprAdapter does stands in a method made for it alone, which only the instance has.
    methods = [[name, _told(getattr(node, name))] for name in _METHODS if _is_own(node, name)]
    return [
        f"{kind.__module__}.{kind.__qualname__}",
        attributes,
        methods,
        *(outline(child) for child in children(node)),
    ]


def _told(value: Any) -> str:
    """Return a value as text that is the same in every process: no addresses."""
    if callable(value) and not isinstance(value, ExprMixin):
        return _function(value)
    return re.sub(r" at 0x[0-9a-fA-F]+", "", repr(value))


def _function(function: Any) -> str:
    """Return a function's name and a digest of what it does; another Python's bytecode gives another digest."""
    function = getattr(function, "__func__", function)
    name = getattr(function, "__qualname__", type(function).__qualname__)
    code = getattr(function, "__code__", None)
    if code is None:
        return str(name)
    captured = [_told(cell.cell_contents) for cell in function.__closure__ or ()]
    told = repr([_code(code), captured, repr(function.__defaults__)])
    return f"{name} {hashlib.sha256(told.encode()).hexdigest()[:16]}"


def _code(code: CodeType) -> list[Any]:
    constants = [_constant(one) for one in code.co_consts]
    return [code.co_code.hex(), constants, list(code.co_names)]


def _constant(value: Any) -> Any:
    if isinstance(value, CodeType):
        return _code(value)
    # The order of a set differs between processes.
    return repr(sorted(map(repr, value))) if isinstance(value, frozenset) else repr(value)


def _holds_nodes(value: Any) -> bool:
    several = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else (value,)
    return any(isinstance(one, c.Construct) for one in several)


def _is_own(node: Any, name: str) -> bool:
    """Whether a method isn't construct's but the author's, or one made for this node alone."""
    if name in getattr(node, "__dict__", {}):
        return True
    method = getattr(node, name, None)
    return method is not None and not str(method.__module__).startswith("construct")


#: What decides no figure.
_WORDS = frozenset({"docs", "flagbuildnone", "name", "parsed"})

#: The methods in which an author's own class reads.
_METHODS = ("_parse", "_decode", "_validate")
