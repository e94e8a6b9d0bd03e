"""Broken messages on every way in; the long form is `uv run python -m tests.faults.fuzz --messages 20000 --seed 1`."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from loamline.edges.envelopes.kinds import envelope_reader
from loamline.edges.messages import Rejected
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.faults.fuzz import campaign
from tests.faults.fuzz_inputs import KINDS, MAPS
from tests.support.uplinks import registered_store


@pytest.mark.parametrize("kind", KINDS)
def test_of_broken_messages_nothing_is_lost_and_nothing_raises_past_the_edge(tmp_path: Path, kind: str) -> None:
    """Through the daemon's loop, over HTTP, and from files: each is an uplink, set aside, or kept whole."""
    summary = campaign(60, 20260110, tmp_path, kinds=[kind])
    assert summary.faults == []
    assert threading.active_count() < 20
    assert summary.uplinks > 3
    assert summary.rejected > 10
    assert summary.refused_with_400 > 0


def test_half_a_surrogate_pair_in_what_a_map_reads_is_kept_and_told(tmp_path: Path) -> None:
    """JSON may name one (RFC 8259, 8.2), and no text that is stored can hold it: it once ended the daemon."""
    content = b'{"from": "ridge network", "gathered": [{"who": "\\ud800"}]}'
    messages = envelope_reader("gateways", keys=None, maps_dir=MAPS)(content, "a topic with \ud800")
    assert [type(message) for message in messages] == [Rejected]
    with registered_store(tmp_path / "s.duckdb") as store:
        assert Writer(store, builtin_codecs()).commit(messages).unreadable == 1
        assert store.con.sql("SELECT source FROM rejected_message").fetchall() == [(r"a topic with \ud800",)]
