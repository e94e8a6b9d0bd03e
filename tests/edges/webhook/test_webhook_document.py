"""The webhook answers requests made up from its document as it says, and leaves no thread behind."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.checks import CHECKS

from loamline.edges.envelopes.canonical import read_message
from loamline.edges.envelopes.ts002 import ts002_reader
from loamline.edges.keys_file import Keys
from loamline.edges.webhook_app import uplinks_door
from loamline.edges.webhook_signature import Guard
from loamline.edges.webhook_ts002 import ts002_door
from tests.edges.webhook.given import CLOSED, SECRET
from tests.support.daemon import until
from tests.support.webhook import Served, served


@pytest.mark.parametrize("path", ["/uplinks", "/ts002"])
def test_requests_made_up_from_the_document_are_answered_as_it_says(store: Path, path: str) -> None:
    """Good ones and bad ones; a body that is JSON but no uplink is kept and answered with 200, on purpose."""
    with served(store, doors=[uplinks_door(read_message), ts002_door(ts002_reader(Keys.none()))]) as server:
        schema = schemathesis.openapi.from_url(f"{server.url}/openapi.json")
        by_status = ("negative_data_rejection", "positive_data_acceptance")
        wanted = [check for check in CHECKS.get_all() if check.__name__ not in by_status]

        @seed(7)
        @settings(
            max_examples=60,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        )
        @given(case=schema[path]["POST"].as_strategy())
        def answered(case: Any) -> None:
            case.call_and_validate(checks=wanted)

        answered()
        until(lambda: '"committed"' in server.log.getvalue())
        assert "defect" not in server.log.getvalue()


def test_the_document_tells_how_to_prove_oneself_only_where_one_has_to() -> None:
    open_one = Served(None, guard=Guard()).webhook.document
    closed = Served(None, guard=CLOSED).webhook.document
    assert open_one["components"]["securitySchemes"] == {}
    assert set(closed["components"]["securitySchemes"]) == {"token", "signature"}
    assert closed["paths"]["/uplinks"]["post"]["security"] == [{"token": []}, {"signature": []}]
    assert SECRET[6:] not in json.dumps(closed)


def test_leaving_leaves_no_thread_behind() -> None:
    before = threading.active_count()
    with served(None):
        assert threading.active_count() > before
    until(lambda: threading.active_count() == before)
