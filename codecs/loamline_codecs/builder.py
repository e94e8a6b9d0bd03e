"""From physical values to payload bytes: what a probe would send, for tests, benches and the demo.

The inverse of the scalar parser as far as quantisation allows: each figure becomes the nearest raw value.
Counts and reserved bits follow from the layout.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import construct as c

from loamline_codecs.declaration import BuildError, Codec, Quantity, SampleGroup


def build(codec: Codec, uplink: Mapping[str, Any], samples: list[dict[str, Any]]) -> bytes:
    """Return the payload of `codec` that says these physical values.

    `uplink` holds quantities of the message by name, and may give `firmware` as "major.minor"; `samples` holds
    one dict a sample, in payload order. A figure of None is written as the quantity's fault code, or left out
    where it has none. Raises BuildError with expected and got for a value that the payload can't say.
    """
    given = dict(uplink)
    if "firmware" in given:
        major, _, minor = str(given.pop("firmware")).partition(".")
        given["firmware_major"], given["firmware_minor"] = int(major), int(minor or 0)
    tree: dict[str, Any] = {}
    for quantity in codec.quantities:
        _put(tree, quantity.field, _raw(codec, quantity, given.pop(quantity.name, 0)))
    rest = list(samples)
    for group in codec.samples:
        taken, rest = (rest, []) if group.repeat else (rest[:1], rest[1:])
        _group(codec, group, taken, tree)
    if given:
        raise BuildError(f"codec {codec.name}: expected {_names(codec.quantities)}, got {', '.join(sorted(given))}")
    if rest:
        raise BuildError(f"codec {codec.name}: expected {len(samples) - len(rest)} samples, got {len(samples)}")
    try:
        payload = bytes(codec.layout.build(tree))
    except c.ConstructError as problem:
        raise BuildError(f"codec {codec.name}: {' '.join(str(problem).split())}") from None
    _check_bounds(codec, payload)
    return payload


def _group(codec: Codec, group: SampleGroup, samples: list[dict[str, Any]], tree: dict[str, Any]) -> None:
    elements = []
    for sample in samples or ([] if group.repeat else [{}]):
        element: dict[str, Any] = {} if group.repeat else tree
        for quantity in group.quantities:
            raw = _raw(codec, quantity, sample.get(quantity.name))
            if quantity.switch is not None:
                if not _has(tree, quantity.switch):
                    _put(tree, quantity.switch, any(s.get(quantity.name) is not None for s in samples))
                if raw is None and _get(tree, quantity.switch):
                    raise BuildError(f"codec {codec.name}: expected {quantity.name} in all samples or none, got some")
            _put(element, quantity.field, raw)
        elements.append(element)
    if group.repeat:
        _put(tree, group.repeat, elements)


def _raw(codec: Codec, quantity: Quantity, physical: Any) -> Any:
    if physical is None:
        return next(iter(quantity.sentinels), None)
    if isinstance(physical, str):
        names = {text: raw for raw, text in quantity.labels.items()}
        if physical not in names:
            raise BuildError(
                f"codec {codec.name}: {quantity.name}: expected one of {', '.join(names)}, got {physical!r}"
            )
        return names[physical]
    return quantity.raw(physical)


def _check_bounds(codec: Codec, payload: bytes) -> None:
    tree = codec.layout.parse(payload)
    for bound in codec.bounds:
        value = _get(tree, bound.field)
        if not bound.low <= value <= bound.high:
            raise BuildError(f"codec {codec.name}: {bound.field}: expected {bound.low} to {bound.high}, got {value}")


def _put(tree: dict[str, Any], path: str, value: Any) -> None:
    *parents, name = path.split(".")
    for parent in parents:
        tree = tree.setdefault(parent, {})
    tree[name] = value


def _get(tree: Any, path: str) -> Any:
    for name in path.split("."):
        tree = tree[name]
    return tree


def _has(tree: Any, path: str) -> bool:
    try:
        _get(tree, path)
    except KeyError:
        return False
    return True


def _names(quantities: tuple[Quantity, ...]) -> str:
    return ", ".join(quantity.name for quantity in quantities)
