"""From physical values to payload bytes: what a probe would send, for tests, benches and the demo.

The inverse of the scalar parser as far as quantisation allows: each figure becomes the nearest raw value.
Counts and reserved bits follow from the layout.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import construct as c
import numpy as np

from loamline_codecs.declaration import BuildError, Codec, Quantity, SampleGroup
from loamline_codecs.expressions import FAULTS
from loamline_codecs.scalar import construct_sentence, field_of
from loamline_codecs.walkable import raw_range

#: What a sample may say of itself beside its quantities; its place among the samples decides both.
_PLACE = frozenset({"depth_index", "age_minutes"})


def build(codec: Codec, uplink: Mapping[str, Any], samples: Sequence[Mapping[str, Any]]) -> bytes:
    """Return the payload of `codec` that says these physical values.

    `uplink` holds quantities of the message by name, and may give `firmware` as "major.minor"; one that is not
    given is 0. `samples` holds one dict a sample, in the order in which they are read: group by group. A figure of
    None, or not given, is written as the quantity's first fault code, or left out where it has none; text is a label or
    a fault's sentence. A section that a `switch` brings in is there where one of its figures is given. Raises
    BuildError with expected and got for a value that the payload can't say.
    """
    given = {**uplink, **_firmware(codec, uplink)}
    given.pop("firmware", None)
    tree: dict[str, Any] = {}
    switches = _switches(codec, given, samples)
    for quantity in codec.quantities:
        if quantity.switch is not None and not switches[quantity.switch] and given.get(quantity.name) is None:
            given.pop(quantity.name, None)
            _put(tree, quantity.field, None)
        else:
            _put(tree, quantity.field, _of_message(codec, quantity, given))
    for field, on in switches.items():
        if not _has(tree, field):
            _put(tree, field, on)
    rest = list(samples)
    share = _share(codec, len(samples))
    for group in codec.samples:
        most = share if group.repeat else 1
        taken, rest = rest[:most], rest[most:]
        _group(codec, group, taken, tree)
    if given:
        raise BuildError(f"codec {codec.name}: expected {_names(codec.quantities)}, got {', '.join(sorted(given))}")
    if rest:
        told = {0: "no sample", 1: "one sample"}
        most = len(samples) - len(rest)
        raise BuildError(f"codec {codec.name}: expected {told.get(most, f'{most} samples')}, got {len(samples)}")
    try:
        payload = bytes(codec.layout.build(tree))
    except (c.ConstructError, *FAULTS) as problem:
        raise BuildError(f"codec {codec.name}: {construct_sentence(problem)}") from None
    if codec.bounds:
        _check_bounds(codec, payload)
    return payload


def _of_message(codec: Codec, quantity: Quantity, given: dict[str, Any]) -> int:
    """Return the raw value of a message's quantity, taken out of `given`; that of 0 where it isn't given."""
    where, missing = f"codec {codec.name}: {quantity.name}", quantity.name not in given
    try:
        raw = _raw(codec, quantity, quantity.field, given.pop(quantity.name, 0))
    except BuildError as problem:
        expected = str(problem).rpartition(", got ")[0]
        raise BuildError(f"{expected}, got no {quantity.name}" if missing else str(problem)) from None
    if raw is None:
        raise BuildError(f"{where}: expected a figure, got none, for which this payload has no code")
    return int(raw)


def _switches(codec: Codec, given: Mapping[str, Any], samples: Sequence[Mapping[str, Any]]) -> dict[str, bool]:
    """Return for each switch's field whether a figure is given that it brings in."""
    on: dict[str, bool] = {}
    for quantity in codec.quantities:
        if quantity.switch is not None:
            on[quantity.switch] = on.get(quantity.switch, False) or given.get(quantity.name) is not None
    for quantity in (quantity for group in codec.samples for quantity in group.quantities):
        if quantity.switch is not None:
            told = any(sample.get(quantity.name) is not None for sample in samples)
            on[quantity.switch] = on.get(quantity.switch, False) or told
    return on


def _share(codec: Codec, samples: int) -> int:
    """Return how many samples each group with `repeat` has: an equal part where all read the same array, else all."""
    repeats = [group.repeat for group in codec.samples if group.repeat]
    if len(repeats) < 2 or len(set(repeats)) > 1:
        return samples
    share, rest = divmod(samples - (len(codec.samples) - len(repeats)), len(repeats))
    if rest:
        raise BuildError(
            f"codec {codec.name}: expected as many samples for each of the {len(repeats)} depths in {repeats[0]}, "
            f"got {samples} in all"
        )
    return share


def _firmware(codec: Codec, uplink: Mapping[str, Any]) -> dict[str, int]:
    if "firmware" not in uplink:
        return {}
    major, dot, minor = str(uplink["firmware"]).partition(".")
    if not (major.isdecimal() and (minor.isdecimal() or not dot)):
        raise BuildError(f'codec {codec.name}: firmware: expected "major.minor", got {uplink["firmware"]!r}')
    return {"firmware_major": int(major), "firmware_minor": int(minor or 0)}


def _group(codec: Codec, group: SampleGroup, samples: Sequence[Mapping[str, Any]], tree: dict[str, Any]) -> None:
    known = {quantity.name for quantity in group.quantities}
    elements: list[dict[str, Any]] = (field_of(tree, group.repeat) or []) if group.repeat else []
    elements = elements or [{} for _ in samples]  # of an array that a group before has read, the same elements
    for index, sample in enumerate(samples or ([] if group.repeat else [{}])):
        if unknown := sample.keys() - known - _PLACE:
            expected = _names(group.quantities)
            raise BuildError(f"codec {codec.name}: expected {expected} in a sample, got {', '.join(sorted(unknown))}")
        element = elements[index] if group.repeat else tree
        for quantity in group.quantities:
            _figure(codec, group, quantity, sample, element, tree)
    if group.repeat:
        _put(tree, group.repeat, elements)


def _figure(
    codec: Codec,
    group: SampleGroup,
    quantity: Quantity,
    sample: Mapping[str, Any],
    element: dict[str, Any],
    tree: dict[str, Any],
) -> None:
    shared = _has(element, quantity.field)
    if shared and quantity.name not in sample:
        return
    path = f"{group.repeat}.{quantity.field}" if group.repeat else quantity.field
    raw = _raw(codec, quantity, path, sample.get(quantity.name))
    if shared and raw != field_of(element, quantity.field):
        raise BuildError(
            f"codec {codec.name}: {quantity.name}: expected one figure for all samples, "
            f"got another: {sample[quantity.name]!r}"
        )
    if quantity.switch is not None and raw is None and field_of(tree, quantity.switch):
        raise BuildError(f"codec {codec.name}: expected {quantity.name} in all samples or none, got some")
    _put(element, quantity.field, raw)


def _raw(codec: Codec, quantity: Quantity, path: str, physical: Any) -> Any:
    """Return the raw value of a figure; None where it is to be left out."""
    where = f"codec {codec.name}: {quantity.name}"
    if physical is None:
        return next(iter(quantity.sentinels), None)
    if isinstance(physical, str):
        names = {text: raw for raw, text in (*quantity.labels.items(), *quantity.sentinels.items())}
        if physical not in names:
            expected = f"one of {', '.join(names)}" if names else "a number"
            raise BuildError(f"{where}: expected {expected}, got {physical!r}")
        return names[physical]
    figure = physical.item() if isinstance(physical, np.generic) else physical
    if not isinstance(figure, int | float | Fraction) or not math.isfinite(figure):
        raise BuildError(f"{where}: expected a finite number, got {physical!r}")
    raw = quantity.raw(figure)
    if (fault := quantity.sentence(raw)) is not None:
        raise BuildError(f"{where}: expected a figure, got {physical!r}, whose raw value {raw} means {fault}")
    span = raw_range(codec.layout, path)
    if span is not None and not span[0] <= raw <= span[1]:
        a, b, denominator = quantity.ratio
        low, high = sorted((bound * a + b) / denominator for bound in span)
        unit = "" if quantity.unit in ("1", "{count}") else f" {quantity.unit}"
        raise BuildError(f"{where}: expected {low:.10g} to {high:.10g}{unit}, got {physical!r}")
    return raw


def _check_bounds(codec: Codec, payload: bytes) -> None:
    tree = codec.layout.parse(payload)
    for bound in codec.bounds:
        value = field_of(tree, bound.field)
        if value is not None and not bound.low <= value <= bound.high:
            raise BuildError(f"codec {codec.name}: {bound.field}: expected {bound.low} to {bound.high}, got {value}")


def _put(tree: dict[str, Any], path: str, value: Any) -> None:
    *parents, name = path.split(".")
    for parent in parents:
        tree = tree.setdefault(parent, {})
    tree[name] = value


def _has(tree: Any, path: str) -> bool:
    return field_of(tree, path) is not None


def _names(quantities: tuple[Quantity, ...]) -> str:
    return ", ".join(quantity.name for quantity in quantities)
