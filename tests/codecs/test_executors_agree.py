"""Both executors agree on every payload, well formed or not: the same values, or the same refusal.

The scalar parser is the reference; a whole batch must say of each row what it says of that row alone.
"""

from __future__ import annotations

import dataclasses
import random
from typing import Any

import construct as c
import numpy as np
import pyarrow as pa
import pytest
from construct import this
from hypothesis import example, given, settings
from hypothesis import strategies as st

from loamline_codecs import Codec, CodecSet, Decoded, Match, Quantity, SampleGroup, builtin_codecs
from loamline_codecs.agreement import decode, differences
from loamline_codecs.columnar import SMALLEST_PARTITION
from loamline_codecs.declaration import Bound

Uplink = tuple[int, bytes]


def assert_agreeing(codecs: CodecSet, uplinks: list[Uplink]) -> Decoded:
    """Compare every column of a decoded batch with the scalar parser's answers; return the batch."""
    fports, payloads = [fport for fport, _ in uplinks], [payload for _, payload in uplinks]
    assert differences(codecs, fports, payloads) == []
    return decode(codecs, fports, payloads)


#: FPort, first byte and length of every message that the built-in family can send, and of some it must not.
SHAPES = [
    (10, 0x01, 9),
    *[(10, 0x20 | flags, 9) for flags in range(16)],
    *[(10, 0x30 | older, 12 + 3 * older) for older in range(9)],
    *[(10, 0x40 | depths, 8 + size * depths) for depths in range(8) for size in (4, 6)],
    *[(11, 0x10 | cause, 12) for cause in range(6)],
]


@st.composite
def strays(draw: st.DrawFn) -> Uplink:
    """One payload: as a probe would send it, mutated, truncated, extended, or anything at all."""
    fport, first, length = draw(st.sampled_from(SHAPES))
    payload = bytearray([first]) + draw(st.binary(min_size=length - 1, max_size=length - 1))
    match draw(st.sampled_from(["whole", "mutated", "truncated", "extended", "misrouted", "anything"])):
        case "mutated":
            place = draw(st.integers(0, length - 1))
            payload[place] ^= 1 << draw(st.integers(0, 7))
        case "truncated":
            del payload[draw(st.integers(0, length - 1)) :]
        case "extended":
            payload += draw(st.binary(min_size=1, max_size=8))
        case "misrouted":
            fport = draw(st.integers(0, 255))
        case "anything":
            payload = bytearray(draw(st.binary(max_size=50)))
    return fport, bytes(payload)


@st.composite
def crowds(draw: st.DrawFn) -> list[Uplink]:
    """So many equally long payloads of one codec that the columnar executor reads them, a few of them poisoned."""
    fport, first, length = draw(st.sampled_from(SHAPES))
    size = draw(st.integers(SMALLEST_PARTITION, SMALLEST_PARTITION + 10))
    block = draw(st.binary(min_size=size * length, max_size=size * length))
    # Half of the rows keep the shape's own first byte, the others any of the codec's.
    low = 0 if first == 0x01 else 0x0F
    found = []
    for row in range(size):
        payload = bytearray(block[row * length : (row + 1) * length])
        payload[0] = first if row % 2 else (first & ~low) | (payload[0] & low)
        found.append((fport, bytes(payload)))
    return found


@st.composite
def batches(draw: st.DrawFn) -> list[Uplink]:
    """A mixed batch in any order."""
    uplinks = draw(st.lists(strays(), max_size=12))
    for crowd in draw(st.lists(crowds(), max_size=4)):
        uplinks += crowd
    random.Random(draw(st.integers(0, 2**16))).shuffle(uplinks)
    return uplinks


@settings(max_examples=150, deadline=None)
@given(batches())
def test_batch_says_of_each_row_what_the_scalar_parser_says(uplinks: list[Uplink]) -> None:
    assert_agreeing(builtin_codecs(), uplinks)


def test_golden_payloads_read_the_same_alone_and_in_a_crowd(golden: Any) -> None:
    uplinks = golden.uplinks()
    assert_agreeing(builtin_codecs(), uplinks)
    assert_agreeing(builtin_codecs(), uplinks * SMALLEST_PARTITION)


def test_a_poisoned_row_leaves_its_batch_on_the_columnar_path() -> None:
    """Odd rows alone are handed to the scalar parser: a refusal names exactly them."""
    good, poisoned = bytes.fromhex("3201020400040E3C00DE0515D20516CD0518"), bytes.fromhex("3F" + "00" * 17)
    uplinks = [(10, good)] * 100
    uplinks[40] = (10, poisoned)
    decoded = assert_agreeing(builtin_codecs(), uplinks)
    assert list(decoded.refusals) == [40]
    assert len(decoded.row) == 3 * 99


def test_a_slice_of_a_batch_reads_as_its_rows() -> None:
    """Arrow slices share the buffers of the whole; rows before the slice must not bleed in."""
    payloads = pa.array([b"\x01" * 9, b"", b"\x12" * 12, b"\x01" + b"\x07" * 8], pa.binary())
    decoded = builtin_codecs().decode(np.array([11, 10], np.uint8), payloads.slice(2))
    assert decoded.codec.tolist() == [4, 0]
    assert decoded.uplink["sample_counter"].tolist()[1] == 0x0707


@pytest.mark.parametrize("uplinks", [[], [(11, bytes.fromhex("1205020E1A0CF8002238005A"))], [(10, b"")], [(0, b"")]])
def test_a_batch_without_samples_has_empty_columns(uplinks: list[Uplink]) -> None:
    assert len(assert_agreeing(builtin_codecs(), uplinks).row) == 0


@pytest.mark.parametrize("length", [242, 4095, 4096, 4097, 9000])
def test_a_payload_longer_than_any_radio_packet_is_refused_by_its_own_codec(length: int) -> None:
    decoded = assert_agreeing(builtin_codecs(), [(11, b"\x12" * length), (10, b"\x01" * length)])
    assert {refusal.codec for refusal in decoded.refusals.values()} == {"status-v1", "measurement-v1"}
    assert f"expected 9 bytes, got {length}" in decoded.refusals[1].detail


# Declarations of features that the built-in family doesn't use -------------------------------------------


def _codec(layout: Any, *quantities: Quantity, **more: Any) -> CodecSet:
    return CodecSet(
        [Codec("tried", "A layout that is tried.", "measurement", Match(1, 0, 0), layout, quantities, **more)]
    )


_COUNT = Quantity("moisture_count", "count", "{count}", sentinels={255: "transducer fault"}, valid=(0, 99))

#: Name -> codec, the lengths at which it reads something, and those at which it must not.
DECLARATIONS: dict[str, tuple[CodecSet, tuple[int, ...], tuple[int, ...]]] = {
    "more samples than would fit a fixed sort key": (
        _codec(
            c.Struct("all" / c.GreedyRange(c.Struct("count" / c.Int8ub))),
            samples=(SampleGroup((_COUNT,), "all", None),),
        ),
        (1, 5, 64, 65, 100),
        (),
    ),
    "a section that is absent": (
        _codec(
            c.Struct("has" / c.Flag, "power" / c.If(this.has, c.Struct("supply" / c.Int8ub, "minutes" / c.Int8ub))),
            Quantity("supply_v", "power.supply", "V", scale="0.1"),
            Quantity("interval_minutes", "power.minutes", "min"),
            bounds=(Bound("power.supply", 0, 200),),
        ),
        (1, 3),
        (2, 4),
    ),
    "samples and their interval in a section that is absent": (
        _codec(
            c.Struct(
                "has" / c.Flag,
                "minutes" / c.If(this.has, c.Int8ub),
                "some" / c.If(this.has, c.Array(2, c.Struct("count" / c.Int8ub))),
            ),
            samples=(SampleGroup((_COUNT,), "some", 0, "minutes"),),
            longest_age_minutes=255,
        ),
        (1, 4),
        (2, 3, 5),
    ),
    "an interval that is absent": (
        _codec(
            c.Struct(
                "has" / c.Flag, "minutes" / c.If(this.has, c.Int8ub), "two" / c.Array(2, c.Struct("count" / c.Int8ub))
            ),
            samples=(SampleGroup((_COUNT,), "two", 0, "minutes"),),
            longest_age_minutes=255,
        ),
        (3, 4),
        (1, 2, 5),
    ),
    "quantities in one case of a switch": (
        _codec(
            c.Struct(
                "kind" / c.Int8ub,
                "of" / c.Switch(this.kind & 1, {0: c.Struct("supply" / c.Int8ub, "count" / c.Int8ub)}, c.Struct()),
            ),
            Quantity("supply_v", "of.supply", "V", scale="0.1"),
            samples=(SampleGroup((dataclasses.replace(_COUNT, field="of.count"),)),),
        ),
        (1, 3),
        (2,),
    ),
    "a named code": (
        _codec(
            c.Struct("why" / c.Enum(c.Int8ub, power=0, watchdog=1), "count" / c.Enum(c.Int8ub, none=255, many=200)),
            Quantity("reset_cause", "why", "1", labels={0: "power-up"}),
            samples=(SampleGroup((_COUNT,)),),
        ),
        (2,),
        (1, 3),
    ),
    "a float": (
        _codec(
            c.Struct("supply" / c.Float32l, "count" / c.Float32b),
            Quantity("supply_v", "supply", "V", scale="0.1", offset="0.3"),
            samples=(SampleGroup((_COUNT,)),),
        ),
        (8,),
        (7, 9),
    ),
    "figures that no double holds": (
        _codec(
            c.Struct("supply" / c.BytesInteger(7), "temperature" / c.BytesInteger(7, signed=True)),
            Quantity("supply_v", "supply", "V", scale="0.123456789", offset="-7"),
            samples=(SampleGroup((Quantity("soil_temperature_degc", "temperature", "Cel", scale="1e-25"),)),),
        ),
        (14,),
        (13,),
    ),
    "a count that may be nothing": (
        _codec(
            c.Struct(
                "has" / c.Flag,
                "n" / c.If(this.has, c.Int8ub),
                "rest" / c.Array(this.n & 1, c.Struct("count" / c.Int8ub)),
            ),
            samples=(SampleGroup((_COUNT,), "rest", 0),),
        ),
        (2, 3),
        (1, 4),
    ),
    "the end of the payload": (
        _codec(c.Struct("supply" / c.Int16ub, c.Terminated), Quantity("supply_v", "supply", "V")),
        (2,),
        (1, 3),
    ),
}


@pytest.mark.parametrize("name", DECLARATIONS)
def test_other_declarations_read_the_same_by_both_executors(name: str) -> None:
    codecs, lengths, refused_lengths = DECLARATIONS[name]

    @settings(max_examples=25, deadline=None, database=None)
    @given(st.integers(1, SMALLEST_PARTITION + 10), st.binary(min_size=800, max_size=800))
    @example(SMALLEST_PARTITION, bytes([0xFF]) * 800)
    @example(SMALLEST_PARTITION, bytes(800))
    def agree(size: int, block: bytes) -> None:
        for length in lengths + refused_lengths:
            # Flags in whole bytes are seldom unset in random bytes.
            payloads = [bytes([row % 3 > 0]) + block[row * 15 :][: length - 1] for row in range(size)]
            decoded = assert_agreeing(codecs, [(1, payload) for payload in payloads])
            if (decoded.codec >= 0).any():
                read_once.add(length)

    read_once: set[int] = set()
    agree()
    assert read_once == set(lengths)
