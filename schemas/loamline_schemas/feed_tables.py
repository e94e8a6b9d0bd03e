"""The store's tables of onward feeds: how far each is, and which readings below that have changed since."""

from __future__ import annotations

import pyarrow as pa

from loamline_schemas.columns import INSTANT, Table, column

FEED = Table(
    "feed",
    "Feeds of settled readings, one row a feed that the daemon was last started with.",
    (
        column("name", pa.string(), "as the settings have it", required=True, since=10),
        column("started_at", INSTANT, "when the feed began, our clock", required=True, since=10),
        column(
            "sent_measured_at", INSTANT, "the last reading that was taken, with the next two", required=True, since=10
        ),
        column("sent_probe_id", pa.int32(), "probe_identity", required=True, since=10),
        column("sent_depth_index", pa.uint8(), "its depth", required=True, since=10),
        column("read_until", INSTANT, "what changes up to here is noted in feed_due", required=True, since=10),
        column("due_seq", pa.int64(), "the last row of feed_due that was taken", required=True, since=10),
        column("failing_since", INSTANT, "first attempt that failed since the last one that did not", since=10),
        column("failures", pa.int64(), "attempts since then", required=True, since=10),
        column("last_error", pa.string(), "the sentence", since=10),
        column("sent_at", INSTANT, "the last message that was taken", since=10),
    ),
    since=10,
)

FEED_DUE = Table(
    "feed_due",
    "Readings that came late or changed after a feed had read as far as them; kept until every feed has told them.",
    (
        column("due_seq", pa.int64(), "order of changes", required=True, since=10),
        column("probe_id", pa.int32(), "probe_identity", required=True, since=10),
        column("depth_index", pa.uint8(), "reading.depth_index", required=True, since=10),
        column("measured_at", INSTANT, "reading.measured_at", required=True, since=10),
        column("was_provenance_id", pa.int32(), "what made the figure before; null: there was none", since=10),
        column("revision_id", pa.int32(), "the revision that changed it; null: an uplink did", since=10),
        column("undone", pa.bool_(), "the revision was taken back", required=True, since=10),
    ),
    since=10,
)
