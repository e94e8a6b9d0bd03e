"""From canonical uplinks to raw-log columns: one message gives one row, bit for bit, whichever way it came in."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.deliveries import TOLD, delivery_columns, heard_at
from loamline.core.identity import CLOCK
from loamline_schemas.tables import UPLINK
from loamline_schemas.uplink import HEARD_AT_SOURCES, Uplink
from tests.core.delivery_builder import reception

NOW = datetime(2026, 5, 1, 12, 30, tzinfo=UTC)
GIVEN = {"dev_eui": "02AC000000000001", "fport": 10, "fcnt": 7, "payload_hex": "0107"}


def uplink(**changes):
    told = {key: value for key, value in {**GIVEN, **changes}.items() if value is not None}
    return Uplink.model_validate(told)


def row(told, received_at=NOW):
    (only,) = delivery_columns([told], received_at).to_pylist()
    return only


def test_every_fact_of_the_message_becomes_a_column_of_the_raw_log():
    told = uplink(
        dev_addr="2600000F",
        heard_at="2026-05-01T12:00:00Z",
        frequency_hz=868_100_000,
        spreading_factor=9,
        bandwidth_hz=125_000,
        coding_rate="4/5",
        confirmed=True,
        network="ours",
        receptions=[reception("east", -100.5, 2.25, antenna=1)],
    )
    columns = row(told)
    assert isinstance(columns.pop("digest"), int)
    assert columns == {
        "dev_eui": "02AC000000000001",
        "dev_addr": 0x2600000F,
        "fcnt": 7,
        "fport": 10,
        "payload": b"\x01\x07",
        "heard_at": datetime(2026, 5, 1, 12, tzinfo=UTC),
        "heard_at_source": HEARD_AT_SOURCES.index("network"),
        "frequency_hz": 868_100_000,
        "spreading_factor": 9,
        "bandwidth_hz": 125_000,
        "coding_rate": "4/5",
        "confirmed": True,
        "network": "ours",
        "receptions": [
            {
                "gateway": "east",
                "rssi_dbm": -100.5,
                "snr_db": 2.25,
                "heard_at": None,
                "latitude_deg": None,
                "longitude_deg": None,
                "antenna": 1,
            }
        ],
    }


def test_the_columns_have_the_types_of_the_raw_log():
    stored = {field.name: field.type for field in UPLINK.schema}
    assert {field.name: field.type for field in TOLD if field.name in stored} == {
        name: kind for name, kind in stored.items() if name in TOLD.names
    }
    assert set(stored) - set(TOLD.names) == {"seq", "probe_id", "reference_id", "stored_at"}
    assert set(TOLD.names) - set(stored) == {"dev_eui"}


# --- whose clock --------------------------------------------------------------------------------------------------


def test_the_networks_time_counts_then_the_first_gateways_then_our_own():
    """The order that the canonical uplink promises; which of them it was is kept."""
    gateways = [{"gateway": "west", "heard_at": "2026-05-01T12:00:02Z"}, {"gateway": "east"}]
    gateways.append({"gateway": "hill", "heard_at": "2026-05-01T12:00:01Z"})
    told = [
        heard_at(uplink(heard_at="2026-05-01T12:00:03Z", receptions=gateways), NOW),
        heard_at(uplink(receptions=gateways), NOW),
        heard_at(uplink(receptions=gateways[1:2]), NOW),
    ]
    noon = datetime(2026, 5, 1, 12, tzinfo=UTC)
    assert told == [(noon + timedelta(seconds=3), 0), (noon + timedelta(seconds=1), 1), (NOW, 2)]
    assert HEARD_AT_SOURCES == ("network", "gateway", "clock")
    assert HEARD_AT_SOURCES[CLOCK] == "clock"


# --- digests ------------------------------------------------------------------------------------------------------

receptions = st.lists(
    st.fixed_dictionaries(
        {
            "gateway": st.sampled_from(["east", "west"]),
            "rssi_dbm": st.sampled_from([None, -100.0, -90.0]),
            "snr_db": st.sampled_from([None, 2.25]),
            "antenna": st.sampled_from([None, 0, 1]),
            "heard_at": st.sampled_from([None, "2026-05-01T12:00:00Z", "2026-05-01T12:00:01Z"]),
            "latitude_deg": st.sampled_from([None, 52.0]),
        }
    ),
    max_size=4,
)


@settings(max_examples=60, deadline=None)
@given(data=st.data(), told=receptions)
def test_the_order_of_receptions_is_no_part_of_a_delivery(data, told):
    shuffled = data.draw(st.permutations(told))
    assert row(uplink(receptions=told)) == row(uplink(receptions=shuffled))


def test_the_same_bytes_are_the_same_delivery_in_hex_and_in_base64():
    assert row(uplink()) == row(uplink(payload_hex=None, payload_base64="AQc="))


@pytest.mark.parametrize(
    "changes",
    [
        {"payload_hex": "0108"},
        {"fcnt": 8},
        {"fport": 11},
        {"dev_eui": "02AC000000000002"},
        {"dev_addr": "26000001"},
        {"heard_at": "2026-05-01T12:30:00.000001Z"},
        {"spreading_factor": 9},
        {"confirmed": False},
        {"network": "ours"},
        {"receptions": [reception("east", None, None)]},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_any_other_fact_is_another_delivery(changes):
    assert row(uplink())["digest"] != row(uplink(**changes))["digest"]


def test_no_uplinks_give_no_rows_of_the_same_shape():
    told = delivery_columns([], NOW)
    assert (told.num_rows, told.schema) == (0, TOLD)
