"""What is said about a layout's fields, and what of it is refused on loading: whole sentences."""

from __future__ import annotations

import dataclasses
from typing import Any

import construct as c
import pytest
from construct import this

from loamline_codecs import BUILT_IN, Codec, CodecSet, DeclarationError, Match, Quantity, SampleGroup
from loamline_codecs.declaration import Bound
from loamline_codecs.validation import problems

_SUPPLY = Quantity("supply_v", "supply", "V")
_COUNT = Quantity("moisture_count", "count", "{count}")
_UPLINK_NAMES = (
    "supply_v, firmware_major, firmware_minor, sample_counter, tilted, cold_start, supply_low, interval_minutes, "
    "reset_cause, supply_rest_v, supply_transmit_v, hours_since_power_up, transmissions"
)
_SPELL = "spell the field's path as the layout does"


def codec(**more: Any) -> Codec:
    """Return a codec that is right but for `more`."""
    declared: dict[str, Any] = {
        "name": "bench-v1",
        "description": "A test bench's.",
        "message": "measurement",
        "match": Match(7, 8, 1),
        "layout": c.Struct("supply" / c.Int8ub),
        "quantities": (_SUPPLY,),
    }
    return Codec(**(declared | more))


def supply(**more: Any) -> Codec:
    """Return a codec whose one quantity is right but for `more`."""
    return codec(match=Match(7, 0, 0), quantities=(dataclasses.replace(_SUPPLY, **more),))


def backfill(**more: Any) -> Codec:
    """Return a codec with two samples, right but for `more`."""
    layout = c.Struct("minutes" / c.Int8ub, "all" / c.Array(2, c.Struct("count" / c.Int8ub)))
    declared: dict[str, Any] = {
        "layout": layout,
        "match": Match(7, 0, 0),
        "quantities": (Quantity("interval_minutes", "minutes", "min"),),
        "samples": (SampleGroup((_COUNT,), "all", 0, "minutes"),),
        "longest_age_minutes": 255,
    }
    return codec(**(declared | more))


def refusal(*codecs: Codec) -> str:
    """Return the sentence with which a set of codecs is refused."""
    with pytest.raises(DeclarationError) as caught:
        CodecSet(codecs)
    return str(caught.value)


@pytest.mark.parametrize("right", [codec(), supply(), backfill(), *BUILT_IN])
def test_a_declaration_that_can_be_meant_is_loaded(right: Codec) -> None:
    assert CodecSet([right]).codecs == (right,)
    assert list(problems(right)) == []


# Names and match rules ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["", "Bench-v1", "bench_v1", "1st", "bench-", "bench--v1"])
def test_a_codec_is_named_in_lower_case_with_hyphens(name: str) -> None:
    assert refusal(codec(name=name)) == (
        f"codec {name}: expected a name of lower-case letters, digits and hyphens, such as measurement-v5, "
        f"got {name!r}; rename it"
    )


@pytest.mark.parametrize("description", ["", "  "])
def test_a_codec_says_what_it_is(description: str) -> None:
    assert refusal(codec(description=description)) == (
        "codec bench-v1: description: expected a sentence that says what the payload version is, got none; write one"
    )


def test_a_message_is_a_measurement_or_a_status() -> None:
    assert refusal(codec(message="alarm")) == (
        "codec bench-v1: message: expected measurement or status, got 'alarm'; choose one"
    )


def test_two_codecs_of_one_name_are_refused() -> None:
    """A reading cites its codec by name."""
    assert refusal(codec(), codec(match=Match(8, 8, 1))) == (
        "codec bench-v1: expected a name of its own, got one that another codec has; rename one of them"
    )


def test_two_codecs_that_match_one_message_are_refused() -> None:
    assert refusal(codec(), codec(match=Match(7, 4, 0), name="bench-v2")).startswith(
        "codec bench-v2: expected messages of its own, got FPort 7 with byte 0 = 0x01, which codec bench-v1 reads"
    )


def test_two_codecs_on_different_ports_may_share_leading_bits() -> None:
    assert len(CodecSet([codec(), codec(match=Match(8, 8, 1), name="bench-v2")]).codecs) == 2


@pytest.mark.parametrize("fport", [0, 224, 255])
def test_a_codec_on_a_port_that_lorawan_keeps_is_refused(fport: int) -> None:
    """LoRaWAN keeps FPort 0 for MAC commands and 224 up for tests and future use (LoRaWAN 1.0.3, section 4.3.2)."""
    assert refusal(codec(match=Match(fport, 8, 1))) == (
        f"codec bench-v1: expected an application FPort, 1 to 223, got {fport}; LoRaWAN keeps the others for itself"
    )


@pytest.mark.parametrize("match", [Match(7, 4, 16), Match(7, 9, 1), Match(7, -1, 0), Match(7, 4, -1)])
def test_leading_bits_that_no_byte_has_are_refused(match: Match) -> None:
    assert refusal(codec(match=match)) == (
        "codec bench-v1: expected 0 to 8 leading bits and a value that they hold, "
        f"got {match.value} in {match.leading_bits} bits; correct the match rule"
    )


# Quantities ---------------------------------------------------------------------------------------------

_FLOAT = c.Struct("supply" / c.Float32b)


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        (supply(name="battery"), f"expected one of {_UPLINK_NAMES}, got 'battery'; choose one of these names"),
        (
            codec(samples=(SampleGroup((_SUPPLY,)),)),
            (
                "expected one of moisture_count, permittivity, soil_temperature_degc, conductivity_ds_m, got "
                "'supply_v'; "
                "choose one of these names"
            ),
        ),
        (supply(unit="Cel"), "supply_v: expected unit V, got Cel; give scale and offset that lead to V"),
        (
            supply(unit="mV"),
            (
                "supply_v: expected a known UCUM code (V, 1, {count}, min, h, Cel, dS/m), got 'mV'; "
                "the unit of supply_v is V"
            ),
        ),
        (
            codec(quantities=(_SUPPLY, _SUPPLY)),
            "supply_v: expected one field for this quantity of a message, got 2; remove all but one",
        ),
        (
            backfill(samples=(SampleGroup((_COUNT, _COUNT), "all"),)),
            "moisture_count: expected one field for this quantity of a sample, got 2; remove all but one",
        ),
        *[
            (
                supply(scale=scale),
                f'supply_v: expected decimal text as scale, such as "0.01", got {scale!r}; write it so',
            )
            for scale in ("1/3", "a tenth", "", "nan", 0.01)
        ],
        (supply(offset="x"), "supply_v: expected decimal text as offset, such as \"0.01\", got 'x'; write it so"),
        *[
            (
                supply(scale=scale),
                f"supply_v: expected a scale other than 0, got {scale!r}; every raw value would give one figure",
            )
            for scale in ("0", "-0.00", "0e7")
        ],
        (supply(valid=(9, 1)), "supply_v, valid: expected low <= high, got 9 to 1; exchange them"),
        (
            supply(valid=(0, 256)),
            "supply_v, valid: expected raw values of the field, 0 to 255, got 0 to 256; narrow it",
        ),
        (
            supply(sentinels={-1: "cut"}),
            (
                "supply_v, sentinel: expected raw values of the field, 0 to 255, got -1; "
                "write it as the field reads it, or widen the field"
            ),
        ),
        (
            supply(labels={256: "full"}),
            (
                "supply_v, label: expected raw values of the field, 0 to 255, got 256; "
                "write it as the field reads it, or widen the field"
            ),
        ),
        (
            supply(labels={7: "full"}, sentinels={7: "cut"}),
            "supply_v, sentinel: expected a fault code or a label, got both for raw 7; remove one",
        ),
        (
            dataclasses.replace(supply(sentinels={255: "cut"}), bounds=(Bound("supply", 0, 99),)),
            (
                "supply_v, sentinel: expected a fault code that the bound lets through, 0 to 99, got 255: its payloads "
                "would be refused; widen the bound"
            ),
        ),
    ],
)
def test_a_quantity_that_cannot_be_meant_is_refused(wrong: Codec, problem: str) -> None:
    assert refusal(wrong) == f"codec bench-v1: {problem}"


@pytest.mark.parametrize(
    "right",
    [
        supply(valid=(0, 255), sentinels={0: "cut", 255: "short"}),
        supply(scale="1e-25", offset="-.5"),
        dataclasses.replace(supply(sentinels={-1: "cut"}, valid=(-9, 999)), layout=_FLOAT),
        codec(quantities=(_SUPPLY, dataclasses.replace(_SUPPLY, name="supply_rest_v"))),
    ],
    ids=["a fault code in the valid range", "any decimal", "a float holds any value", "two quantities of one field"],
)
def test_a_quantity_that_can_be_meant_is_loaded(right: Codec) -> None:
    assert CodecSet([right]).codecs == (right,)


def test_a_range_is_that_of_the_widest_field_at_the_path() -> None:
    layout = c.Struct("wide" / c.Flag, "supply" / c.IfThenElse(this.wide, c.Int16ub, c.Int8sb))
    wrong = dataclasses.replace(supply(valid=(-129, 9)), layout=layout)
    assert refusal(wrong) == (
        "codec bench-v1: supply_v, valid: expected raw values of the field, -128 to 65535, got -129 to 9; narrow it"
    )


# Fields that a declaration cites ------------------------------------------------------------------------

_ODD = c.Struct(
    "supply" / c.Int8ub, "pair" / c.Array(2, c.Int8ub), "head" / c.Struct("a" / c.Int8ub), c.Struct("b" / c.Int8ub)
)


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (
            {"quantities": (dataclasses.replace(_SUPPLY, field="volts"),)},
            f"supply_v: expected a field of the layout, got 'volts'; {_SPELL}",
        ),
        (
            {"samples": (SampleGroup((dataclasses.replace(_COUNT, field="counts"),), "all"),)},
            f"moisture_count: expected a field of the layout, got 'all.counts'; {_SPELL}",
        ),
        ({"samples": (SampleGroup((), "some"),)}, f"repeat: expected a field of the layout, got 'some'; {_SPELL}"),
        (
            {"samples": (SampleGroup((_COUNT,), "all", 0, "hours"),)},
            f"age_interval: expected a field of the layout, got 'hours'; {_SPELL}",
        ),
        (
            {"samples": (SampleGroup((dataclasses.replace(_COUNT, switch="flag"),), "all"),)},
            f"moisture_count, switch: expected a field of the layout, got 'flag'; {_SPELL}",
        ),
        ({"bounds": (Bound("age", 0, 1),)}, f"bound: expected a field of the layout, got 'age'; {_SPELL}"),
        (
            {"samples": (SampleGroup((), "minutes"),)},
            "repeat: expected an array, got 'minutes', which is a number; cite an Array of Structs",
        ),
        (
            {"layout": _ODD, "samples": (SampleGroup((), "pair"),), "quantities": ()},
            "repeat: expected an array of sections, got 'pair' of numbers; put each into a Struct",
        ),
        (
            {"layout": _ODD, "samples": (), "quantities": (dataclasses.replace(_SUPPLY, field="head"),)},
            "supply_v: expected a number, got 'head', which is a section; cite a field that holds a number",
        ),
        (
            {"layout": _ODD, "samples": (), "quantities": (dataclasses.replace(_SUPPLY, field="pair"),)},
            "supply_v: expected a number, got 'pair', which is a list; cite a field that holds a number",
        ),
        (
            {"layout": _ODD, "samples": (), "quantities": (dataclasses.replace(_SUPPLY, field="b"),)},
            f"supply_v: expected a field of the layout, got 'b'; {_SPELL}",
        ),
        (
            {"samples": (), "quantities": (dataclasses.replace(_SUPPLY, field="all.count"),)},
            (
                "supply_v: expected a field in sections, got 'all.count', where 'all' is a list; "
                "cite it in a SampleGroup that repeats over the array"
            ),
        ),
        (
            {
                "layout": c.Struct(
                    "supply" / c.Int8ub,
                    "all" / c.Array(2, c.Struct("each" / c.Array(2, c.Struct("count" / c.Int16ub)))),
                ),
                "samples": (SampleGroup((dataclasses.replace(_COUNT, field="count"),), "all.each"),),
                "quantities": (),
            },
            (
                "moisture_count: expected a field in sections, got 'all.each.count', where 'all' is a list; "
                "cite it in a SampleGroup that repeats over the array"
            ),
        ),
        (
            {
                "layout": c.Struct("gap" / c.Padding(1)),
                "samples": (),
                "quantities": (dataclasses.replace(_SUPPLY, field="gap"),),
            },
            "supply_v: expected a number, got 'gap', which is filling; cite a field that holds a number",
        ),
    ],
)
def test_a_field_that_the_layout_lacks_or_that_is_no_number_is_refused(more: dict[str, Any], problem: str) -> None:
    assert refusal(dataclasses.replace(backfill(), **more)) == f"codec bench-v1: {problem}"


# Bounds and ages ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        ({"bounds": (Bound("minutes", 9, 1),)}, "minutes, bound: expected low <= high, got 9 to 1; exchange them"),
        (
            {"bounds": (Bound("minutes", 1, 256),)},
            "minutes, bound: expected raw values of the field, 0 to 255, got 1 to 256; narrow it",
        ),
        (
            {"bounds": (Bound("minutes", 0, 99),), "match": Match(7, 4, 15)},
            (
                "minutes, bound: expected a value that the match rule or a constant lets through, got 0 to 99: "
                "the codec could read nothing; correct one of them"
            ),
        ),
        (
            {"longest_age_minutes": 254},
            (
                "longest_age_minutes: expected at least 255, the age of the last of 'all' at the longest 'minutes', "
                "got "
                "254; raise it, or bound the count and the interval"
            ),
        ),
        ({"longest_age_minutes": -1}, "longest_age_minutes: expected 0 to 2147483647, got -1; correct it"),
        (
            {"samples": (SampleGroup((dataclasses.replace(_COUNT, field="minutes"),), None, 0, "minutes"),)},
            (
                "age_interval: expected a group with repeat, got 'minutes' in a group without; one sample is as old as "
                "its "
                "uplink"
            ),
        ),
        (
            {"samples": (SampleGroup((_COUNT,), "all", -1),)},
            "depth_index: expected 0 to 32767, got -1; count depths from 0",
        ),
        (
            {"layout": c.Struct("minutes" / c.Float32b, "all" / c.Array(2, c.Struct("count" / c.Int8ub)))},
            "age_interval: expected a field of whole minutes, got 'minutes'; cite a whole number",
        ),
        (
            {"layout": c.Struct("minutes" / c.Int8sb, "all" / c.Array(2, c.Struct("count" / c.Int8ub)))},
            (
                "age_interval: expected minutes of 0 or more, got 'minutes', which can be -128; make it unsigned, or "
                "bound "
                "it"
            ),
        ),
    ],
)
def test_bounds_and_ages_that_cannot_be_meant_are_refused(more: dict[str, Any], problem: str) -> None:
    assert refusal(dataclasses.replace(backfill(), **more)) == f"codec bench-v1: {problem}"


@pytest.mark.parametrize(
    ("count", "bounds", "oldest"),
    [
        (c.Array((this.minutes & 3) + 1, c.Struct("count" / c.Int8ub)), (), 3 * 255),
        (c.Array(this.minutes, c.Struct("count" / c.Int8ub)), (Bound("minutes", 1, 10),), 90),
        (c.Array(this.minutes, c.Struct("count" / c.Int8ub)), (), (242 - 1) * 255),
        (c.GreedyRange(c.Struct("count" / c.Int24ub)), (), (242 // 3 - 1) * 255),
        (c.Array(1, c.Struct("count" / c.Int8ub)), (), 0),
    ],
)
def test_the_longest_age_follows_from_the_greatest_count_and_interval(count: Any, bounds: Any, oldest: int) -> None:
    """No LoRaWAN data rate carries more than 242 bytes (LoRaWAN Regional Parameters; from memory)."""
    right = backfill(layout=c.Struct("minutes" / c.Int8ub, "all" / count), bounds=bounds, longest_age_minutes=oldest)
    assert list(problems(right)) == []
    if oldest:
        assert len(list(problems(dataclasses.replace(right, longest_age_minutes=oldest - 1)))) == 1
