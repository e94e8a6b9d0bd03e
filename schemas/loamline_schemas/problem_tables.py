"""The store's tables of what is wrong in the fleet, and of the events that tell it onward."""

from __future__ import annotations

import pyarrow as pa

from loamline_schemas.columns import INSTANT, Table, column

PROBLEM = Table(
    "problem",
    "Problems in force, one row a kind and subject; a problem that is over has none.",
    (
        column("kind", pa.string(), "loamline.core.fleet_problems.Kind", required=True, since=8),
        column("subject", pa.string(), "probe/DEV_EUI, gateway/NAME, hardware/NAME or store", required=True, since=8),
        column("since", INSTANT, "when it began, or the earliest that is known", required=True, since=8),
        column("noticed_at", INSTANT, "our clock", required=True, since=8),
        column("detail", pa.string(), "the figures in words, at the onset", required=True, since=8),
        column("problem_id", pa.string(), "the same in the event of the onset and of the end", required=True, since=8),
    ),
    since=8,
)

EVENT_OUTBOX = Table(
    "event_outbox",
    "Events that are still to be sent, or whose answer is not recorded yet.",
    (
        column("event_seq", pa.int64(), "order of sending within a subject", required=True, since=8),
        column("event_id", pa.string(), "UUID; the same on every attempt", required=True, since=8),
        column("subject", pa.string(), "problem.subject", required=True, since=8),
        column("body", pa.string(), "CloudEvents 1.0, JSON", required=True, since=8),
        column("made_at", INSTANT, "our clock", required=True, since=8),
    ),
    since=8,
)

EVENT_RECEIVER = Table(
    "event_receiver",
    "How the receiver of events does: at most one row.",
    (
        column("receiver", pa.string(), "its address, without secrets", required=True, since=8),
        column("failing_since", INSTANT, "first attempt that failed since the last one that did not", since=8),
        column("failures", pa.int64(), "attempts since then", required=True, since=8),
        column("last_error", pa.string(), "the sentence", since=8),
        column("sent_at", INSTANT, "the last event that it took", since=8),
    ),
    since=8,
)
