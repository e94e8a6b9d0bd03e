"""Feeds that can't be meant are refused by the settings."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from loamline_schemas.feed_settings import FeedSettings
from loamline_schemas.settings import Settings


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({}, "expected one of url and mqtt, got neither"),
        ({"url": "http://a.example/", "mqtt": {}}, "expected one of url and mqtt, got url and mqtt"),
        ({"url": "http://a.example/", "site": "a", "customer": "b"}, "expected one of customer and site"),
        ({"url": "ftp://a.example/"}, "expected http:// or https://"),
    ],
)
def test_a_feed_that_can_t_be_meant_is_told(told, sentence):
    with pytest.raises(ValidationError, match=sentence):
        FeedSettings.model_validate({"name": "north", **told})


def test_two_feeds_of_one_name_or_client_id_are_told():
    feed = {"name": "north", "mqtt": {}}
    with pytest.raises(ValidationError, match="expected another name in each of the feeds, got north") as problem:
        Settings.model_validate({"feeds": [feed, feed]})
    assert "expected another client_id in each of the feeds to 127.0.0.1:1883" in str(problem.value)
