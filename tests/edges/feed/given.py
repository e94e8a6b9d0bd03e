"""A feed whose turns a test gives, a clock that it moves, and what a receiver holds of it."""

from __future__ import annotations

import io
import json
from datetime import timedelta

from loamline.app.feed_tending import FeedTending
from loamline.app.ingest import make_log
from loamline.edges.export import rfc3339_column
from loamline.edges.store.readings import Selection, readings
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.feed_settings import FeedSettings
from tests.conftest import Stores
from tests.support.daemon import until

CODECS = builtin_codecs()
SECRET = "whsec_" + "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVo="
MARKS = ("corrected", "revision", "revision_undone", "withdrawn")


class Clock:
    """Our clock, which a test moves."""

    def __init__(self) -> None:
        self.now = Stores.START

    def __call__(self):
        return self.now

    def at(self, hour):
        self.now = Stores.START + timedelta(hours=hour)


def a_feed(url, **more):
    told = {"name": "north", "since": Stores.START, "longest_pause_s": 0.05, "timeout_s": 5}
    return FeedSettings(**{**told, "url": url, **more})


def tending(clock, *feeds):
    return FeedTending(feeds, make_log("json", debug=True, file=io.StringIO()), turn_s=0.0, clock=clock)


def turning(feeds, store, done):
    """Give the feeds their turns until something is so."""

    def turned():
        feeds.turn(store)
        return done()

    until(turned)


def nothing_waits(feeds, store):
    def done():
        told = feeds.told(store)["feeds"]
        return bool(told) and not any(feed["waiting"] for feed in told)

    return done


def told_all(feeds, store):
    turning(feeds, store, nothing_waits(feeds, store))


def bodies(receiver):
    return [json.loads(posted.body) for posted in receiver.taken]


def keep_last(messages):
    """Return what a receiver holds that keeps the last of each key and drops what is withdrawn."""
    held = {}
    for told in messages:
        key = (told["dev_eui"], told["depth_index"], told["measured_at"])
        if told["withdrawn"]:
            held.pop(key, None)
        else:
            held[key] = {name: value for name, value in told.items() if name not in MARKS}
    return held


def standing(store, selection=None):
    """Return what the store tells of every reading, in the form of a message."""
    table = readings(store, selection or Selection()).read_all()
    for name in ("measured_at", "heard_at"):
        number = table.schema.get_field_index(name)
        table = table.set_column(number, name, [rfc3339_column(table.column(name).combine_chunks())])
    rows = table.to_pylist()
    return {(row["dev_eui"], row["depth_index"], row["measured_at"]): row for row in rows}


def commit(store, stores, *uplinks):
    return Writer(store, CODECS).commit([stores.accepted(uplink) for uplink in uplinks], stores.START)


def hours(stores, *numbers, dev_eui=Stores.BARLEY, count=1800):
    return [stores.v1(dev_eui, hour, count + 3 * hour) for hour in numbers]
