"""What a feed tells next: changes of what it told before, then readings behind its cursor; a page at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from loamline.core.feed_messages import Telling
from loamline.edges.store.api_pages import parameters
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.api_registry import customer_parameter
from loamline.edges.store.connection import Store
from loamline.edges.store.feed_state import Cursor, FeedState
from loamline.edges.store.readings import COLUMNS
from loamline.edges.store.sql_lists import listed

#: What the feed reads is `reading`: what a revision published is told when it is merged into that.
_FROM = """
    FROM (SELECT * FROM (VALUES {keys}) AS k(n, probe_id, depth_index, at_us)) k
    JOIN probe_identity i ON i.probe_id = k.probe_id
    LEFT JOIN (
        SELECT * FROM reading WHERE measured_at BETWEEN make_timestamptz({first}) AND make_timestamptz({last})
        AND probe_id IN ({probes})
    ) r ON r.probe_id = k.probe_id AND r.depth_index = k.depth_index AND epoch_us(r.measured_at) = k.at_us
    LEFT JOIN provenance p ON p.provenance_id = r.provenance_id
    LEFT JOIN (SELECT DISTINCT digest, serial FROM probe) b ON b.digest = p.probe_digest
    LEFT JOIN (SELECT DISTINCT digest, site, label, depth_cm, texture FROM placement) l ON l.digest = p.placement_digest
    LEFT JOIN (
        SELECT s.probe_id, measured_from, measured_to, revision_id FROM revision_span s JOIN revision v
        USING (revision_id) WHERE v.step IN ('applied', 'withdrawing') AND s.probe_id IN ({probes})
    ) v ON v.probe_id = k.probe_id AND make_timestamptz(k.at_us) BETWEEN v.measured_from AND v.measured_to
"""
_SITES_THEN = """
    SELECT p.provenance_id FROM provenance p
    JOIN (SELECT DISTINCT digest, site FROM placement) l ON l.digest = p.placement_digest
    WHERE list_contains($was, p.provenance_id) AND {mine}
"""
_OWN_SITE = "l.site IN (SELECT site FROM site WHERE last_reference_id IS NULL AND customer = $customer)"


@dataclass(frozen=True)
class FeedPage:
    """What to tell, and how far the feed is once that was taken."""

    tellings: list[Telling]
    after: FeedState


@dataclass(frozen=True)
class _Key:
    probe_id: int
    depth_index: int
    measured_at: datetime
    at_us: int
    change: int = 0
    was: tuple[int, ...] = ()
    revision: int | None = None
    undone: bool = False


def feed_page(store: Store, state: FeedState, wanted: Wanted, limit: int) -> FeedPage | None:
    """Return the next page of a feed, without tellings where none of it is wanted; None where there is nothing.

    Of `wanted` only customer and site count. `limit` is how many readings are looked at.
    """
    keys = _due(store, state.due_seq, limit)
    if keys:
        # The highest number of any row read, not of the keys that are left of them.
        return FeedPage(_tellings(store, keys, wanted), replace(state, due_seq=max(key.change for key in keys)))
    if state.at_end:
        return None
    keys = _behind(store, state.cursor, state.read_until, limit)
    last = keys[-1] if len(keys) == limit else None
    cursor = Cursor(state.read_until) if last is None else Cursor(last.measured_at, last.probe_id, last.depth_index)
    return FeedPage(_tellings(store, keys, wanted) if keys else [], replace(state, cursor=cursor))


def _due(store: Store, after: int, limit: int) -> list[_Key]:
    """Return the next changes, of several to one reading the last, with all that it was before."""
    rows = store.con.execute(
        "SELECT probe_id, depth_index, measured_at, epoch_us(measured_at), due_seq, was_provenance_id, revision_id, "
        "undone FROM feed_due WHERE due_seq > ? ORDER BY due_seq LIMIT ?",
        [after, limit],
    ).fetchall()
    found: dict[tuple[Any, ...], _Key] = {}
    for probe, depth, at, at_us, change, was, revision, undone in rows:
        before = found.pop((probe, depth, at_us), None)
        earlier = () if before is None else before.was
        all_was = earlier if was is None else (*earlier, was)
        found[probe, depth, at_us] = _Key(probe, depth, at, at_us, change, all_was, revision, undone)
    return list(found.values())


def _behind(store: Store, cursor: Cursor, until: datetime, limit: int) -> list[_Key]:
    rows = store.con.execute(
        "SELECT probe_id, depth_index, measured_at, epoch_us(measured_at) FROM reading "
        "WHERE measured_at >= $at AND measured_at <= $until "
        "AND (measured_at > $at OR (probe_id, depth_index) > ($probe, $depth)) "
        "ORDER BY measured_at, probe_id, depth_index LIMIT $limit",
        {
            "at": cursor.measured_at,
            "until": until,
            "limit": limit,
            "probe": cursor.probe_id,
            "depth": cursor.depth_index,
        },
    ).fetchall()
    return [_Key(*row) for row in rows]


def _tellings(store: Store, keys: Sequence[_Key], wanted: Wanted) -> list[Telling]:
    """Return those of `keys` that are wanted now, and as withdrawn those that were and are not any more."""
    told = ", ".join(column.sql for column in COLUMNS)
    terms = wanted.terms()
    mine = " AND ".join(["r.probe_id IS NOT NULL", *(f"({term.sql})" for term in terms)])
    source = _FROM.format(
        keys=", ".join(f"({n}, {key.probe_id}, {key.depth_index}, {key.at_us})" for n, key in enumerate(keys)),
        first=min(key.at_us for key in keys),
        last=max(key.at_us for key in keys),
        probes=listed(sorted({key.probe_id for key in keys})),
    )
    rows = store.con.execute(
        f"SELECT k.n, i.dev_eui, coalesce({mine}, false), v.revision_id, {told} {source} "
        "QUALIFY row_number() OVER (PARTITION BY k.n ORDER BY v.revision_id DESC NULLS LAST) = 1 ORDER BY k.n",
        parameters(terms),
    ).fetchall()
    were_mine = _were_mine(store, keys, wanted)
    names = [column.name for column in COLUMNS]
    found = []
    for n, dev_eui, is_mine, in_force, *values in rows:
        key = keys[n]
        if not is_mine and not were_mine & set(key.was):
            continue
        found.append(
            Telling(
                dev_eui,
                key.depth_index,
                key.measured_at,
                dict(zip(names, values, strict=True)) if is_mine else None,
                change=key.change,
                corrected=bool(key.was),
                revision=in_force if key.revision is None else key.revision,
                undone=key.undone,
            )
        )
    return found


def _were_mine(store: Store, keys: Sequence[_Key], wanted: Wanted) -> set[int]:
    """Return which of the provenances before the changes are of readings that were wanted."""
    was = sorted({number for key in keys for number in key.was})
    if not was or (wanted.customer is None and wanted.site is None):
        return set(was)
    mine = "l.site = $site" if wanted.site is not None else _OWN_SITE
    parameters = {"site": wanted.site} if wanted.site is not None else customer_parameter(wanted.customer)
    rows = store.con.execute(_SITES_THEN.format(mine=mine), {"was": was, **parameters}).fetchall()
    return {int(number) for (number,) in rows}
