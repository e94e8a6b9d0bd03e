"""The builder: physical values to the bytes that a probe would send, and what it refuses to say."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import construct as c
import numpy as np
import pytest
from construct import this
from hypothesis import given
from hypothesis import strategies as st

from loamline_codecs import (
    BuildError,
    Codec,
    Match,
    Message,
    Quantity,
    SampleGroup,
    builtin_codecs,
    measurement_v1,
    measurement_v2,
    measurement_v3,
    measurement_v4,
    status_v1,
)
from loamline_codecs.declaration import Bound
from loamline_codecs.scalar import parse

_CODECS = builtin_codecs()
_V1, _V2, _V3, _V4 = (one.CODEC for one in (measurement_v1, measurement_v2, measurement_v3, measurement_v4))
_STATUS = status_v1.CODEC


def _figures(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


_counts = st.none() | st.integers(0, 4094)
_firmware = st.builds(lambda major, minor: f"{major}.{minor}", st.integers(0, 15), st.integers(0, 15))
_flags = st.fixed_dictionaries({"tilted": st.booleans(), "cold_start": st.booleans(), "supply_low": st.booleans()})


def _uplinks(low_v: float, high_v: float, counter: int, **more: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    supply, counters = st.floats(low_v, high_v), st.integers(0, counter)
    return st.fixed_dictionaries({"supply_v": supply, "firmware": _firmware, "sample_counter": counters, **more})


@st.composite
def _v2_samples(draw: st.DrawFn) -> list[dict[str, Any]]:
    temperature = draw(_figures(-40, 87.8))
    return [{"moisture_count": draw(_counts), "soil_temperature_degc": temperature} for _ in range(2)]


@st.composite
def _v4_samples(draw: st.DrawFn) -> list[dict[str, Any]]:
    conductivity = draw(st.booleans())
    return [
        {
            "permittivity": draw(_figures(0, 655.3)),
            "soil_temperature_degc": draw(_figures(-327.6, 327.6)),
            **({"conductivity_ds_m": draw(st.floats(0, 65.5))} if conductivity else {}),
        }
        for _ in range(draw(st.integers(1, 6)))
    ]


def _samples(low: float, high: float, most: int) -> st.SearchStrategy[Any]:
    sample = st.fixed_dictionaries({"moisture_count": _counts, "soil_temperature_degc": _figures(low, high)})
    return st.lists(sample, min_size=1, max_size=most)


_MESSAGES = st.one_of(
    st.tuples(st.just(_V1), _uplinks(2.0, 4.55, 65535), _samples(-327.6, 327.6, 1)),
    st.tuples(st.just(_V2), st.builds(dict.__or__, _uplinks(2.0, 4.04, 4095), _flags), _v2_samples()),
    st.tuples(
        st.just(_V3),
        st.builds(dict.__or__, _uplinks(0.0, 65.5, 65535, interval_minutes=st.integers(1, 255)), _flags),
        _samples(-63.5, 63.5, 8),
    ),
    st.tuples(st.just(_V4), st.builds(dict.__or__, _uplinks(0.0, 65.5, 65535), _flags), _v4_samples()),
)


def _quantised(codec: Codec, name: str, figure: float | None) -> float | None:
    """The figure that a field of that step can say, nearest to the one given."""
    every = [*codec.quantities, *(q for group in codec.samples for q in group.quantities)]
    quantity = next(q for q in every if q.name == name)
    if figure is None:
        return None
    step, offset = Fraction(quantity.scale), Fraction(quantity.offset)
    return float(round((Fraction(figure) - offset) / step) * step + offset)


@given(_MESSAGES)
def test_what_was_built_reads_back_to_the_nearest_step(message: tuple[Codec, dict[str, Any], list[Any]]) -> None:
    codec, uplink, samples = message
    read = _CODECS.parse(codec.match.fport, codec.build(uplink, samples))
    assert isinstance(read, Message)
    assert read.codec is codec
    assert read.firmware == uplink.pop("firmware")
    for name, figure in uplink.items():
        assert read.uplink[name] == _quantised(codec, name, figure)
    assert len(read.samples) == len(samples)
    for got, given_sample in zip(read.samples, samples, strict=True):
        expected = {name: _quantised(codec, name, given_sample.get(name)) for name in got.figures}
        assert got.figures == expected


@given(
    st.sampled_from(["power-up", "watchdog", "brown-out", "commanded", "fault"]),
    st.floats(0, 65.5),
    st.integers(0, 2**24 - 1),
    st.integers(0, 65535),
)
def test_a_status_reads_back_with_its_reset_cause(cause: str, rest_v: float, hours: int, hundreds: int) -> None:
    uplink = {
        "firmware": "5.2",
        "reset_cause": cause,
        "supply_rest_v": rest_v,
        "hours_since_power_up": hours,
        "transmissions": hundreds * 100,
    }
    read = _CODECS.parse(11, _STATUS.build(uplink))
    assert isinstance(read, Message)
    assert read.uplink["reset_cause"] == ["power-up", "watchdog", "brown-out", "commanded", "fault"].index(cause)
    assert read.uplink["supply_rest_v"] == _quantised(_STATUS, "supply_rest_v", rest_v)
    assert (read.uplink["hours_since_power_up"], read.uplink["transmissions"]) == (hours, hundreds * 100)


def test_the_data_sheets_first_vector_is_built_from_its_figures() -> None:
    payload = _V1.build(
        {"supply_v": 3.6, "firmware": "2.5", "sample_counter": 42},
        [{"moisture_count": 1850, "soil_temperature_degc": 15.0}],
    )
    assert payload.hex() == "01073a05dca025002a"


def test_the_data_sheets_profile_is_built_with_its_conductivity() -> None:
    payload = _V4.build(
        {"supply_v": 3.601, "firmware_major": 5, "firmware_minor": 2, "sample_counter": 9001},
        [
            {"depth_index": 0, "permittivity": 12.34, "soil_temperature_degc": 15.12, "conductivity_ds_m": 0.31},
            {"depth_index": 1, "permittivity": 20.5, "soil_temperature_degc": -0.35, "conductivity_ds_m": 0},
        ],
    )
    assert payload.hex() == "420829230502110ed204e80536010208ddff0000"


def test_a_sample_that_is_not_given_is_a_fault() -> None:
    """One thermistor serves both depths of version 2: its figure is the one that was given."""
    read = parse(_V2, _V2.build({"supply_v": 3.6}, [{"moisture_count": 900, "soil_temperature_degc": 12.5}]))
    assert isinstance(read, Message)
    assert [dict(sample.figures) for sample in read.samples] == [
        {"moisture_count": 900, "soil_temperature_degc": 12.5},
        {"moisture_count": None, "soil_temperature_degc": 12.5},
    ]


def test_numpys_numbers_are_numbers() -> None:
    sample = {"moisture_count": np.int64(1850), "soil_temperature_degc": np.float32(15)}
    uplink = {"supply_v": np.float64(3.6), "tilted": np.bool_(True)}  # noqa: FBT003 - the value itself
    assert _V2.build(uplink, [sample]) == _V2.build(
        {"supply_v": 3.6, "tilted": True}, [{"moisture_count": 1850, "soil_temperature_degc": Fraction(15)}]
    )


def _refusal(codec: Codec, uplink: dict[str, Any], samples: list[dict[str, Any]] | None = None) -> str:
    with pytest.raises(BuildError) as caught:
        codec.build(uplink, samples)
    return str(caught.value)


_OK = {"supply_v": 3.6}


@pytest.mark.parametrize(
    ("codec", "uplink", "samples", "sentence"),
    [
        (_V1, {}, [], "measurement-v1: supply_v: expected 2 to 4.55 V, got no supply_v"),
        (_V1, {"supply_v": 5}, [], "measurement-v1: supply_v: expected 2 to 4.55 V, got 5"),
        (_V2, {"supply_v": 4.1}, [], "measurement-v2: supply_v: expected 2 to 4.044 V, got 4.1"),
        (_V1, {"supply_v": "full"}, [], "measurement-v1: supply_v: expected a number, got 'full'"),
        (_V1, {"supply_v": float("nan")}, [], "measurement-v1: supply_v: expected a finite number, got nan"),
        (_V1, {"supply_v": b"3.6"}, [], "measurement-v1: supply_v: expected a finite number, got b'3.6'"),
        (
            _V1,
            _OK,
            [{"soil_temperature_degc": 400}],
            "measurement-v1: soil_temperature_degc: expected -327.68 to 327.67 Cel, got 400",
        ),
        (
            _V3,
            _OK | {"interval_minutes": 256},
            [{}],
            "measurement-v3: interval_minutes: expected 0 to 255 min, got 256",
        ),
        (_V3, _OK, [{"moisture_count": 1}], "measurement-v3: interval: expected 1 to 255, got 0"),
        (
            _V3,
            _OK,
            [{"soil_temperature_degc": 64}],
            "measurement-v3: soil_temperature_degc: expected -64 to 63.5 Cel, got 64",
        ),
        (_V3, _OK | {"interval_minutes": 60}, [{}] * 9, "measurement-v3: head.older_samples: expected 0 to 7, got 8"),
        (
            _V3,
            _OK | {"interval_minutes": 60},
            [],
            "measurement-v3: field head.older_samples: number -1 is out of range (min=0, max=15)",
        ),
        (_V4, _OK, [], "measurement-v4: head.depths: expected 1 to 6, got 0"),
        (_V4, _OK | {"tilted": 2}, [{}], "measurement-v4: tilted: expected 0 to 1, got 2"),
        (
            _V1,
            _OK,
            [{"moisture_count": 65535}],
            (
                "measurement-v1: moisture_count: expected a figure, got 65535, whose raw value 65535 means transducer"
                " fault"
            ),
        ),
        (
            _V2,
            _OK,
            [{"soil_temperature_degc": 87.9375}],
            (
                "measurement-v2: soil_temperature_degc: expected a figure, got 87.9375, whose raw value 2047 means "
                "thermistor fault"
            ),
        ),
        (
            _V2,
            _OK,
            [{"soil_temperature_degc": 10}, {"soil_temperature_degc": 11}],
            "measurement-v2: soil_temperature_degc: expected one figure for all samples, got another: 11",
        ),
        (_V1, _OK, [{}, {}], "measurement-v1: expected one sample, got 2"),
        (_V2, _OK, [{}] * 3, "measurement-v2: expected 2 samples, got 3"),
        (_STATUS, {}, [{}], "status-v1: expected no sample, got 1"),
        (
            _V1,
            _OK | {"tilted": True, "colour": 1},
            [],
            "measurement-v1: expected supply_v, firmware_major, firmware_minor, sample_counter, got colour, tilted",
        ),
        (
            _V4,
            _OK,
            [{"moisture_count": 900}],
            (
                "measurement-v4: expected permittivity, soil_temperature_degc, conductivity_ds_m in a sample, "
                "got moisture_count"
            ),
        ),
        (
            _V4,
            _OK,
            [{"conductivity_ds_m": 0.3}, {}],
            "measurement-v4: expected conductivity_ds_m in all samples or none, got some",
        ),
        (
            _STATUS,
            {"reset_cause": "lightning"},
            [],
            "status-v1: reset_cause: expected one of power-up, watchdog, brown-out, commanded, fault, got 'lightning'",
        ),
        (_V1, _OK | {"firmware": "two"}, [], "measurement-v1: firmware: expected \"major.minor\", got 'two'"),
        (_V1, _OK | {"firmware": "2."}, [], "measurement-v1: firmware: expected \"major.minor\", got '2.'"),
        (_V1, _OK | {"firmware": "16.0"}, [], "measurement-v1: firmware_major: expected 0 to 15, got 16"),
        (
            _V1,
            {"supply_v": None},
            [],
            "measurement-v1: supply_v: expected a figure, got none, for which this payload has no code",
        ),
    ],
)
def test_a_value_that_the_payload_cannot_say_is_refused(
    codec: Codec, uplink: dict[str, Any], samples: list[dict[str, Any]], sentence: str
) -> None:
    assert _refusal(codec, uplink, samples) == f"codec {sentence}"


def test_firmware_without_a_minor_is_its_zeroth() -> None:
    assert _V1.build(_OK | {"firmware": 2})[6] == 0x20


_FAULTS = {255: "transducer fault", 254: "cable cut"}
_OPTIONAL = Codec(
    "optional",
    "",
    "measurement",
    Match(7, 0, 0),
    c.Struct(
        "has" / c.Flag,
        "count" / c.Int8ub,
        "raw" / c.Float32b,
        "section" / c.If(this.has, c.Struct("minutes" / c.Int8ub, "length" / c.BytesInteger(this.minutes))),
    ),
    (
        Quantity("tilted", "has", "1"),
        Quantity("interval_minutes", "section.minutes", "min"),
        Quantity("transmissions", "section.length", "{count}"),
    ),
    (
        SampleGroup((Quantity("moisture_count", "count", "{count}", sentinels=_FAULTS),)),
        SampleGroup((Quantity("conductivity_ds_m", "raw", "dS/m"),), depth_index=1),
    ),
    (Bound("section.minutes", 1, 3),),
)


@pytest.mark.parametrize(
    ("sample", "raw"),
    [({}, 255), ({"moisture_count": "cable cut"}, 254), ({"moisture_count": "transducer fault"}, 255)],
)
def test_a_fault_is_told_by_its_sentence_the_first_by_default(sample: dict[str, Any], raw: int) -> None:
    assert _OPTIONAL.build({}, [sample, {"conductivity_ds_m": 1}])[1] == raw


def test_a_section_that_a_flag_leaves_out_is_not_built() -> None:
    """Neither its fields nor its bounds count where it is absent."""
    payload = _OPTIONAL.build({"tilted": False}, [{"moisture_count": 7}, {"conductivity_ds_m": 1}])
    assert payload.hex() == "00073f800000"


def test_a_section_that_a_flag_brings_in_keeps_its_bounds() -> None:
    samples = [{"moisture_count": 7}, {"conductivity_ds_m": 1}]
    uplink = {"tilted": True, "interval_minutes": 2, "transmissions": 300}
    assert _OPTIONAL.build(uplink, samples).hex() == "01073f80000002012c"
    assert _refusal(_OPTIONAL, uplink | {"interval_minutes": 4}, samples) == (
        "codec optional: section.minutes: expected 1 to 3, got 4"
    )


def test_a_field_without_a_quantity_cannot_be_built() -> None:
    codec = Codec("mute", "", "status", Match(7, 0, 0), c.Struct("a" / c.Int8ub), ())
    assert _refusal(codec, {}) == "codec mute: field of the layout: 'a'"


_PROFILE = Codec(
    "profile",
    "",
    "measurement",
    Match(7, 0, 0),
    c.Struct(
        "status_present" / c.Flag,
        "interval" / c.Int8ub,
        "samples" / c.Array(2, c.Struct("upper" / c.Int8ub, "lower" / c.Int8ub, "temperature" / c.Int8sb)),
        "status" / c.If(this.status_present, c.Struct("transmit" / c.Int8ub, "hours" / c.Int8ub)),
    ),
    (
        Quantity("interval_minutes", "interval", "min"),
        Quantity("supply_transmit_v", "status.transmit", "V", scale="0.1", switch="status_present"),
        Quantity("hours_since_power_up", "status.hours", "h", switch="status_present"),
    ),
    tuple(
        SampleGroup(
            (
                Quantity("moisture_count", field, "{count}", sentinels={255: "transducer fault"}),
                Quantity("soil_temperature_degc", "temperature", "Cel", sentinels={-128: "thermistor fault"}),
            ),
            repeat="samples",
            depth_index=depth,
            age_interval="interval",
        )
        for depth, field in enumerate(("upper", "lower"))
    ),
    longest_age_minutes=255,
)


def _of_profile(payload: bytes) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return what `_PROFILE` reads, as the builder takes it."""
    message = parse(_PROFILE, payload)
    assert isinstance(message, Message)
    return dict(message.uplink), [dict(sample.figures) for sample in message.samples]


@given(st.binary(min_size=7, max_size=7), st.none() | st.binary(min_size=2, max_size=2))
def test_depths_that_share_an_array_and_a_switched_section_come_back_from_their_figures(
    samples: bytes, status: bytes | None
) -> None:
    payload = bytes([status is not None]) + samples + (status or b"")
    assert _PROFILE.build(*_of_profile(payload)) == payload


def test_a_switched_section_is_there_where_one_of_its_figures_is_given_and_the_others_are_0() -> None:
    samples = [{"moisture_count": count, "soil_temperature_degc": 9} for count in (1, 2, 3, 4)]
    assert _PROFILE.build({"interval_minutes": 60}, samples).hex() == "003c" + "010309" + "020409"
    assert _PROFILE.build({"hours_since_power_up": 7}, samples).hex() == "0100" + "010309" + "020409" + "0007"


def test_depths_that_share_an_array_have_as_many_samples_each_and_the_same_shared_figures() -> None:
    assert _refusal(_PROFILE, {}, [{"moisture_count": 1}] * 3) == (
        "codec profile: expected as many samples for each of the 2 depths in samples, got 3 in all"
    )
    told = [{"moisture_count": 1, "soil_temperature_degc": degrees} for degrees in (9, 9, 9, 8)]
    assert _refusal(_PROFILE, {}, told) == (
        "codec profile: soil_temperature_degc: expected one figure for all samples, got another: 8"
    )
