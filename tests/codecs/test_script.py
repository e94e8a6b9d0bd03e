"""A codec written as a JavaScript decoder says what the scalar parser says, payload by payload, in a real node.

The reference is `scalar.parse`, and construct's own `.parse` for the raw values. The names of the interface
(`decodeUplink`, `bytes`, `fPort`, `data`, `errors`, `warnings`) are TS013-1.0.0's, from memory.
"""

from __future__ import annotations

import math
import random
import re
from pathlib import Path
from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs import BUILT_IN, Codec, CodecSet, DeclarationError, Message, Quantity, Refusal, SampleGroup
from loamline_codecs.dissect import dissect
from loamline_codecs.scalar import parse
from loamline_codecs.script import script
from tests.codecs.declarations import FPORT, random_codec
from tests.codecs.javascript import Ask, answers, codec_of, data_of, few_bits, uplink
from tests.codecs.payloads import payloads as payloads_of

_FIXTURES = Path(__file__).parents[2] / "replay_fixtures"
_CODECS = {codec.name: codec for codec in BUILT_IN}


def _expected(codecs: CodecSet, port: int, payload: bytes) -> dict[str, Any]:
    """Return what `decodeUplink` must return, from the scalar parser and the dissection's sentences."""
    message = codecs.parse(port, payload)
    if isinstance(message, Refusal):
        return {"errors": [message.detail], "warnings": []}
    found = dissect(codecs, port, payload)
    assert not isinstance(found, Refusal)
    return {"data": data_of(message), "errors": [], "warnings": list(found.faults)}


def _differences(codec: Codec, payloads: list[tuple[int, bytes]], ask: Ask) -> tuple[list[str], int]:
    """Return where script and scalar parser differ, and how many payloads were read."""
    told, read, codecs = [], 0, CodecSet((codec,))
    answers = ask(script(codec), [uplink(port, payload) for port, payload in payloads])
    for (port, payload), got in zip(payloads, answers, strict=True):
        expected = _expected(codecs, port, payload)
        read += "data" in expected
        if got != expected:
            told.append(f"port {port}, {payload.hex()}: expected {expected}, got {got}")
    return told[:5], read


def _golden() -> list[tuple[int, bytes]]:
    cases = [
        re.search(r"^  port +(\d+)\n  hex *([0-9A-Fa-f ]*)$", path.read_text(), re.MULTILINE)
        for path in sorted(_FIXTURES.glob("*/*.txt"))
    ]
    assert len(cases) > 30
    return [(int(case[1]), bytes.fromhex(case[2])) for case in cases if case]


# The shipped codecs --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", _CODECS)
def test_every_golden_payload_gives_the_same_figures_or_the_same_refusal(name: str, ask: Ask) -> None:
    """All fixtures go to each codec's script: its own are read, the others' are refused with the same sentence."""
    differences, read = _differences(_CODECS[name], _golden(), ask)
    assert differences == []
    assert read >= 2


@pytest.mark.parametrize("name", _CODECS)
def test_random_mutated_truncated_and_extended_payloads_are_read_or_refused_alike(name: str, ask: Ask) -> None:
    codec, chance = _CODECS[name], random.Random(name)
    codecs = CodecSet((codec,))
    seeds = [payload for port, payload in _golden() if isinstance(codecs.parse(port, payload), Message)]
    payloads = [_near(chance.choice(seeds), codec, chance) for _ in range(1500)]
    differences, read = _differences(codec, [(codec.match.fport, payload) for payload in payloads], ask)
    assert differences == []
    assert 300 < read < 1500


def _near(payload: bytes, codec: Codec, chance: random.Random) -> bytes:
    """Return random bytes of a codec's own, or a payload with bits flipped, cut off or added."""
    how = chance.randrange(5)
    if how == 0:
        return bytes([chance.choice(codec.match.first_bytes)]) + chance.randbytes(chance.randrange(60))
    if how == 1:
        return payload[: chance.randrange(len(payload) + 1)]
    if how == 2:
        return payload + chance.randbytes(chance.randrange(1, 9))
    if how == 3:
        return payload[:1] + chance.randbytes(len(payload) - 1)
    changed = bytearray(payload)
    for _ in range(chance.randrange(1, 4)):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def test_a_whole_answer_of_the_first_vector() -> None:
    """What a customer gets; figures from the probe family's data sheet. Checked without node against the reference."""
    codecs = CodecSet((_CODECS["measurement-v1"],))
    assert _expected(codecs, 10, bytes.fromhex("01073A05DCA025002A")) == _FIRST_ANSWER


def test_the_script_gives_that_answer_too(ask: Ask) -> None:
    source = script(_CODECS["measurement-v1"])
    assert ask(source, [uplink(10, bytes.fromhex("01073A05DCA025002A"))]) == [_FIRST_ANSWER]


_FIRST_ANSWER = {
    "data": {
        "codec": "measurement-v1",
        "firmware": "2.5",
        "supply_v": 3.6,
        "sample_counter": 42,
        "samples": [{"depth_index": 0, "age_minutes": 0, "moisture_count": 1850, "soil_temperature_degc": 15}],
    },
    "errors": [],
    "warnings": [],
}


def test_faults_are_null_with_a_warning_and_codes_are_told_by_name(ask: Ask) -> None:
    (v2,) = ask(script(_CODECS["measurement-v2"]), [uplink(10, bytes.fromhex("2AFFF387FFE7031FFF"))])
    assert v2["warnings"] == ["depth 0: transducer fault", "depth 0: thermistor fault", "depth 1: thermistor fault"]
    assert v2["data"]["samples"][1] == {
        "depth_index": 1,
        "age_minutes": 0,
        "moisture_count": 903,
        "soil_temperature_degc": None,
        "faults": ["thermistor fault"],
    }
    vectors = [bytes.fromhex(f"1{cause}05020E1A0CF8002238005A") for cause in "29"]
    status = ask(script(_CODECS["status-v1"]), [uplink(11, payload) for payload in vectors])
    assert [told["data"]["reset_cause"] for told in status] == ["brown-out", 9]


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        (None, "codec measurement-v1: expected input.bytes as a list of bytes, got null"),
        ({}, "codec measurement-v1: expected input.bytes as a list of bytes, got undefined"),
        ({"bytes": "0107", "fPort": 10}, "codec measurement-v1: expected input.bytes as a list of bytes, got 0107"),
        ({"bytes": [1, 256], "fPort": 10}, "codec measurement-v1: expected bytes of 0 to 255, got 256 as byte 1"),
        ({"bytes": [1, 0.5], "fPort": 10}, "codec measurement-v1: expected bytes of 0 to 255, got 0.5 as byte 1"),
        ({"bytes": [1]}, "expected FPort 10, got undefined"),
        ({"bytes": [], "fPort": 10}, "expected a payload on FPort 10, got 0 bytes"),
        ({"bytes": [1] * 8, "fPort": 10}, f"codec measurement-v1: expected 9 bytes, got 8; payload {'01' * 8}"),
    ],
)
def test_any_input_is_answered_with_a_sentence(given: Any, sentence: str, ask: Ask) -> None:
    assert ask(script(_CODECS["measurement-v1"]), [given]) == [{"errors": [sentence], "warnings": []}]


@pytest.mark.parametrize("name", _CODECS)
def test_the_text_is_the_same_every_time_and_plain_enough_for_a_small_interpreter(name: str) -> None:
    """ECMAScript 5.1: none of the later words, no typed arrays, ASCII only; one entry, at the top level."""
    source = script(_CODECS[name])
    assert source == script(_CODECS[name])
    assert source.isascii()
    code = re.sub(r'"(?:[^"\\]|\\.)*"|//[^\n]*|/\*.*?\*/', "", source, flags=re.DOTALL)
    assert re.findall(r"\b(?:let|const|class|import|export|require|BigInt|DataView|\w+Array)\b|=>|`", code) == []
    assert re.findall(r"^function decodeUplink\(input\)", code, re.MULTILINE) == ["function decodeUplink(input)"]
    helpers = re.findall(r"^function (\w+)", code, re.MULTILINE)
    assert [helper for helper in helpers if len(re.findall(rf"\b{helper}\(", code)) < 2] == ["decodeUplink"]


def test_the_head_says_where_the_script_comes_from_and_what_its_figures_are() -> None:
    codec = _CODECS["measurement-v1"]
    head = " ".join(script(codec).partition("*/")[0].replace("\n *", " ").split())
    for words in (
        "LoRa Alliance payload codec API, TS013-1.0.0",
        codec.description,
        "FPort 10 whose byte 0 is 0x01; 9 bytes",
        "`loamline codec script measurement-v1`",
        codec.digest,
        "figures are estimates",
        "calibration curve of the probe's soil",
    ):
        assert words in head


def test_fields_are_told_with_their_bytes_and_bits() -> None:
    lines = script(_CODECS["measurement-v1"]).splitlines()
    assert any("moisture_count" in line and line.endswith("// bytes 1-2") for line in lines)
    assert any("firmware.major" in line and line.endswith("// bits 48-51") for line in lines)
    assert "    // bytes 9 + 3*k to 10 + 3*k" in script(_CODECS["measurement-v3"]).splitlines()


# Random declarations -------------------------------------------------------------------------------------


def test_random_declarations_give_the_same_figures_or_the_same_refusal(tmp_path: Path) -> None:
    """Small layouts of every kind of node, each with ordinary and stray payloads; some no script can say."""
    chance = random.Random(3)
    drawn = [random_codec(chance) for _ in range(70)]
    written = [(codec, source) for codec in drawn if (source := _script_or_none(codec)) is not None]
    assert len(written) > 50
    asked = [payloads_of(chance, codec, 30) for codec, _ in written]
    jobs = [
        {"source": source, "entry": "decodeUplink", "inputs": [uplink(FPORT, payload) for payload in payloads]}
        for (_, source), payloads in zip(written, asked, strict=True)
    ]
    read = 0
    for (codec, _), payloads, got in zip(written, asked, answers(tmp_path, jobs), strict=True):
        codecs = CodecSet((codec,))
        for payload, answer in zip(payloads, got, strict=True):
            expected = codecs.parse(FPORT, payload)
            if isinstance(expected, Message):
                assert _plain(answer.get("data")) == _plain(data_of(expected)), payload.hex()
                read += 1
            elif expected.reason == "layout":
                assert "data" not in answer
                assert answer["errors"][0].startswith(f"codec {codec.name}: ")
                assert answer["errors"][0].endswith(f"; payload {payload.hex()}")
            else:
                assert answer == {"errors": [expected.detail], "warnings": []}
    assert read > 500


def _script_or_none(codec: Codec) -> str | None:
    try:
        return script(codec)
    except DeclarationError:
        return None


def _plain(found: Any) -> Any:
    """Return an answer with NaN equal to itself; a float in a sentence is spelled as each language does."""
    if isinstance(found, dict):
        return {name: _plain(value) for name, value in found.items()}
    if isinstance(found, list):
        return [_plain(value) for value in found]
    if isinstance(found, str):
        return re.sub(r"(: expected raw .*, got )(\S+)$", lambda told: f"{told[1]}{float(told[2])}", found)
    return "NaN" if isinstance(found, float) and math.isnan(found) else found


# What a declaration may say beyond the shipped ones ------------------------------------------------------


_RARE = codec_of(
    c.Struct(
        "flags" / c.BitStruct(c.Padding(6), "warm" / c.Flag, "tilted" / c.Flag),
        "s" / c.If(this.flags.warm, c.Struct("major" / c.Int8ub, "cause" / c.Int8sb)),
        "minor" / c.Int8ub,
        "step" / c.If(this.flags.tilted, c.Int8ub),
        "drift" / c.Float32b,
        "older" / c.If(this.minor > 99, c.Array(2, c.If(this.flags.warm, c.Struct("t" / c.Int16sb)))),
    ),
    quantities=(
        Quantity("firmware_major", "s.major", "1", sentinels={255: "unknown"}),
        Quantity("firmware_minor", "minor", "1"),
        Quantity("reset_cause", "s.cause", "1", scale="2", labels={-1: "none", 3: 'a "quoted" one'}),
        Quantity("tilted", "flags.tilted", "1"),
        Quantity("cold_start", "minor", "1"),
        Quantity("supply_low", "s.major", "1"),
        Quantity("transmissions", "flags.warm", "{count}", scale="-100", offset="7"),
    ),
    samples=(
        SampleGroup(
            (
                Quantity(
                    "soil_temperature_degc", "drift", "Cel", scale="0.1", offset="-40.5", sentinels={0: "no drift"}
                ),
                Quantity("permittivity", "step", "1", scale="-0.3", valid=(3, 200), sentinels={7: "seven", 8: "eight"}),
            ),
            depth_index=3,
        ),
        SampleGroup(
            (Quantity("soil_temperature_degc", "t", "Cel", scale="0.01", valid=(-4000, 6000)),),
            repeat="older",
            depth_index=0,
            age_interval="step",
        ),
    ),
)


def test_absent_sections_several_fault_codes_and_floats_give_the_same_figures(ask: Ask) -> None:
    chance = random.Random(5)
    payloads = [few_bits(chance.randrange(6, 16), chance) for _ in range(1500)]
    payloads = [payload for payload in payloads if not _has_nan_drift(payload)]
    answers = ask(script(_RARE), [uplink(1, payload) for payload in payloads])
    read = 0
    for payload, got in zip(payloads, answers, strict=True):
        message = parse(_RARE, payload)
        if isinstance(message, Refusal):
            assert "data" not in got
            continue
        assert got["data"] == data_of(message), payload.hex()
        about_uplink = ["firmware_major: unknown"] * (message.uplink["firmware_major"] is None and payload[1] == 255)
        assert [told for told in got["warnings"] if not told.startswith("depth ")] == about_uplink * bool(
            payload[0] & 2
        )
        assert [told.partition(": ")[2] for told in got["warnings"] if told.startswith("depth ")] == [
            fault for sample in message.samples for fault in sample.faults
        ]
        read += 1
    assert read > 100


def _has_nan_drift(payload: bytes) -> bool:
    message = parse(_RARE, payload)
    figure = message.samples[0].figures["soil_temperature_degc"] if isinstance(message, Message) else None
    return figure is not None and math.isnan(figure)


@pytest.mark.parametrize(
    ("layout", "more", "sentence"),
    [
        (
            c.Struct("x" / c.BytesInteger(7)),
            {},
            "codec tried: x: expected in a script whole numbers of at most 53 bits, got 56 bits",
        ),
        (
            c.Struct("n" / c.Int8ub, "x" / c.BytesInteger(this.n)),
            {},
            "codec tried: x: expected in a script whole numbers of at most 53 bits, got up to 2040 bits",
        ),
        (
            c.Struct("a" / c.BytesInteger(6), "x" / c.Computed(this.a * 64)),
            {},
            (
                "codec tried: x: expected in a script whole numbers up to 2^53, got (this['a'] * 64), which may be "
                "18014398509481920"
            ),
        ),
        (
            c.Struct("x" / c.Computed(this.y), "y" / c.Int8ub),
            {},
            "codec tried: x: expected in a script a field that is read before, got this.y",
        ),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Array(this.n / 2, c.Int8ub)),
            {},
            "codec tried: x: expected in a script a whole number, got (this['n'] / 2), which may be a float",
        ),
        (
            c.Struct("s" / c.Struct("a" / c.Int8ub), "x" / c.Computed(this.s + 1)),
            {},
            "codec tried: x: expected in a script a number, got this['s'], which is a section",
        ),
        (
            c.Struct("n" / c.Int8ub, "x" / c.Computed(this.n // 0)),
            {},
            "codec tried: x: expected in a script a divisor, got 0",
        ),
        (
            c.Struct("x" / c.BytesInteger(6)),
            {"quantities": (Quantity("transmissions", "x", "{count}", scale="100"),)},
            (
                "codec tried: transmissions: expected in a script figures of whole numbers under 2^53, got "
                "(payload.x * 100 + 0) / 1"
            ),
        ),
        (
            c.Struct("x" / c.Array(2, c.Int8ub)),
            {"quantities": (Quantity("transmissions", "x", "{count}"),)},
            "codec tried: transmissions: expected in a script a number, got 'x', which is a list",
        ),
    ],
)
def test_what_a_script_cannot_say_is_refused_with_codec_and_field(
    layout: Any, more: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(DeclarationError) as refused:
        script(codec_of(layout, **more))
    assert str(refused.value) == sentence


@pytest.mark.parametrize("row_by_row", [False, True])
def test_what_cannot_be_read_as_columns_is_refused_too(row_by_row: bool) -> None:
    """Also where the codec may hold it, being read row by row."""
    with pytest.raises(DeclarationError) as refused:
        script(codec_of(c.Struct("x" / c.Bytes(3)), row_by_row=row_by_row))
    assert str(refused.value) == (
        "codec tried: x: expected a node that can be read as columns, got Bytes; "
        "no script can be written of such a layout"
    )


def test_a_description_cannot_end_the_comment_that_it_stands_in(ask: Ask) -> None:
    codec = codec_of(c.Struct("x" / c.Int8ub), description="An odd */ one\nof two lines.")
    assert ask(script(codec), [uplink(1, b"\x05")])[0]["errors"] == []
