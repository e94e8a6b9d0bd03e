"""What a declaration must fulfil before it may read a message; each fault is one sentence, told on loading."""

from __future__ import annotations

from collections.abc import Iterator

from loamline_codecs.declaration import Codec, DeclarationError
from loamline_codecs.quantities import SAMPLE_QUANTITIES, UPLINK_QUANTITIES
from loamline_codecs.walkable import placed, require_walkable


def validate(codec: Codec) -> None:
    """Raise DeclarationError, saying which codec and field, for a declaration that can't be meant."""
    match = codec.match
    if not 1 <= match.fport <= 223:
        raise DeclarationError(f"codec {codec.name}: expected an application FPort, 1 to 223, got {match.fport}")
    if not (0 <= match.leading_bits <= 8 and 0 <= match.value < 1 << match.leading_bits):
        raise DeclarationError(
            f"codec {codec.name}: expected 0 to 8 leading bits and a value that they hold, got {match.value} in "
            f"{match.leading_bits} bits"
        )
    require_walkable(codec)
    known = [(q, UPLINK_QUANTITIES) for q in codec.quantities]
    known += [(q, SAMPLE_QUANTITIES) for group in codec.samples for q in group.quantities]
    for quantity, names in known:
        if quantity.name not in names:
            raise DeclarationError(f"codec {codec.name}: expected one of {', '.join(names)}, got {quantity.name!r}")
        if quantity.unit != names[quantity.name]:
            raise DeclarationError(
                f"codec {codec.name}: {quantity.name}: expected unit {names[quantity.name]}, got {quantity.unit}"
            )
    fields = {path for _, path, _ in placed(codec.layout)}
    for user, path in _cited(codec):
        if path not in fields:
            raise DeclarationError(f"codec {codec.name}: {user}: expected a field of the layout, got {path!r}")


def _cited(codec: Codec) -> Iterator[tuple[str, str]]:
    """Yield every field path that a declaration cites, and what cites it."""
    for quantity in codec.quantities:
        yield quantity.name, quantity.field
    for group in codec.samples:
        inside = f"{group.repeat}." if group.repeat else ""
        for quantity in group.quantities:
            yield quantity.name, inside + quantity.field
            if quantity.switch:
                yield f"{quantity.name}, switch", quantity.switch
        if group.repeat:
            yield "repeat", group.repeat
        if group.age_interval:
            yield "age_interval", group.age_interval
    for bound in codec.bounds:
        yield "bound", bound.field
