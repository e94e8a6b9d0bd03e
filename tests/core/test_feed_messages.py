"""What a feed's messages hold, in JSON and in SenML, and by which id a receiver knows one again."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from loamline.core.feed_messages import Telling, messages_of
from loamline.core.senml import resolve
from loamline.edges.store.readings import SCHEMA
from loamline_schemas.feed_settings import FeedForm, FeedPer

AT = datetime(2026, 5, 1, 6, 0, 0, 250_000, tzinfo=UTC)
DEV_EUI = "02BB000000000001"


def telling(**more):
    figures = dict.fromkeys(SCHEMA.names) | {
        "dev_eui": DEV_EUI,
        "depth_index": 0,
        "measured_at": AT,
        "vwc_m3_m3": 0.25,
        "verdict": "pass",
        "conductivity_ds_m": float("nan"),
    }
    return Telling(**{"dev_eui": DEV_EUI, "depth_index": 0, "measured_at": AT, "reading": figures} | more)


def only(tellings, form=FeedForm.JSON, per=FeedPer.READING):
    (message,) = messages_of(tellings, form, per, "north")
    return json.loads(message.body)


def test_json_tells_a_reading_s_fields_and_whether_it_was_told_before():
    told = only([telling()])
    assert set(told) == {*SCHEMA.names, "corrected", "revision", "revision_undone", "withdrawn"}
    assert (told["measured_at"], told["vwc_m3_m3"]) == ("2026-05-01T06:00:00.250000Z", 0.25)
    assert told["conductivity_ds_m"] is None  # JSON (RFC 8259, section 6) has no NaN
    assert [told[name] for name in ("corrected", "revision", "revision_undone", "withdrawn")] == [
        False,
        None,
        False,
        False,
    ]


def test_a_withdrawn_reading_is_its_key_alone():
    told = only([telling(reading=None, corrected=True)])
    assert told == {
        "dev_eui": DEV_EUI,
        "depth_index": 0,
        "measured_at": "2026-05-01T06:00:00.250000Z",
        "corrected": True,
        "revision": None,
        "revision_undone": False,
        "withdrawn": True,
    }


def test_a_batch_is_one_message_in_the_order_of_the_readings():
    told = only([telling(depth_index=depth) for depth in (1, 0)], per=FeedPer.BATCH)
    assert len(told["readings"]) == 2
    assert messages_of([], FeedForm.JSON, FeedPer.BATCH, "north") == []


def test_senml_tells_correction_and_revision_as_records_of_the_same_name_and_time():
    """RFC 8428: resolved by the code that reads packs, every record has the base name and time of its reading."""
    records = resolve(only([telling(corrected=True, revision=3, undone=True)], form=FeedForm.SENML))
    base = f"urn:dev:mac:{DEV_EUI.lower()}_0_"
    told = {record["n"].removeprefix(base): record for record in records}
    assert {record["t"] for record in records} == {AT.timestamp()}
    assert told["water-content"]["v"] == 0.25
    assert (told["corrected"]["vb"], told["revision-undone"]["vb"], told["revision"]["v"]) == (True, True, 3)
    assert "withdrawn" not in told


def test_senml_tells_a_withdrawn_reading_without_a_figure():
    records = resolve(only([telling(reading=None, corrected=True)], form=FeedForm.SENML))
    base = f"urn:dev:mac:{DEV_EUI.lower()}_0_"
    assert [(record["n"], record["vb"]) for record in records] == [
        (f"{base}corrected", True),
        (f"{base}withdrawn", True),
    ]
    assert {record["t"] for record in records} == {AT.timestamp()}


def test_readings_of_several_probes_stand_in_one_pack():
    other = replace(telling(), dev_eui="02BB000000000002", reading=None)
    records = resolve(only([telling(), other], form=FeedForm.SENML, per=FeedPer.BATCH))
    assert {record["n"].split("_")[0] for record in records} == {
        "urn:dev:mac:02bb000000000001",
        "urn:dev:mac:02bb000000000002",
    }


def test_senml_leaves_out_what_it_can_t_date():
    """RFC 8428, 4.5.3: times under 2**28 are relative to the reader's clock."""
    old = telling(measured_at=datetime(1975, 1, 1, tzinfo=UTC))
    assert messages_of([old], FeedForm.SENML, FeedPer.READING, "north") == []
    assert len(messages_of([old], FeedForm.JSON, FeedPer.READING, "north")) == 1


@pytest.mark.parametrize("per", FeedPer)
def test_the_same_change_has_the_same_id_and_a_figure_that_returns_another(per):
    """A receiver may drop ids that it knows: what is told first, revised, and told again must reach it thrice."""

    def id_of(one, feed="north"):
        return messages_of([one], FeedForm.JSON, per, feed)[0].message_id

    assert id_of(telling()) == id_of(telling())
    assert len({id_of(telling(change=change)) for change in (0, 1, 2)} | {id_of(telling(), "south")}) == 4
