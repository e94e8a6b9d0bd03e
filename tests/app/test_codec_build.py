"""`loamline codec build`: figures in, hex out, and the same figures read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from loamline.app.cli import app
from loamline_codecs import Codec, Message, builtin_codecs
from loamline_codecs.dissect import Dissection, dissect, reserved_mask
from loamline_codecs.golden import Golden

_CODECS = builtin_codecs()
_GOLDEN = Golden(Path(__file__).parents[2] / "replay_fixtures", _CODECS)


def _run(*arguments: str) -> Result:
    environment = {"COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"}
    return CliRunner().invoke(app, ["codec", "build", *arguments], env=environment)


def _hex(*arguments: str) -> str:
    result = _run(*arguments)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout.rstrip("\n")


# The probe family's data sheet, worked vectors -------------------------------------------------------

_V1_FIRST = ["measurement-v1", "supply_v=3.6", "firmware=2.5", "sample_counter=42"]
_V2_FAULTS = [
    *["measurement-v2", "supply_v=2.448", "firmware=3.1", "sample_counter=4095", "tilted=yes", "supply_low=yes"],
    *["samples[0].moisture_count=transducer fault", "samples[1].moisture_count=903"],
    "samples[0].soil_temperature_degc=none",
]
_V3 = [
    *["measurement-v3", "sample_counter=513", "firmware=4.0", "supply_v=3.588", "interval_minutes=60"],
    *["samples[0].moisture_count=1502", "samples[0].soil_temperature_degc=10.5"],
    *["samples[2].moisture_count=1485", "samples[2].soil_temperature_degc=12"],
    *["samples[1].moisture_count=1490", "samples[1].soil_temperature_degc=11"],
]
_STATUS = [
    *["status-v1", "reset_cause=brown-out", "firmware_major=5", "firmware_minor=2", "supply_rest_v=3.61"],
    *["supply_transmit_v=3.32", "hours_since_power_up=8760", "transmissions=9000"],
]


@pytest.mark.parametrize(
    ("arguments", "payload"),
    [
        ([*_V1_FIRST, "moisture_count=1850", "soil_temperature_degc=15.00"], "01073a05dca025002a"),
        ([*_V1_FIRST, "samples[0].moisture_count=1850", "soil_temperature_degc=15"], "01073a05dca025002a"),
        (_V2_FAULTS, "2afff387ffe7031fff"),
        (_V3, "3201020400040e3c00de0515d20516cd0518"),
        (_STATUS, "1205020e1a0cf8002238005a"),
    ],
)
def test_a_worked_vector_of_the_data_sheet_is_built(arguments: list[str], payload: str) -> None:
    assert _hex(*arguments) == payload


def test_bytes_may_be_spaced() -> None:
    assert _hex(*_STATUS, "--spaced") == "12 05 02 0e 1a 0c f8 00 22 38 00 5a"


def test_a_script_gets_the_port_too() -> None:
    assert json.loads(_hex(*_STATUS, "--json")) == {"port": 11, "hex": "1205020e1a0cf8002238005a"}


def test_what_is_not_given_is_zero_or_nothing_measured() -> None:
    read = _CODECS.parse(10, bytes.fromhex(_hex("measurement-v1", "supply_v=3")))
    assert isinstance(read, Message)
    assert (read.uplink["sample_counter"], read.samples[0].figures["moisture_count"]) == (0, None)


def test_a_figure_between_two_steps_is_told_on_standard_error() -> None:
    result = _run("measurement-v2", "supply_v=3.6013")
    assert result.exit_code == 0
    assert result.stderr == "supply_v: 3.6013 lies between two steps of 0.004; the payload says 3.6\n"
    assert bytes.fromhex(result.stdout)[5:7] == bytes.fromhex(_hex("measurement-v2", "supply_v=3.6"))[5:7]


# There and back --------------------------------------------------------------------------------------


def _words(message: Message) -> list[str]:
    """Return the words that say a message: the command's arguments."""
    codec = message.codec
    figures = {name: "none" if figure is None else repr(figure) for name, figure in message.uplink.items()}
    words = [codec.name, *(f"{name}={said}" for name, said in figures.items())]
    for place, sample in enumerate(message.samples):
        for name, figure in sample.figures.items():
            said = _fault(codec, name, sample.faults) if figure is None else repr(figure)
            words.append(f"samples[{place}].{name}={said}")
    return words


def _fault(codec: Codec, name: str, faults: tuple[str, ...]) -> str:
    known = [q.sentinels.values() for group in codec.samples for q in group.quantities if q.name == name]
    return next((text for texts in known for text in texts if text in faults), "none")


_READ = [uplink for uplink in _GOLDEN.uplinks() if isinstance(_CODECS.parse(*uplink), Message)]


def test_there_are_golden_payloads_of_every_codec() -> None:
    found = [_CODECS.codec_for(*uplink) for uplink in _READ]
    assert {codec.name for codec in found if isinstance(codec, Codec)} == {codec.name for codec in _CODECS.codecs}


@pytest.mark.parametrize(("fport", "payload"), [pytest.param(*uplink, id=uplink[1].hex()) for uplink in _READ])
def test_a_golden_payload_is_built_from_what_it_says(fport: int, payload: bytes) -> None:
    """Reserved bits aside, which are ignored when read."""
    found = dissect(_CODECS, fport, payload)
    assert isinstance(found, Dissection)
    mask = reserved_mask(found.leaves, len(payload))
    expected = bytes(octet & kept for octet, kept in zip(payload, mask, strict=True))
    assert _hex(*_words(found.message)) == expected.hex()


@settings(max_examples=30, deadline=None)
@given(
    st.integers(200, 455),
    st.integers(0, 65535),
    st.integers(0, 4095),
    st.integers(-32767, 32767),
)
def test_dissection_gives_the_figures_back(supply: int, counter: int, count: int, temperature: int) -> None:
    given_figures: dict[str, Any] = {"supply_v": supply / 100, "sample_counter": counter}
    sample = {"moisture_count": count, "soil_temperature_degc": temperature / 100}
    words = [f"{name}={figure}" for name, figure in {**given_figures, **sample}.items()]
    found = dissect(_CODECS, 10, bytes.fromhex(_hex("measurement-v1", *words)))
    assert isinstance(found, Dissection)
    assert {name: found.message.uplink[name] for name in given_figures} == given_figures
    assert found.message.samples[0].figures == sample


# What can't be said ----------------------------------------------------------------------------------

_FIELDS_OF_V1 = (
    "firmware, supply_v, firmware_major, firmware_minor, sample_counter, samples[0].moisture_count, "
    "samples[0].soil_temperature_degc"
)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            ["soil-v1"],
            f"codec: expected one of {', '.join(codec.name for codec in _CODECS.codecs)}, got 'soil-v1'",
        ),
        (["measurement-v1", "suply_v=3"], f"measurement-v1: expected a field among {_FIELDS_OF_V1}, got 'suply_v'"),
        (
            ["measurement-v1", "samples[0].permittivity=3"],
            f"measurement-v1: expected a field among {_FIELDS_OF_V1}, got 'samples[0].permittivity'",
        ),
        (["measurement-v1", "supply_v"], "expected FIELD=VALUE, such as supply_v=3.6, got 'supply_v'"),
        (["measurement-v1", "supply_v=9"], "codec measurement-v1: supply_v: expected 2 to 4.55 V, got 9"),
        (["measurement-v1"], "codec measurement-v1: supply_v: expected 2 to 4.55 V, got no supply_v"),
        (
            ["measurement-v1", "supply_v=none"],
            "codec measurement-v1: supply_v: expected a figure, got none, for which this payload has no code",
        ),
        (["measurement-v1", "supply_v=3", "supply_v=4"], "supply_v: expected one value, got another: '4'"),
        (["measurement-v1", "supply_v=yes"], "supply_v: expected a number, got 'yes'"),
        (["measurement-v1", "supply_v=nan"], "supply_v: expected a number, got 'nan'"),
        (["measurement-v2", "tilted=perhaps"], "tilted: expected yes or no, got 'perhaps'"),
        (["measurement-v2", "supply_v=3", "tilted=2"], "codec measurement-v2: tilted: expected 0 to 1, got 2"),
        (
            ["measurement-v1", "moisture_count=broken"],
            "moisture_count: expected a number, or transducer fault, got 'broken'",
        ),
        (
            ["status-v1", "reset_cause=lightning"],
            (
                "reset_cause: expected a number, or one of power-up, watchdog, brown-out, commanded, fault, "
                "got 'lightning'"
            ),
        ),
        (
            ["measurement-v1", "firmware=2.5", "firmware_major=2"],
            "expected firmware, or firmware_major and firmware_minor, got firmware and firmware_major",
        ),
        (
            ["measurement-v1", "supply_v=3", "firmware=two"],
            "codec measurement-v1: firmware: expected \"major.minor\", got 'two'",
        ),
        (
            ["measurement-v2", "moisture_count=3"],
            (
                "moisture_count: expected samples[0].moisture_count or samples[1].moisture_count, since measurement-v2 "
                "carries 2 samples, got moisture_count"
            ),
        ),
        (
            ["measurement-v3", "samples[0].moisture_count=1", "samples[999].moisture_count=1"],
            (
                "expected samples[0] to samples[999], got no samples[1]; "
                "samples[1].moisture_count=none says that it failed"
            ),
        ),
        (
            ["measurement-v4"],
            (
                "codec measurement-v4: head.depths: expected 1 to 6, got 0; no sample was given, such as by "
                "samples[0].permittivity=..."
            ),
        ),
        (
            ["measurement-v1", "supply_v=3", "samples[0].moisture_count=1", "samples[1].moisture_count=1"],
            "codec measurement-v1: expected one sample, got 2",
        ),
    ],
)
def test_a_wrong_word_is_told_in_one_sentence(arguments: list[str], sentence: str) -> None:
    result = _run(*arguments)
    assert result.exit_code in (1, 2)
    assert (result.stdout, result.stderr) == ("", f"{sentence}\n")


@settings(max_examples=50, deadline=None)
@given(
    st.sampled_from(["supply_v", "tilted", "firmware", "samples[0].moisture_count", "interval_minutes", "x"]),
    st.text(max_size=12),
)
def test_any_value_is_built_or_told_in_one_sentence(name: str, value: str) -> None:
    result = _run("measurement-v3", "interval_minutes=60", f"{name}={value}")
    assert result.exit_code in (0, 1, 2)
    assert result.exception is None or isinstance(result.exception, SystemExit)


def test_help_ends_with_an_example() -> None:
    lines = [" ".join(line.split()) for line in _run("--help").stdout.splitlines() if line.strip()]
    assert lines[-2:] == ["Example:", "loamline codec build measurement-v1 supply_v=3.6 moisture_count=1850"]
