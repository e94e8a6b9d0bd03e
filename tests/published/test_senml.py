"""SenML against the examples of IETF RFC 8428, sections 5.1.1 to 5.1.4, and their resolved records (section 4.6)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from loamline.core.senml import QUANTITIES, SenmlError, pack_text, resolve

EXAMPLES = json.loads((Path(__file__).parent / "senml_rfc8428_examples.json").read_text())


@pytest.mark.parametrize(
    ("pack", "resolved"),
    [("multi_5_1_2_b", "multi_5_1_2_b_resolved"), ("measurements_5_1_3", "resolved_5_1_4")],
)
def test_a_pack_of_the_rfc_resolves_to_the_records_that_the_rfc_gives(pack, resolved) -> None:
    assert resolve(EXAMPLES[pack]) == EXAMPLES[resolved]


@pytest.mark.parametrize("pack", ["single_5_1_1", "resolved_5_1_4"])
def test_a_resolved_pack_resolves_to_itself(pack) -> None:
    """Section 4.6: resolving adds nothing where there are no base fields."""
    assert resolve(EXAMPLES[pack]) == EXAMPLES[pack]


def test_a_base_name_goes_before_every_name() -> None:
    """Section 5.1.2, first example."""
    assert [(record["n"], record["u"], record["v"]) for record in resolve(EXAMPLES["multi_5_1_2_a"])] == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2),
    ]


@pytest.mark.parametrize("pack", [name for name in EXAMPLES if name.endswith(("5_1_1", "_a", "_b", "5_1_3", "5_1_4"))])
def test_a_pack_of_the_rfc_is_written_as_json_that_reads_back_the_same(pack) -> None:
    assert json.loads("".join(pack_text(EXAMPLES[pack]))) == EXAMPLES[pack]


def test_times_below_2_to_the_28_are_relative_to_now() -> None:
    """Section 4.5.3; the pack of 5.1.1 has no time at all, which is now."""
    assert resolve(EXAMPLES["single_5_1_1"], now_s=1_320_067_464)[0]["t"] == 1_320_067_464
    assert resolve([{"n": "a", "t": -5, "v": 1}], now_s=1_320_067_464)[0]["t"] == 1_320_067_459
    assert resolve([{"n": "a", "t": 1 << 28, "v": 1}], now_s=1_320_067_464)[0]["t"] == 1 << 28


@pytest.mark.parametrize(
    ("record", "sentence"),
    [
        ({"bver": 11, "n": "a", "v": 1}, "expected a version (bver) of at most 10, got 11 in record 0"),
        ({"n": "a", "v": 1, "new_": 2}, "expected only fields that are known, got 'new_', which must be, in record 0"),
        ({"n": "a", "v": 1, "vs": "b"}, "expected at most one of v, vs, vb, vd, got several in record 0"),
        ({"v": 1}, "begins with a letter or digit, got '' in record 0"),
        ({"n": "-a", "v": 1}, "begins with a letter or digit, got '-a' in record 0"),
    ],
)
def test_what_the_rfc_forbids_is_refused_in_a_sentence(record, sentence) -> None:
    """Section 4.4: unknown versions and must-understand fields; 4.5.1: names; 4.2: one value a record."""
    with pytest.raises(SenmlError) as refused:
        resolve([record])
    assert str(refused.value).endswith(sentence)


def test_our_units_are_codes_of_the_registry() -> None:
    """IANA SenML registry, begun by RFC 8428 section 12.1; Cel and V FOUND there, the others MEMORY; no dBm."""
    assert {quantity.unit for quantity in QUANTITIES} - {None} == {
        "m",
        "/",
        "count",
        "Cel",
        "S/m",
        "V",
        "dBW",
        "dB",
        "s",
    }
