"""Readings for the API, a page at a time: probe after probe, so that a page reads no more than it tells.

A customer sees a reading where the registry in force has that depth of the probe at one of its sites at that instant,
and where the placement that the reading was derived under is one at its sites, too: whatever the registry learns later,
neither its old nor its new state alone opens another customer's figures.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pyarrow as pa

from loamline.edges.store.api_pages import After, Page, Term, parameters, schema_of, where
from loamline.edges.store.api_registry import OWN_PLACED, customer_parameter
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import COLUMNS, SCHEMA, ExportColumn
from loamline.edges.store.revisions import CURRENT
from loamline.edges.store.sql_lists import listed

#: Probes that are looked at in the first step of a page; each further step takes four times as many, up to the most.
_FIRST_BLOCK, _MOST_BLOCK = 1, 1024

#: The registry's rows of these probes alone: to look through those of a large fleet takes longer than all else.
_JOINED = """
    JOIN probe_identity i USING (probe_id) JOIN provenance p USING (provenance_id)
    LEFT JOIN (
        SELECT DISTINCT digest, serial FROM probe
        WHERE dev_eui IN (SELECT dev_eui FROM probe_identity WHERE probe_id IN ({probes}))
    ) b ON b.digest = p.probe_digest
    LEFT JOIN (
        SELECT DISTINCT digest, site, label, depth_cm, texture FROM placement
        WHERE dev_eui IN (SELECT dev_eui FROM probe_identity WHERE probe_id IN ({probes}))
    ) l ON l.digest = p.placement_digest
"""
_OWN = f"""
    l.site IN (SELECT site FROM {OWN_PLACED}) AND EXISTS (
        SELECT 1 FROM {OWN_PLACED} o WHERE o.dev_eui = i.dev_eui AND o.depth_index = r.depth_index
        AND r.measured_at >= o.valid_from AND r.measured_at < o.valid_end
    )
"""  # noqa: S608 - our own names


@dataclass(frozen=True)
class Wanted:
    """Which readings: of whom (None: of everybody), of which probe, site and depth, in the span [since, until)."""

    customer: str | None = None
    dev_eui: str | None = None
    site: str | None = None
    depth_index: int | None = None
    since: datetime | None = None
    until: datetime | None = None

    def terms(self) -> list[Term]:
        """Return the conditions over a reading and what it is joined with."""
        told = [
            (self.customer, _OWN, "customer"),
            (self.site, "l.site = $site", "site"),
            (self.depth_index, "r.depth_index = $depth_index", "depth_index"),
            (self.since, "r.measured_at >= $since", "since"),
            (self.until, "r.measured_at < $until", "until"),
        ]
        return [Term(sql, {name: value}) for value, sql, name in told if value is not None]


def readings_page(
    store: Store, wanted: Wanted, after: After | None, limit: int, columns: Sequence[ExportColumn] = COLUMNS
) -> Page:
    """Return readings in order of dev_eui, depth_index and measured_at; `columns`, the key's three among them.

    `after` is (dev_eui, depth_index, the first instant wanted of it in microseconds since 1970).
    """
    terms = wanted.terms()
    if after is not None:
        at_us = "epoch_us(r.measured_at)"
        told = {**_named(after), "at_us": after[2]}
        terms.append(Term(f"(i.dev_eui, r.depth_index, {at_us}) >= ($dev_eui, $depth, $at_us)", told))
    found: list[pa.Table] = []
    left = limit
    for numbers in _blocks(store, wanted, after):
        rows = _query(store, terms, numbers, left + 1, columns)
        found.append(rows)
        left -= rows.num_rows
        if left < 0:
            break
    table = pa.concat_tables(found) if found else schema_of(columns).empty_table()
    kept = table.slice(0, limit)
    return Page(kept, end_of(kept) if table.num_rows > limit else None)


def end_of(rows: pa.Table) -> After:
    """Return where the page after these readings begins: a microsecond after the last of them."""
    last = rows.slice(rows.num_rows - 1, 1)
    (at,) = last.column("measured_at").cast(pa.int64()).to_pylist()
    ((dev_eui,), (depth,)) = (last.column(name).to_pylist() for name in ("dev_eui", "depth_index"))
    return dev_eui, depth, at + 1


def latest_page(store: Store, wanted: Wanted, after: After | None, limit: int) -> Page:
    """Return the newest reading of each depth, in order of dev_eui and depth_index; `after` is these two."""
    newest = "row_number() OVER (PARTITION BY r.probe_id, r.depth_index ORDER BY r.measured_at DESC) = 1"
    found: list[pa.Table] = []
    left = limit
    for numbers in _blocks(store, wanted, after):
        terms = [Term("(i.dev_eui, r.depth_index) > ($dev_eui, $depth)", _named(after))] if after else []
        rows = _query(store, [*wanted.terms(), *terms], numbers, left + 1, rest=f"QUALIFY {newest}")
        found.append(rows)
        left -= rows.num_rows
        if left < 0:
            break
    table = pa.concat_tables(found) if found else SCHEMA.empty_table()
    kept = table.slice(0, limit)
    return Page(kept, end_of(kept)[:2] if table.num_rows > limit else None)


def known(store: Store, customer: str | None, *, dev_eui: str | None = None, site: str | None = None) -> bool:
    """Return whether there is such a probe or site among those that may be seen; a foreign one is none."""
    told = {"name": dev_eui if dev_eui is not None else site, **customer_parameter(customer)}
    if dev_eui is not None:
        source = "probe_identity" if customer is None else OWN_PLACED
        named = "dev_eui = $name"
    else:
        source, named = "(SELECT * FROM site WHERE last_reference_id IS NULL)", "site = $name"
        named += "" if customer is None else " AND customer = $customer"
    return bool(store.con.execute(f"SELECT count(*) > 0 FROM {source} WHERE {named}", told).fetchall()[0][0])  # noqa: S608


def probe_numbers(store: Store, wanted: Wanted, after: After | None) -> list[int]:
    """Return the probes that can have readings that are wanted, in order of dev_eui, from that of `after` on."""
    told = [
        (wanted.dev_eui, "dev_eui = $dev_eui", "dev_eui"),
        (wanted.site, "dev_eui IN (SELECT dev_eui FROM placement WHERE site = $site)", "site"),
        (wanted.customer, f"dev_eui IN (SELECT dev_eui FROM {OWN_PLACED})", "customer"),  # noqa: S608 - our own names
        (None if after is None else after[0], "dev_eui >= $after", "after"),
    ]
    terms = [Term(sql, {name: value}) for value, sql, name in told if value is not None]
    rows = store.con.execute(
        f"SELECT probe_id FROM probe_identity WHERE {where(terms)} ORDER BY dev_eui",  # noqa: S608 - our own words
        parameters(terms),
    ).fetchall()
    return [int(number) for (number,) in rows]


def names_of(store: Store, numbers: list[int]) -> list[str]:
    """Return the DevEUIs of probes by number, in order."""
    rows = store.con.execute(
        f"SELECT dev_eui FROM probe_identity WHERE probe_id IN ({listed(numbers)}) ORDER BY 1"  # noqa: S608 - our own
    )
    return [dev_eui for (dev_eui,) in rows.fetchall()]


def source_of(numbers: list[int]) -> str:
    """Return FROM for SQL: these probes' readings `r`, with `i`, `p`, `b` and `l` as `ExportColumn` has them."""
    return alone_of(numbers) + _JOINED.format(probes=listed(numbers))


def alone_of(numbers: list[int]) -> str:
    """Return FROM for SQL: these probes' readings `r` without what they are joined with."""
    return f"FROM (SELECT * FROM {CURRENT} WHERE probe_id IN ({listed(numbers)})) r"  # noqa: S608 - our own numbers


def _blocks(store: Store, wanted: Wanted, after: After | None) -> Iterator[list[int]]:
    numbers = probe_numbers(store, wanted, after)
    start, size = 0, _FIRST_BLOCK
    while start < len(numbers):
        yield numbers[start : start + size]
        start, size = start + size, min(4 * size, _MOST_BLOCK)


def _query(
    store: Store,
    terms: list[Term],
    numbers: list[int],
    limit: int,
    columns: Sequence[ExportColumn] = COLUMNS,
    rest: str = "",
) -> pa.Table:
    told = ", ".join(f'{column.sql} AS "{column.name}"' for column in columns)
    source = source_of(numbers)
    query = (
        f"SELECT {told} {source} WHERE {where(terms)} {rest} "
        f"ORDER BY i.dev_eui, r.depth_index, r.measured_at LIMIT {int(limit)}"
    )
    return store.con.sql(query, params=parameters(terms)).to_arrow_table().cast(schema_of(columns))


def _named(after: After) -> dict[str, Any]:
    return {"dev_eui": after[0], "depth": after[1]}
