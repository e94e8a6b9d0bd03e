"""An open webhook before a store, and one before a queue that nobody takes anything from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from loamline_schemas.settings import BatchSettings
from tests.support.webhook import Served, served


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "s.duckdb"


@pytest.fixture
def server(store: Path) -> Iterator[Served]:
    """An open webhook before a store."""
    with served(store) as running:
        yield running


@pytest.fixture
def deaf() -> Iterator[Served]:
    """A webhook before a queue that nobody takes anything from, with little patience."""
    with served(None, commit_timeout_s=0.3, request_timeout_s=0.4, batch=BatchSettings(queue_messages=2)) as running:
        yield running
