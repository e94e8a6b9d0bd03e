"""What a declaration tells of itself: the digest that readings cite, and how long its payloads are."""

from __future__ import annotations

import dataclasses
from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs import BUILT_IN, Codec, CodecSet, Match
from loamline_codecs.declaration import Bound
from loamline_codecs.lengths import length_in_words


def _codec(layout: Any) -> Codec:
    return Codec("bench-v1", "", "measurement", Match(7, 8, 1), layout, ())


def _changed(codec: Codec) -> list[Codec]:
    first, *rest = codec.quantities
    group = codec.samples[0]
    count, *others = group.quantities
    return [
        dataclasses.replace(codec, name="other"),
        dataclasses.replace(codec, match=Match(10, 4, 5)),
        dataclasses.replace(codec, bounds=(Bound("interval", 1, 60),)),
        dataclasses.replace(codec, quantities=(dataclasses.replace(first, scale="0.002"), *rest)),
        dataclasses.replace(codec, samples=(dataclasses.replace(group, depth_index=1),)),
        dataclasses.replace(
            codec, samples=(dataclasses.replace(group, quantities=(dataclasses.replace(count, sentinels={}), *others)),)
        ),
        dataclasses.replace(codec, layout=c.Struct(*codec.layout.subcons[:-1], c.Padding(1), codec.layout.subcons[-1])),
    ]


def test_a_digest_changes_with_everything_that_decides_a_figure() -> None:
    codec = CodecSet(BUILT_IN).by_name("measurement-v3")
    digests = [codec.digest, *(other.digest for other in _changed(codec))]
    assert len(set(digests)) == len(digests)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (c.Int16ub, c.Int16ul),
        (c.Int16ub, c.Int16sb),
        (c.BytesInteger(3), c.BytesInteger(3, swapped=True)),
        (c.ByteSwapped(c.Int16ub), c.BitsSwapped(c.Int16ub)),
        (c.Const(1, c.Int8ub), c.Const(2, c.Int8ub)),
        (c.Switch(1, {1: c.Int8ub}), c.Switch(1, {2: c.Int8ub})),
        (c.Computed(this.a), c.Computed(this.a + 1)),
    ],
)
def test_a_digest_changes_with_the_layout(one: Any, other: Any) -> None:
    layouts = [c.Struct("a" / c.Int8ub, "x" / node) for node in (one, other)]
    first, second = (_codec(layout).digest for layout in layouts)
    assert first != second
    assert first == _codec(layouts[0]).digest


def test_a_digest_does_not_change_with_words() -> None:
    """A description decides no figure, nor do the labels of a code."""
    status = CodecSet(BUILT_IN).by_name("status-v1")
    quantities = tuple(dataclasses.replace(quantity, labels={}) for quantity in status.quantities)
    assert dataclasses.replace(status, description="Other words.", quantities=quantities).digest == status.digest


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        (c.Struct("a" / c.Int8ub), "1 byte"),
        (c.Struct("a" / c.Int8ub, "b" / c.BitStruct("c" / c.BitsInteger(16))), "3 bytes"),
        (c.Struct("n" / c.Int8ub, "x" / c.Array(this.n, c.Int16ub)), "1 byte, then 2 for each of x"),
        (c.Struct("x" / c.GreedyRange(c.Int24ub)), "0 bytes, then 3 for each of x"),
        (
            c.Struct("f" / c.Struct("g" / c.Flag), "x" / c.If(this.f.g, c.Struct("y" / c.Int16ub))),
            "1 byte, then 2 where f.g",
        ),
        (c.Struct("f" / c.Flag, "x" / c.IfThenElse(this.f, c.Int8ub, c.Int16ub)), "1 byte, then 1 where f, else 2"),
        (
            c.Struct("k" / c.Int8ub, "x" / c.Switch(this.k & 3, {0: c.Int8ub, 1: c.Int16ub, 2: c.Int8sb})),
            "1 byte, then 1 or 2 or 0 by (k & 3)",
        ),
        (c.Struct("n" / c.Int8ub, "x" / c.Padded(this.n, c.Pass)), "1 byte, then n of x"),
        (c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n)), "1 byte, then n of x"),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Default(c.Array(this.n, c.Flag), [])),
            "1 byte, then 1 for each of x",
        ),
        (c.Struct("x" / c.Sequence("n" / c.Int8ub, c.If(this.n, c.Flag))), "1 byte, then 1 where n"),
    ],
)
def test_lengths_are_told_in_words(layout: Any, words: str) -> None:
    assert length_in_words(_codec(layout)) == words


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("measurement-v1", "9 bytes"),
        ("measurement-v2", "9 bytes"),
        ("measurement-v3", "9 bytes, then 3 for each of samples"),
        ("measurement-v4", "8 bytes, then 4 (and 2 where flags.conductivity_present) for each of depths"),
        ("status-v1", "12 bytes"),
    ],
)
def test_lengths_of_the_built_in_family_are_those_of_its_data_sheet(name: str, words: str) -> None:
    assert length_in_words(CodecSet(BUILT_IN).by_name(name)) == words
