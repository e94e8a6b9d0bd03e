"""Payloads that a codec might be sent: such as it reads, and those mutated, truncated, extended, or anything at all.

A payload that is read is found by reading random bytes: construct tells where it stops. So that constants are
right, they are planted on the way.
"""

from __future__ import annotations

import io
import random
from copy import copy
from functools import lru_cache
from typing import Any

import construct as c

from loamline_codecs import Codec
from loamline_codecs.columnar import SMALLEST_PARTITION
from loamline_codecs.expressions import FAULTS

#: How many payloads of one length are made from one that is read: enough for columns, though some are poisoned.
CROWD = SMALLEST_PARTITION + 10

#: Lengths of the random bytes in which a payload is looked for, shortest first: arrays without a count take all.
_LENGTHS = (24, 60, 242)

#: What a random byte often is: these make ends of ranges, fault codes, and sections that are absent.
_ENDS = bytes([0x00, 0xFF, 0x7F, 0x80, 0x01])


def payloads(rng: random.Random, codec: Codec, least: int) -> list[bytes]:
    """Return at least so many payloads for a codec, in any order."""
    found: list[bytes] = []
    while len(found) < least:
        found += crowd(rng, codec)
        found += (stray(rng, rng.choice(found)) for _ in range(rng.randint(0, CROWD // 3)))
    rng.shuffle(found)
    return found


def crowd(rng: random.Random, codec: Codec) -> list[bytes]:
    """Return equally long payloads of one shape, of which some are mutated into another or into none."""
    seed = whole(rng, codec)
    kind = rng.randrange(10)
    if kind == 0:
        seed = seed[: rng.randint(0, len(seed))]
    elif kind == 1:
        seed += rng.randbytes(rng.randint(1, 4))
    first = codec.match.first_bytes
    return [_routed(rng, _mutated(rng, seed, rng.choice([0, 1, 1, 2, 8])), first) for _ in range(CROWD)]


def stray(rng: random.Random, payload: bytes) -> bytes:
    """Return a payload by itself: truncated, extended, or anything at all."""
    match rng.randrange(3):
        case 0:
            return payload[: rng.randint(0, len(payload))]
        case 1:
            return payload + rng.randbytes(rng.randint(1, 8))
        case _:
            return rng.randbytes(rng.randint(0, 50))


def whole(rng: random.Random, codec: Codec) -> bytes:
    """Return a payload that the codec reads, or that fails only in a Check or for its length."""
    layout, match = planted(codec.layout), codec.match
    for length in _LENGTHS:
        stream = io.BytesIO(_random_bytes(rng, rng.randint(1, length)))
        if stream.getbuffer():
            stream.getbuffer()[0] = rng.choice(match.first_bytes)
        try:
            layout.parse_stream(stream)
        except (c.StreamError, *FAULTS):
            continue
        except c.ConstructError:
            pass
        return stream.getvalue()[: stream.tell()]
    return stream.getvalue()


def _random_bytes(rng: random.Random, length: int) -> bytes:
    ends = rng.choice([0, 0, 30, 100])
    return bytes(rng.choice(_ENDS) if rng.randrange(100) < ends else rng.randrange(256) for _ in range(length))


def _mutated(rng: random.Random, payload: bytes, times: int) -> bytes:
    if not payload or not times:
        return payload
    mutated = bytearray(payload)
    for _ in range(times):
        place = rng.randrange(len(mutated))
        mutated[place] = rng.choice([mutated[place] ^ 1 << rng.randrange(8), rng.randrange(256), rng.choice(_ENDS)])
    return bytes(mutated)


def _routed(rng: random.Random, payload: bytes, first: range) -> bytes:
    """Give most payloads back the leading bits that the codec matches."""
    if not payload or payload[0] in first or rng.randrange(20) == 0:
        return payload
    return bytes([first[payload[0] % len(first)]]) + payload[1:]


# Constants that plant themselves ------------------------------------------------------------------------


class _Planted(c.Subconstruct):  # type: ignore[misc]
    """A constant, written where it is to be read."""

    def __init__(self, constant: Any) -> None:
        super().__init__(constant.subcon)
        self.built = constant.build(None)
        self.value = constant.value

    def _parse(self, stream: Any, context: Any, path: Any) -> Any:
        _overwrite(stream, stream.tell(), self.built)
        self.subcon._parsereport(stream, context, path)
        return self.value


class _Turned(c.Subconstruct):  # type: ignore[misc]
    """Bits of a BitStruct or bytes turned round, turned back with what was planted in them."""

    def __init__(self, turned: Any, subcon: Any) -> None:
        super().__init__(subcon)
        self.turned = turned

    def _parse(self, stream: Any, context: Any, path: Any) -> Any:
        start, size = stream.tell(), self.turned.decodeamount
        data = stream.read(size)
        if len(data) < size:
            raise c.StreamError("random bytes used up", path=path)
        inside = io.BytesIO(self.turned.decodefunc(data))
        value = self.subcon._parsereport(inside, context, path)
        _overwrite(stream, start, self.turned.encodefunc(inside.getvalue()))
        return value


def _overwrite(stream: Any, start: int, data: bytes) -> None:
    buffer = stream.getbuffer()
    if start + len(data) <= len(buffer):
        buffer[start : start + len(data)] = data


@lru_cache(maxsize=64)
def planted(node: Any) -> Any:
    """Return a layout whose constants are planted where they are read."""
    if type(node) is c.Const:
        return _Planted(node)
    if type(node) is c.Transformed:
        return _Turned(node, planted(node.subcon))
    changed = copy(node)
    for name, value in list(vars(node).items()) if hasattr(node, "__dict__") else ():
        if isinstance(value, c.Construct):
            setattr(changed, name, planted(value))
        elif name == "subcons":
            changed.subcons = [planted(one) for one in value]
        elif name == "cases":
            changed.cases = {key: planted(case) for key, case in value.items()}
    return changed
