"""The receiver, the clock and the store of a feed's tests."""

from __future__ import annotations

import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from tests.edges.feed.given import Clock
from tests.support.event_receiver import http_receiver


@pytest.fixture
def receiver():
    with http_receiver() as told:
        yield told


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def soil(stores):
    """Yield an open store that no uplink has come to."""
    with Store.open(stores.folder / "soil.duckdb", create=True) as store:
        save_state(store, stores.registry(), "test")
        yield store
