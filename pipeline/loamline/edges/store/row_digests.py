"""A number for the whole content of a row: equal rows have one, and two that differ in any bit have two.

By chance alone rows that differ would have one number in 2^64 cases. The numbers hold within one process.
"""

from __future__ import annotations

import zlib

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loamline.core.columns import Ints, ints, whole

# Odd numbers without a pattern; a multiplication by one loses nothing, and a shift brings high bits down.
_SPREAD, _MIX = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xD6E8FEB86659FD93)
_HALF = np.uint64(32)
#: What stands for null: no number that is ever stored, and a double of no use.
_NONE = np.iinfo(np.int64).min + 12_345


def row_digests(table: pa.Table) -> Ints:
    """Return a digest of each row over all columns and their order, shape (n,).

    Doubles count by their bits, so that 0.0 is not -0.0; null equals null alone. Columns hold numbers, instants, truth
    values or text.
    """
    digest: NDArray[np.uint64] = np.zeros(table.num_rows, dtype=np.uint64)
    for name in table.column_names:
        digest = (digest ^ _bits(whole(table, name)).view(np.uint64)) * _SPREAD
        digest ^= digest >> _HALF
        digest *= _MIX
        digest ^= digest >> _HALF
    return digest.view(np.int64)


def _bits(column: pa.Array) -> Ints:
    if pa.types.is_floating(column.type):
        none = column.is_null() if column.null_count else None
        bits = column.fill_null(0.0).to_numpy(zero_copy_only=False).astype(np.float64).view(np.int64)
        return bits if none is None else np.where(np.asarray(none), _NONE, bits)
    if pa.types.is_string(column.type):
        texts = column.dictionary_encode()
        told = [zlib.crc32(text.encode()) << 32 | zlib.adler32(text.encode()) for text in texts.dictionary.to_pylist()]
        of_text = np.append(np.array(told, dtype=np.uint64).view(np.int64), _NONE)
        return of_text[ints(texts.indices)]  # -1, the last, is null
    return ints(column, missing=_NONE)
