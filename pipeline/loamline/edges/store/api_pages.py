"""Pages of a listing, by key and not by number: whatever is added meanwhile, no row comes twice and none is left out.

Each listing has an order by columns that tell its rows apart. A page ends at a row; the next one begins after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

from loamline.edges.store.connection import Store
from loamline.edges.store.readings import ExportColumn

#: Where a page ends: the values of the listing's keys, text or whole numbers.
After = tuple[str | int, ...]


@dataclass(frozen=True)
class Term:
    """One condition of SQL, and its named parameters."""

    sql: str
    parameters: dict[str, Any] = field(default_factory=dict)


def where(terms: Sequence[Term]) -> str:
    """Return terms as one condition of SQL."""
    return " AND ".join(["true", *(f"({term.sql})" for term in terms)])


def parameters(terms: Sequence[Term]) -> dict[str, Any]:
    """Return the parameters that terms need."""
    return {name: value for term in terms for name, value in term.parameters.items()}


@dataclass(frozen=True)
class Page:
    """Rows, and where the next page begins; None where there is none."""

    rows: pa.Table
    after: After | None


@dataclass(frozen=True)
class Listing:
    """A query: columns, each an expression over `source` (FROM and what follows), and the order.

    `keys` are SQL expressions over the columns' names, never null, of text or whole numbers, that tell rows apart.
    """

    columns: tuple[ExportColumn, ...]
    source: str
    keys: tuple[str, ...]

    @property
    def schema(self) -> pa.Schema:
        """The columns as Arrow, unit and meaning in each field's metadata."""
        return schema_of(self.columns)


def schema_of(columns: Sequence[ExportColumn]) -> pa.Schema:
    """Return columns as Arrow, unit and meaning in each field's metadata."""
    return pa.schema([column.field for column in columns])


def page_of(
    store: Store,
    listing: Listing,
    within: Sequence[Term] = (),
    wanted: Sequence[Term] = (),
    *,
    after: After | None = None,
    limit: int,
) -> Page:
    """Return up to `limit` rows after `after`; `within` are terms over the source, `wanted` over the columns."""
    terms = [*wanted]
    if after is not None:
        names = [f"after_{number}" for number in range(len(after))]
        keys = f"({', '.join(listing.keys)}) > ({', '.join('$' + name for name in names)})"
        terms.append(Term(keys, dict(zip(names, after, strict=True))))
    return cut(_ordered(store, listing, within, terms, 0, limit + 1), listing.schema, len(listing.keys), limit)


def rows_of(
    store: Store,
    listing: Listing,
    within: Sequence[Term] = (),
    wanted: Sequence[Term] = (),
    *,
    start: int = 0,
    limit: int | None = None,
) -> list[dict[str, Any]]:
    """Return all rows, or up to `limit` of them from row `start` on, as dicts by column; terms as for `page_of`."""
    found = _ordered(store, listing, within, wanted, start, limit)
    rows: list[dict[str, Any]] = found.select(listing.schema.names).cast(listing.schema).to_pylist()
    return rows


def count_of(store: Store, listing: Listing, within: Sequence[Term] = ()) -> int:
    """Return how many rows a listing has; `within` are terms over the source."""
    sql = f"SELECT count(*) {listing.source} WHERE {where(within)}"
    return int(store.scalar(sql, parameters(within)))


def _ordered(
    store: Store, listing: Listing, within: Sequence[Term], wanted: Sequence[Term], start: int, limit: int | None
) -> pa.Table:
    """Return rows in the listing's order, its columns and then its keys."""
    told = ", ".join(f'{column.sql} AS "{column.name}"' for column in listing.columns)
    inner = f"SELECT {told} {listing.source} WHERE {where(within)}"
    ends = ", ".join(f"{key} AS _key_{number}" for number, key in enumerate(listing.keys))
    order = ", ".join(f"_key_{number}" for number in range(len(listing.keys)))
    rest = ("" if limit is None else f" LIMIT {int(limit)}") + (f" OFFSET {int(start)}" if start else "")
    return store.con.sql(
        f"SELECT *, {ends} FROM ({inner}) WHERE {where(wanted)} ORDER BY {order}{rest}",  # noqa: S608 - our own names
        params=parameters((*within, *wanted)),
    ).to_arrow_table()


def cut(rows: pa.Table, schema: pa.Schema, keys: int, limit: int) -> Page:
    """Return a page out of up to `limit` + 1 rows whose last columns are the keys."""
    more = rows.num_rows > limit
    kept = rows.slice(0, limit)
    after = None
    if more:
        last = kept.slice(limit - 1, 1).to_pylist()[0]
        after = tuple(last[f"_key_{number}"] for number in range(keys))
    return Page(kept.select(schema.names).cast(schema), after)
