"""Whatever is declared, both executors agree: on every column of every payload, or on why it is refused.

The declarations are random ones of every node that can be read as columns; `campaign.py` tries a million payloads,
this file some thousands of them.
"""

from __future__ import annotations

import io
import json
import random

import construct as c
import pytest
from hypothesis import HealthCheck, Phase, event, given, settings
from hypothesis import strategies as st

from loamline_codecs import BUILT_IN, Codec, CodecSet, DeclarationError, Message, builtin_codecs
from loamline_codecs.fields import Fields
from loamline_codecs.walkable import FLAG, PASS, TERMINATED, TRANSFORMS, nodes
from tests.codecs import campaign
from tests.codecs.declarations import FPORT, as_text, declarations, draft, random_codec
from tests.codecs.payloads import payloads, planted, whole


# Shrinking a declaration takes minutes: the sentence and the declaration are told as they were drawn.
@settings(
    max_examples=60,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(declarations(), st.integers(0, 2**32 - 1))
def test_both_executors_agree_on_any_declaration(codec: Codec, seed: int) -> None:
    batch = payloads(random.Random(seed), codec, 200)
    tally, told = campaign.trial(CodecSet([codec]), codec, [FPORT] * len(batch), batch)
    event("read as columns" if tally.as_columns else "read row by row")
    assert not told, f"{told[0]}\n{as_text(codec)}"


# What makes that test one ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drawn() -> list[Codec]:
    return [random_codec(random.Random(seed)) for seed in range(400)]


def test_every_node_that_is_read_as_columns_is_drawn(drawn: list[Codec]) -> None:
    kinds = {type(node) for codec in drawn for node in nodes(codec.layout)}
    assert kinds >= {
        *(FLAG, PASS, TERMINATED, c.FormatField, c.BytesInteger, c.BitsInteger, c.Struct, c.Sequence, c.Array),
        *(c.GreedyRange, c.Padded, c.Const, c.Enum, c.IfThenElse, c.Switch, c.Computed, c.Rebuild, c.Default, c.Check),
    }
    turned = {node.decodefunc for codec in drawn for node in nodes(codec.layout) if type(node) is c.Transformed}
    assert turned == set(TRANSFORMS)


def test_every_kind_of_meaning_is_drawn(drawn: list[Codec]) -> None:
    quantities = [
        quantity
        for codec in drawn
        for quantity in (*codec.quantities, *(q for group in codec.samples for q in group.quantities))
    ]
    groups = [group for codec in drawn for group in codec.samples]
    assert any(quantity.sentinels for quantity in quantities)
    assert any(quantity.valid for quantity in quantities)
    assert any(quantity.scale != "1" and quantity.offset != "0" for quantity in quantities)
    assert any(codec.bounds for codec in drawn)
    assert any(group.repeat is None for group in groups)
    assert any(group.repeat and group.age_interval and group.depth_index is not None for group in groups)
    assert any(group.repeat and group.depth_index is None for group in groups)
    assert any(leaf.first_bit and leaf.first_bit % 8 for codec in drawn for leaf in Fields(codec.layout).leaves)


def test_nearly_every_draft_loads() -> None:
    """So that few draws are thrown away, and those not all of one kind."""
    fit = 0
    for seed in range(200):
        try:
            CodecSet([draft(random.Random(seed), "draft")])
            fit += 1
        except DeclarationError:
            pass
    assert fit >= 160


def test_most_payloads_are_read_and_of_those_most_as_columns(drawn: list[Codec]) -> None:
    total = campaign.Tally()
    for codec in drawn[:40]:
        batch = payloads(random.Random(1), codec, 200)
        total.add(campaign.trial(CodecSet([codec]), codec, [FPORT] * len(batch), batch)[0])
    assert total.accepted > total.payloads / 3
    assert total.as_columns > total.accepted / 2
    assert {"layout", "length", "version"} <= total.refused.keys()


def test_a_payload_made_for_a_codec_is_mostly_read_by_it(drawn: list[Codec]) -> None:
    read = [isinstance(CodecSet([one]).parse(FPORT, whole(random.Random(1), one)), Message) for one in drawn[:100]]
    assert sum(read) > 60
    shipped = [
        isinstance(builtin_codecs().parse(one.match.fport, whole(random.Random(seed), one)), Message)
        for one in BUILT_IN
        for seed in range(20)
    ]
    assert sum(shipped) > 60


def test_constants_are_planted_where_they_are_read() -> None:
    inside = c.BitStruct("a" / c.Nibble, c.Const(0xABC, c.BitsInteger(12)))
    layout = c.Struct(c.Const(7, c.Int8ub), "b" / c.ByteSwapped(c.Struct(c.Const(0x0102, c.Int16ub))), "c" / inside)
    stream = io.BytesIO(bytes(5))
    planted(layout).parse_stream(stream)
    assert stream.getvalue().hex() == "0702010abc"


# The campaign -------------------------------------------------------------------------------------------


def test_a_short_campaign_finds_no_disagreement(capsys: pytest.CaptureFixture[str]) -> None:
    assert campaign.main(["--payloads", "12000", "--seed", "3", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["ok"]
    assert told["sentences"] == []
    assert told["total"]["payloads"] >= 12000
    assert told["declarations"] >= 10
    assert told["total"]["as_columns"] > 3000
    assert told["total"]["accepted"] + sum(told["total"]["refused"].values()) == told["total"]["payloads"]
