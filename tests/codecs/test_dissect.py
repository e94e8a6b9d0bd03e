"""Dissection: every field of a payload with its bits, raw value, meaning; figures are the scalar parser's."""

from __future__ import annotations

import construct as c
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline_codecs import Codec, CodecSet, Match, Message, Quantity, Refusal, SampleGroup, builtin_codecs
from loamline_codecs.declaration import Bound
from loamline_codecs.dissect import Dissection, Leaf, dissect, label_of, reserved_mask
from loamline_codecs.layout_table import spans


def _dissected(fport: int, payload: str, codecs: CodecSet | None = None) -> Dissection:
    found = dissect(codecs or builtin_codecs(), fport, bytes.fromhex(payload))
    assert isinstance(found, Dissection)
    return found


def test_every_field_stands_with_its_bits_and_meaning() -> None:
    """The data sheet's version 1, of whole bytes but for the firmware."""
    assert _dissected(10, "0107 3A05 DCA0 2500 2A").leaves == (
        Leaf("payload_version", 0, 8, 1),
        Leaf("moisture_count", 8, 16, 1850, quantity="moisture_count", physical=1850.0, unit="{count}"),
        Leaf("soil_temperature", 24, 16, 1500, quantity="soil_temperature_degc", physical=15.0, unit="Cel"),
        Leaf("supply_voltage", 40, 8, 160, quantity="supply_v", physical=3.6, unit="V"),
        Leaf("firmware.major", 48, 4, 2, quantity="firmware_major", physical=2.0, unit="1"),
        Leaf("firmware.minor", 52, 4, 5, quantity="firmware_minor", physical=5.0, unit="1"),
        Leaf("sample_counter", 56, 16, 42, quantity="sample_counter", physical=42.0, unit="{count}"),
    )


def test_bytes_count_from_the_payloads_start_and_bits_as_in_its_layout() -> None:
    places = {leaf.path: spans(leaf.first_bit, leaf.bits) for leaf in _dissected(10, "2AFFF387FFE7031FFF").leaves}
    assert places["tilted"] == ("0", "3")
    assert places["moisture_count_1"] == ("2-3", "3 of the first to 0 of the last")
    assert places["soil_temperature"] == ("4-5", "7 of the first to 5 of the last")
    count = _dissected(10, "01073A05DCA025002A").leaves[1]
    assert spans(count.first_bit, count.bits) == ("1-2", "")


def test_faults_labels_and_ranges_are_notes() -> None:
    notes = {leaf.path: leaf.note for leaf in _dissected(10, "2AFFF387FFE7031FFF").leaves if leaf.note}
    assert notes == {"moisture_count_0": "transducer fault", "soil_temperature": "thermistor fault"}
    status = _dissected(11, "1205020E1A0CF8002238005A").leaves
    assert [(leaf.path, leaf.raw, leaf.note) for leaf in status if leaf.note] == [("head.reset_cause", 2, "brown-out")]
    counts = _dissected(10, "0110 0005 DCA0 2500 2A").leaves
    assert [(leaf.raw, leaf.physical, leaf.note) for leaf in counts if leaf.note] == [
        (4096, 4096.0, "expected raw 0 to 4095")
    ]


def test_samples_of_an_array_have_their_index_in_the_path() -> None:
    leaves = _dissected(10, "3201020400040E3C00DE0515D20516CD0518").leaves
    assert [(leaf.path, leaf.first_bit, leaf.physical) for leaf in leaves[-2:]] == [
        ("samples[2].moisture_count", 120, 1485.0),
        ("samples[2].soil_temperature", 136, 12.0),
    ]


def test_reserved_bits_are_shown_as_they_stand() -> None:
    leaves = _dissected(10, "310000040000 00FF F8 FF0F7F 000081").leaves
    assert [leaf for leaf in leaves if leaf.reserved] == [Leaf("flags.reserved", 64, 5, 31, reserved=True)]
    assert reserved_mask(leaves, 15) == bytes.fromhex("ff" * 8 + "07" + "ff" * 6)


def test_faults_say_which_depth_and_how_old() -> None:
    assert _dissected(10, "2AFFF387FFE7031FFF").faults == (
        "depth 0: transducer fault",
        "depth 0: thermistor fault",
        "depth 1: thermistor fault",
    )
    assert _dissected(10, "3101020400040E3C00DE0515FFFF16").faults == ("depth 0, 60 minutes older: transducer fault",)


@pytest.mark.parametrize(("fport", "payload"), [(10, ""), (0, "01"), (10, "01073A"), (10, "99")])
def test_a_payload_that_no_codec_reads_is_told_why(fport: int, payload: str) -> None:
    octets = bytes.fromhex(payload)
    assert dissect(builtin_codecs(), fport, octets) == builtin_codecs().parse(fport, octets)


def _bits_of(found: Dissection) -> list[int]:
    return sorted(bit for leaf in found.leaves for bit in range(leaf.first_bit, leaf.first_bit + leaf.bits))


@given(st.sampled_from([10, 11]), st.integers(0, 1), st.binary(max_size=45))
def test_every_bit_of_a_payload_belongs_to_one_field(fport: int, seed: int, rest: bytes) -> None:
    lengths = {(10, 0): (0x24, 9), (10, 1): (0x42, 16), (11, 0): (0x12, 12), (11, 1): (0x13, 12)}
    first, length = lengths[fport, seed]
    payload = (bytes([first, 0]) + rest + bytes(length))[:length]
    found = dissect(builtin_codecs(), fport, payload)
    assert isinstance(found, Dissection)
    assert _bits_of(found) == list(range(8 * length))


@given(st.integers(0, 255), st.binary(max_size=45))
def test_any_bytes_are_dissected_or_refused(fport: int, payload: bytes) -> None:
    found = dissect(builtin_codecs(), fport, payload)
    assert isinstance(found, Dissection | Refusal)


# Layouts that the built-in family doesn't use ----------------------------------------------------------


def _codecs(
    layout: c.Construct, *quantities: Quantity, samples: tuple[SampleGroup, ...] = (), bounds: tuple[Bound, ...] = ()
) -> CodecSet:
    """A codec of a layout; fields that mean nothing here are bounded, since each has to be of some use."""
    return CodecSet([Codec("bench", "As tried.", "status", Match(7, 0, 0), layout, quantities, samples, bounds)])


def test_fields_without_a_name_show_their_bits() -> None:
    layout = c.Struct(c.Const(7, c.Int16ub), "wide" / c.Padded(10, c.Int8ub), c.Const(0x0A0B0C, c.Int24ub))
    codecs = _codecs(layout, bounds=(Bound("wide", 0, 255),))
    assert _dissected(7, "0007 05 000000000000000001 0A0B0C", codecs).leaves == (
        Leaf("", 0, 16, 7),
        Leaf("wide", 16, 8, 5),
        Leaf("wide", 24, 72, None, reserved=True),
        Leaf("", 96, 24, 0x0A0B0C),
    )


def test_members_of_a_sequence_and_named_elements_are_found() -> None:
    layout = c.Struct(
        "pair" / c.Sequence(c.Const(1, c.Int8ub), "second" / c.Int8sb, c.Check(c.this.second < 0)),
        "all" / c.Array(1, "each" / c.Flag),
        "supply" / c.Computed(c.this.all[0]),
    )
    codecs = _codecs(layout, Quantity("supply_v", "supply", "V"))
    assert [(leaf.path, leaf.raw) for leaf in _dissected(7, "01FF01", codecs).leaves] == [
        ("pair[0]", 1),
        ("pair[1].second", -1),
        ("all[0].each", 1),
    ]


def test_a_section_that_is_absent_has_no_fields() -> None:
    count = Quantity("moisture_count", "count", "{count}")
    layout = c.Struct("n" / c.Flag, "all" / c.If(c.this.n, c.Array(1, c.Struct("count" / c.Int8ub))))
    codecs = _codecs(layout, samples=(SampleGroup((count,), "all"),))
    assert [leaf.path for leaf in _dissected(7, "00", codecs).leaves] == ["n"]
    assert [leaf.physical for leaf in _dissected(7, "0107", codecs).leaves] == [None, 7.0]


def test_a_float_is_a_raw_value_too() -> None:
    quantity = Quantity("supply_v", "supply", "V", sentinels={0: "not measured"})
    codecs = _codecs(c.Struct("supply" / c.Float32b), quantity)
    assert _dissected(7, "40600000", codecs).leaves[0].physical == 3.5
    assert _dissected(7, "00000000", codecs).leaves[0].note == "not measured"
    assert str(_dissected(7, "7FC00000", codecs).leaves[0].raw) == "nan"


def test_fields_of_swapped_bytes_come_in_the_payloads_order() -> None:
    inside = c.BitStruct("high" / c.BitsInteger(8), "low" / c.BitsInteger(8))
    codecs = _codecs(
        c.Struct("x" / c.ByteSwapped(inside)),
        Quantity("firmware_major", "x.high", "1"),
        Quantity("firmware_minor", "x.low", "1"),
    )
    assert [(leaf.path, leaf.raw) for leaf in _dissected(7, "0102", codecs).leaves] == [("x.low", 1), ("x.high", 2)]


def test_what_only_the_scalar_parser_reads_has_no_leaves() -> None:
    layout = c.Struct("ones" / c.GreedyRange(c.Const(1, c.Int8ub)), "supply" / c.Int8ub)
    found = _dissected(7, "010102", _codecs(layout, Quantity("supply_v", "supply", "V")))
    assert (found.leaves, found.message.uplink) == ((), {"supply_v": 2.0})


def test_a_code_is_told_by_its_label_or_as_a_number() -> None:
    def cause(payload: str, fport: int = 11) -> str | int | None:
        message = builtin_codecs().parse(fport, bytes.fromhex(payload))
        assert isinstance(message, Message)
        return label_of(message, "reset_cause")

    assert cause("10" + "00" * 11) == "power-up"
    assert cause("1F" + "00" * 11) == 15
    assert cause("01073A05DCA025002A", 10) is None
