"""`codec check`'s checks: a good codec passes them all, and each planted fault fails the check that is for it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

import construct as c
import numpy as np
import pytest
from construct import Const, Flag, GreedyRange, Int8ub, Int16ub, Struct

from loamline_codecs import (
    BUILT_IN,
    Codec,
    CodecSet,
    Decoded,
    Match,
    Message,
    Quantity,
    Refusal,
    SampleGroup,
    builtin_codecs,
)
from loamline_codecs.agreement import differences
from loamline_codecs.checking import Cases, Check, check_codec, crowded, random_uplinks
from loamline_codecs.columnar import SMALLEST_PARTITION
from loamline_codecs.golden import Examined, Golden

_SUPPLY = Quantity("supply_v", "supply", "V", scale="0.1")
_COUNT = Quantity("moisture_count", "count", "{count}", sentinels={0xFFFF: "transducer fault"})
_GOOD = Codec(
    "bench-v1",
    "A test bench's.",
    "measurement",
    Match(20, 8, 9),
    Struct("version" / Const(9, Int8ub), "supply" / Int8ub, "count" / Int16ub),
    (_SUPPLY,),
    (SampleGroup((_COUNT,)),),
)
_PAYLOADS = ("0924073A", "0924FFFF", "09000000")


def checked(
    codec: Codec = _GOOD,
    payloads: Iterable[str] = _PAYLOADS,
    codecs: CodecSet | None = None,
    problem: str | None = None,
    required: bool = True,
) -> dict[str, Check]:
    """Return every check by name; `problem` is what the golden engine says of the first case."""
    codecs = codecs or CodecSet([codec])
    examined = [Examined(f"case {n}", (20, bytes.fromhex(text)), None) for n, text in enumerate(payloads)]
    if problem:
        examined[0] = dataclasses.replace(examined[0], problem=problem)
    cases = Cases("replay_fixtures/bench-v1", tuple(examined), required)
    return {check.name: check for check in check_codec(codecs, codec, cases, payloads=400, seed=7)}


def failed(checks: dict[str, Check]) -> list[str]:
    return [name for name, check in checks.items() if check.verdict == "failed"]


def test_a_good_codec_passes_every_check_with_its_counts() -> None:
    checks = checked()
    assert {check.verdict for check in checks.values()} == {"ok"}
    assert {name: check.told for name, check in checks.items()} == {
        "declaration": f"FPort 20, byte 0 = 0x09, 4 bytes; digest {_GOOD.digest}",
        "golden cases": "3 of 3 hold",
        "round trip": "3 of 3 come back from their figures",
        # Lengths 0 and 1 are the same for all three, and two share their first 2 bytes.
        "truncation": "7 of 7 truncated payloads refused by both executors alike",
        "trailing byte": "6 of 6 payloads with a byte more refused by both executors alike",
        "bit flips": "96 payloads with a flipped bit: 72 read and 24 refused by both executors alike",
        "random payloads": checks["random payloads"].told,
        "quantities": "2 of 2 have a golden figure",
        "fault codes": "1 of 1 are in a golden case",
    }


@pytest.mark.parametrize("codec", BUILT_IN, ids=lambda codec: codec.name)
def test_every_built_in_codec_passes_with_its_golden_cases(golden: Golden, codec: Codec) -> None:
    cases = Cases(codec.name, tuple(golden.examined(path) for path in golden.paths_of(codec.name)))
    checks = list(check_codec(builtin_codecs(), codec, cases, payloads=300, seed=1))
    assert [(check.name, check.verdict, check.details) for check in checks if check.verdict != "ok"] == []


def test_a_golden_case_that_lies_fails_with_the_engines_sentence() -> None:
    checks = checked(problem="expected the lines with -, got those with +")
    assert failed(checks) == ["golden cases"]
    assert checks["golden cases"] == Check(
        "golden cases", "failed", "2 of 3 hold", ("case 0: expected the lines with -, got those with +",)
    )


def test_fewer_than_three_golden_cases_fail() -> None:
    assert checked(payloads=_PAYLOADS[:2])["golden cases"].details == (
        "replay_fixtures/bench-v1: expected at least 3 cases, got 2",
    )


@pytest.mark.parametrize(("required", "verdict"), [(True, "failed"), (False, "note")])
def test_without_golden_cases_the_rest_is_checked_and_the_report_says_so(required: bool, verdict: str) -> None:
    """A wheel carries no cases of the built-in codecs; a private codec without any is not done."""
    checks = checked(payloads=(), required=required)
    assert checks["golden cases"].verdict == verdict
    assert checks["golden cases"].told == "not checked: no golden cases at replay_fixtures/bench-v1"
    assert list(checks) == ["declaration", "golden cases", "random payloads"]


def test_a_figure_that_does_not_come_back_fails() -> None:
    """A flag that takes a byte is set by 2 as well as by 1; what was read says only that it is set."""
    codec = dataclasses.replace(
        _GOOD,
        layout=Struct("version" / Const(9, Int8ub), "supply" / Int8ub, "tilted" / Flag, "count" / Int8ub),
        quantities=(_SUPPLY, Quantity("tilted", "tilted", "1")),
        samples=(SampleGroup((dataclasses.replace(_COUNT, sentinels={}),)),),
    )
    checks = checked(codec, ("09240207", "09240107", "09240007"))
    assert failed(checks) == ["round trip"]
    assert checks["round trip"].details == (
        (
            "payload 09240207: expected to be rebuilt from its reading as 09 24 02 07, got 09 24 01 07: "
            "something is lost"
        ),
    )


def test_a_quantity_without_a_golden_figure_fails_and_a_fault_code_without_one_is_noted() -> None:
    checks = checked(payloads=("09240000", "09230001", "09220002"))
    assert failed(checks) == []
    assert checks["fault codes"].details == ("moisture_count: raw 65535 (transducer fault) is in no golden case",)
    assert checks["fault codes"].verdict == "note"
    silent = checked(payloads=("0924FFFF", "0923FFFF", "0922FFFF"))
    assert failed(silent) == ["quantities"]
    assert silent["quantities"].details == ("moisture_count: expected a figure in a golden case, got none",)


def test_a_layout_that_takes_what_it_finds_is_noted_where_a_cut_message_still_reads() -> None:
    """A GreedyRange ends where the payload does: nothing in the message says how long it should have been."""
    codec = dataclasses.replace(
        _GOOD,
        layout=Struct("version" / Const(9, Int8ub), "supply" / Int8ub, "all" / GreedyRange(Struct("count" / Int16ub))),
        samples=(SampleGroup((_COUNT,), "all", None),),
    )
    checks = checked(codec)
    assert failed(checks) == []
    assert checks["truncation"].verdict == "note"
    assert checks["truncation"].details == (
        "the layout takes as many bytes as come, so that only the radio's own check guards a message's length",
    )


# Executors that don't agree: a decoded batch is changed on its way out ------------------------------------


class _Wrong(CodecSet):
    """A codec set whose columnar executor is wrong in one way wherever it is used at all."""

    def __init__(self, codecs: Iterable[Codec], fault: str) -> None:
        super().__init__(codecs)
        self._fault = fault

    def decode(self, fports: Any, payloads: Any) -> Decoded:
        decoded = super().decode(fports, payloads)
        read = np.flatnonzero(decoded.codec >= 0)
        match self._fault:
            case "raises":
                raise RuntimeError("out of columns")
            case "figure" if len(read):
                decoded.uplink["supply_v"][read[0]] += 0.1
            case "sample":
                decoded.figures["moisture_count"][decoded.figures["moisture_count"] == 1850] = 1851
            case "refusal":
                for row, refusal in decoded.refusals.items():
                    decoded.refusals[row] = dataclasses.replace(refusal, detail="too short")
            case "lost sample":
                names = ("row", "depth_index", "age_minutes", "moisture_fault", "temperature_fault", "out_of_range")
                cut = {name: getattr(decoded, name)[1:] for name in names}
                return dataclasses.replace(
                    decoded, **cut, figures={name: column[1:] for name, column in decoded.figures.items()}
                )
        return decoded


def test_a_wrong_figure_of_the_columnar_executor_is_told_with_the_payload() -> None:
    sentences = differences(_Wrong([_GOOD], "sample"), [20, 20], [bytes.fromhex(text) for text in _PAYLOADS[1::-1]])
    assert sentences == [
        (
            "row 1, payload 0924073a: figures.moisture_count of sample 0: the scalar parser said 1850.0, "
            "the columnar executor 1851.0"
        )
    ]


@pytest.mark.parametrize(
    ("fault", "names", "sentence"),
    [
        (
            "figure",
            ["bit flips", "random payloads"],
            "uplink.supply_v: the scalar parser said ",
        ),
        (
            "refusal",
            ["truncation", "trailing byte", "bit flips", "random payloads"],
            "refusal: the scalar parser said ",
        ),
        ("lost sample", ["bit flips", "random payloads"], "samples: the scalar parser said 1, the columnar executor 0"),
        (
            "raises",
            ["truncation", "trailing byte", "bit flips", "random payloads"],
            "expected to be decoded, got RuntimeError: out of columns",
        ),
    ],
)
def test_executors_that_differ_fail_the_checks_that_compare_them(fault: str, names: list[str], sentence: str) -> None:
    codecs = _Wrong([_GOOD], fault)
    checks = checked(codecs=codecs)
    assert failed(checks) == names
    assert all(sentence in checks[name].details[0] for name in names)


class _Raising(CodecSet):
    """A codec set whose scalar parser raises, which it never may."""

    def parse(self, fport: int, payload: bytes) -> Message | Refusal:
        raise c.StreamError(f"FPort {fport}: {len(payload)} bytes")


def test_a_scalar_parser_that_raises_is_a_difference_too() -> None:
    assert differences(_Raising([_GOOD]), [20], [b""]) == [
        (
            "row 0, payload of 0 bytes: expected the scalar parser to read or refuse it, "
            "got StreamError: FPort 20: 0 bytes"
        )
    ]


def test_agreeing_executors_have_no_difference() -> None:
    payloads = [bytes.fromhex(text) for text in _PAYLOADS] * SMALLEST_PARTITION
    assert differences(CodecSet([_GOOD]), [20] * len(payloads), payloads) == []
    assert differences(CodecSet([_GOOD]), [], []) == []


def test_a_crowd_is_large_enough_for_the_columnar_executor() -> None:
    crowd = crowded(CodecSet([_GOOD]), [(20, b"\x09\x01"), (20, b"\x09\x02"), (20, b"\x09"), (9, b"\x09")])
    assert crowd.count((20, b"\x09\x01")) == SMALLEST_PARTITION // 2
    assert crowd.count((20, b"\x09")) == SMALLEST_PARTITION
    assert crowd.count((9, b"\x09")) == 1


def test_random_payloads_are_the_same_for_the_same_seed_and_all_claimed_by_the_codec() -> None:
    golden = [bytes.fromhex(text) for text in _PAYLOADS]
    drawn = list(random_uplinks(_GOOD, golden, 200, seed=3))
    assert drawn == list(random_uplinks(_GOOD, golden, 200, seed=3))
    assert drawn != list(random_uplinks(_GOOD, golden, 200, seed=4))
    assert {(fport, payload[0]) for fport, payload in drawn} == {(20, 9)}
    assert sum(len(payload) == 4 for _, payload in drawn) > 150
    assert {len(payload) for _, payload in drawn} > {1, 2, 3, 4}
