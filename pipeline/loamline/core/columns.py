"""Small conversions between Arrow columns and NumPy, used at both ends of the chain."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Flags = NDArray[np.uint8]

MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def whole(table: pa.Table, name: str) -> pa.Array:
    """Return one column of a table as one contiguous array."""
    column = table.column(name)
    if column.num_chunks == 1:
        return column.chunk(0)
    chunks = column.combine_chunks()
    return pa.concat_arrays(chunks.chunks) if isinstance(chunks, pa.ChunkedArray) else chunks


def ints(array: pa.Array, missing: int = -1) -> Ints:
    """Return an integer column as int64, nulls as `missing`."""
    if pa.types.is_timestamp(array.type):
        array = array.view(pa.int64())
    if not array.null_count and pa.types.is_integer(array.type):  # most often, and ten times as quick
        return np.asarray(array.to_numpy().astype(np.int64, copy=False))
    return np.asarray(array.cast(pa.int64()).fill_null(missing).to_numpy(zero_copy_only=False), dtype=np.int64)


def instants(array: pa.Array) -> Ints:
    """Return a timestamp column as microseconds since 1970-01-01T00:00:00Z, shape (n,)."""
    return np.asarray(array.view(pa.int64()).to_numpy(zero_copy_only=False), dtype=np.int64)


def instant(us: int) -> datetime:
    """Return microseconds since 1970 as a UTC instant."""
    return _EPOCH + timedelta(microseconds=int(us))


def floats(array: pa.Array) -> Floats:
    """Return a float column, nulls as NaN, shape (n,)."""
    return np.asarray(array.to_numpy(zero_copy_only=False).astype(np.float64, copy=False))


def arrow(values: NDArray[Any], kind: pa.DataType) -> pa.Array:
    """Return a NumPy column as Arrow: NaN becomes null, whole floats become integers where `kind` wants them."""
    if values.dtype.kind != "f":
        if pa.types.is_timestamp(kind):
            return pa.array(values, pa.int64()).view(kind)
        return pa.array(values).cast(kind)
    missing = np.isnan(values)
    if pa.types.is_floating(kind):
        return pa.array(values, kind, mask=missing)
    filled = np.where(missing, 0, values)
    if pa.types.is_boolean(kind):
        return pa.array(filled != 0, kind, mask=missing)
    return pa.array(filled.astype(np.int64), mask=missing).cast(kind)


def group_starts(*sorted_keys: NDArray[Any]) -> Bools:
    """Return where a new group begins in columns sorted by all of the keys, shape (n,)."""
    n = len(sorted_keys[0])
    starts = np.zeros(n, dtype=bool)
    if n:
        starts[0] = True
        for key in sorted_keys:
            starts[1:] |= key[1:] != key[:-1]
    return starts


def medians(values: Floats, begins: Ints) -> Floats:
    """Return the median of the known values of each of g groups, which lie together and begin at `begins`; (g,).

    NaN where a group has none. Of an even number, the mean of the middle two.
    """
    group = np.repeat(np.arange(len(begins)), np.diff(np.append(begins, len(values))))
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.lexsort((values[known], group[known]))]
    counts = np.bincount(group[known], minlength=len(begins))
    firsts = np.cumsum(counts) - counts
    told: Floats = np.full(len(begins), np.nan)
    some = np.flatnonzero(counts)
    low, high = ((firsts + half // 2)[some] for half in (counts - 1, counts))
    told[some] = (values[order[low]] + values[order[high]]) / 2
    return told


def order_by(*keys: Ints) -> Ints:
    """Return the rows in order of the keys, the first the most important, equal ones in their own order; shape (n,).

    What np.lexsort does, from the last key to the first, but with as many keys a turn as fit into one number. A stable
    sort goes through what is nearly in order, as a raw log is, in a fraction of the time.
    """
    n = len(keys[0])
    order = np.arange(n)
    packed, span = np.zeros(n, dtype=np.int64), 1
    for key in reversed(keys) if n > 1 else ():
        low = int(key.min())
        width = int(key.max()) - low + 1
        if span * width >= 1 << 62:
            order = order[np.argsort(packed[order], kind="stable")]
            packed, span = np.zeros(n, dtype=np.int64), 1
        if width >= 1 << 62:
            order = order[np.argsort(key[order], kind="stable")]
            continue
        packed += (key - low) * span
        span *= width
    return np.asarray(order[np.argsort(packed[order], kind="stable")])


def distinct(*columns: Ints) -> tuple[Ints, Ints]:
    """Return the first row of each distinct combination, in order of first sight, and each row's number among them.

    All columns have shape (n,). Hashing, where np.unique would sort.
    """
    n = len(columns[0])
    key, span = np.zeros(n, dtype=np.int64), 1
    for column in columns if n else ():
        low = int(column.min())
        width = int(column.max()) - low + 1
        if span * width >= 1 << 62:  # too wide for one number: number what there is, at most n of each
            key, column = _numbered(key), _numbered(column)  # noqa: PLW2901
            span, low, width = int(key.max()) + 1, 0, int(column.max()) + 1
        key = key * width + (column - low)
        span *= width
    number = _numbered(key)
    first = np.empty(int(number.max(initial=-1)) + 1, dtype=np.int64)
    first[number[::-1]] = np.arange(n - 1, -1, -1)
    return first, number


def first_and_last(group: Ints, first: Ints, last: Ints) -> tuple[Ints, Ints, Ints]:
    """Return each distinct group, ascending, with the least of its `first` and the greatest of its `last`; shapes (p,).

    The given columns have shape (n,).
    """
    groups, which = np.unique(group, return_inverse=True)
    least = np.full(len(groups), np.iinfo(np.int64).max)
    greatest = np.full(len(groups), np.iinfo(np.int64).min)
    np.minimum.at(least, which, first)
    np.maximum.at(greatest, which, last)
    return groups, least, greatest


def _numbered(column: Ints) -> Ints:
    return ints(pa.array(column).dictionary_encode().indices)


def used(which: Ints) -> list[int]:
    """Return the indices that occur in a column of them, ascending; -1 stands for none."""
    return np.flatnonzero(np.bincount(which + 1)[1:]).tolist() if len(which) else []


def rows_since(starts: Bools, at_us: Ints, since_us: Ints) -> Ints:
    """Return the first row of each row's own group at or after `since_us`, at most itself where that lies behind it.

    All columns have shape (m,); `at_us` ascends within each group, `starts` tells where the groups begin.
    """
    m = len(at_us)
    if m == 0:
        return np.empty(0, dtype=np.int64)
    group = np.cumsum(starts) - 1
    first = np.flatnonzero(starts)[group]
    earliest = min(int(at_us.min()), int(since_us.min()))
    span = max(int(at_us.max()), int(since_us.max())) - earliest + 1
    if (int(group[-1]) + 1) * span < 1 << 62:
        key = group * span
        return np.asarray(np.maximum(np.searchsorted(key + (at_us - earliest), key + (since_us - earliest)), first))
    # So many groups over so long a time that group and instant don't fit one number: rank the instants.
    _, rank = np.unique(np.concatenate([at_us, since_us]), return_inverse=True)
    key = group * (2 * m)
    return np.asarray(np.maximum(np.searchsorted(key + rank[:m], key + rank[m:]), first))
