"""Readings as SenML: what each column becomes, and that nothing is lost on the way."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.senml import LEAST_ABSOLUTE_S, NEEDED, QUANTITIES, has_time, pack_text, records_of, resolve

AT_US = 1_777_593_600_000_000


def reading(**told: Any) -> dict[str, Any]:
    return {**dict.fromkeys(NEEDED), "dev_eui": "02BB000000000001", "depth_index": 1, **told}


def test_units_without_a_code_in_the_registry_are_converted() -> None:
    """dS/m to S/m, cm to m, dBm to dBW (30 less), minutes to seconds."""
    told = reading(conductivity_ds_m=2.5, depth_cm=30.0, best_rssi_dbm=-101.5, age_minutes=45)
    found = {record["n"]: (record["v"], record["u"]) for record in records_of(told, AT_US)}
    assert found == {
        "depth": (0.3, "m"),
        "bulk-conductivity": (0.25, "S/m"),
        "signal-strength": (-131.5, "dBW"),
        "sample-age": (2700, "s"),
    }


def test_words_and_truths_have_no_unit() -> None:
    told = reading(verdict="pass", zone="deficit", tilted=False)
    assert [{key: record[key] for key in record if key not in ("bn", "bt")} for record in records_of(told, AT_US)] == [
        {"n": "zone", "vs": "deficit"},
        {"n": "verdict", "vs": "pass"},
        {"n": "tilted", "vb": False},
    ]


def test_names_follow_the_device_urn_and_times_are_whole_where_they_are() -> None:
    """RFC 9039, section 4.1: EUI-64 in lower case; what is measured follows after underscores (from memory)."""
    (record,) = resolve(records_of(reading(vwc_m3_m3=0.25), AT_US))
    assert record == {"n": "urn:dev:mac:02bb000000000001_1_water-content", "u": "/", "v": 0.25, "t": 1_777_593_600}
    assert isinstance(record["t"], int)
    (record,) = resolve(records_of(reading(vwc_m3_m3=0.25), AT_US + 250_000))
    assert record["t"] == 1_777_593_600.25


def test_a_reading_without_figures_gives_no_record() -> None:
    assert records_of(reading(), AT_US) == []


def test_a_time_that_would_be_relative_can_not_be_told() -> None:
    """RFC 8428, section 4.5.3: below 2**28 s."""
    assert has_time(LEAST_ABSOLUTE_S * 1_000_000)
    assert not has_time(LEAST_ABSOLUTE_S * 1_000_000 - 1)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_a_pack_is_one_json_list_whatever_its_length(count) -> None:
    told = [{"n": "a", "v": number} for number in range(count)]
    assert json.loads("".join(pack_text(iter(told)))) == told


@given(
    st.lists(
        st.tuples(
            st.integers(LEAST_ABSOLUTE_S, 4_000_000_000),
            st.none() | st.floats(0, 1),
            st.none() | st.floats(-60, 80),
            st.none() | st.sampled_from(["pass", "fail"]),
        ),
        max_size=6,
    )
)
def test_every_figure_reads_back_with_its_probe_its_depth_and_its_instant(rows) -> None:
    """Packs of any readings, through JSON: doubles to the last bit."""
    records = [
        record
        for at_s, vwc, degc, verdict in rows
        for record in records_of(reading(vwc_m3_m3=vwc, soil_temperature_degc=degc, verdict=verdict), at_s * 1_000_000)
    ]
    expected = [
        (at_s, name, value)
        for at_s, vwc, degc, verdict in rows
        for name, value in (("water-content", vwc), ("verdict", verdict), ("soil-temperature", degc))
        if value is not None
    ]
    found = resolve(json.loads("".join(pack_text(records))))
    assert [
        (record["t"], record["n"].split("_")[-1], record.get("v", record.get("vs"))) for record in found
    ] == expected
    assert {record["n"].split("_")[0] for record in found} <= {"urn:dev:mac:02bb000000000001"}


def test_every_quantity_has_a_name_of_its_own_without_the_separator() -> None:
    names = [quantity.name for quantity in QUANTITIES]
    assert len(set(names)) == len(names)
    assert not [name for name in names if "_" in name]
