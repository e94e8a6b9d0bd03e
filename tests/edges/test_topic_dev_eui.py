"""The DevEUI in a topic against the one in the payload."""

from __future__ import annotations

import pytest

from loamline.edges.envelopes.canonical import read_message
from loamline.edges.messages import Accepted, Rejected
from loamline.edges.topic_dev_eui import agreeing_with_topic
from tests.support.uplinks import PROBES, as_bytes, fleet

UPLINK = next(fleet(1))
OURS, ANOTHERS = UPLINK["dev_eui"], PROBES[5]
read = agreeing_with_topic(read_message, 3, "canonical")


@pytest.mark.parametrize("told", [OURS, OURS.lower()])
def test_an_uplink_under_its_own_topic_passes(told: str) -> None:
    (message,) = read(as_bytes(UPLINK), f"farm/uplinks/{told}/more")
    assert isinstance(message, Accepted)


def test_an_uplink_under_anothers_topic_is_kept_and_told_with_both() -> None:
    """Whoever may publish for one probe must not speak for another."""
    body, topic = as_bytes(UPLINK), f"farm/uplinks/{ANOTHERS}"
    detail = f"{topic}: expected the payload's DevEUI to be the topic's, {ANOTHERS}, got {OURS}"
    assert read(body, topic) == [Rejected(topic, detail, body, "canonical")]


@pytest.mark.parametrize(
    ("topic", "got"),
    [("farm/uplinks", "none"), ("farm/uplinks/all", "'all'"), ("farm/uplinks/", "''"), (f"farm/{OURS}/up", "'up'")],
)
def test_a_topic_without_a_dev_eui_speaks_for_no_probe(topic: str, got: str) -> None:
    (message,) = read(as_bytes(UPLINK), topic)
    assert isinstance(message, Rejected)
    assert message.detail == (
        f"{topic}: expected a DevEUI of 16 hex digits at level 3 of the topic, got {got}, for {OURS}"
    )


def test_of_a_list_those_that_disagree_are_rejected_alone() -> None:
    """And what is no uplink keeps its own reason."""
    body = b"[" + as_bytes(UPLINK) + b", 3, " + as_bytes({**UPLINK, "dev_eui": ANOTHERS}) + b"]"
    good, none, another = read(body, f"farm/uplinks/{OURS}")
    assert isinstance(good, Accepted)
    assert isinstance(none, Rejected)
    assert none.detail.endswith("expected an object, got 3")
    assert isinstance(another, Rejected)
    assert another.detail.endswith(f"{OURS}, got {ANOTHERS}")
