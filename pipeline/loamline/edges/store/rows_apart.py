"""Where two tables of the same columns differ, row by row and bit for bit.

Rows are matched by whole-number keys; of rows with equal keys the n-th there belongs to the n-th here (`in_order` puts
them so). A double differs where any of its bits does, so that 0.0 is not -0.0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import Bools, Ints, group_starts, ints, whole


@dataclass(frozen=True)
class Apart:
    """How the rows of `ours` and `theirs` stand to each other.

    `pairs`: rows of both that have one key, two columns of shape (p,); `only_ours`, `only_theirs`: rows without a
    partner; `columns`: by name, which of the pairs differ in it, shape (p,), columns without a difference left out.
    `changed`: every row of ours, and of theirs, whose key is that of some difference.
    """

    pairs: tuple[Ints, Ints]
    only_ours: Ints
    only_theirs: Ints
    columns: dict[str, Bools]
    changed: tuple[Ints, Ints]

    @property
    def count(self) -> int:
        """Differing cells, and rows without a partner, counted together."""
        cells = sum(int(differs.sum()) for differs in self.columns.values())
        return cells + len(self.only_ours) + len(self.only_theirs)


def rows_apart(ours: pa.Table, theirs: pa.Table, key: tuple[str, ...]) -> Apart:
    """Compare two tables of the same columns. `key` names columns of whole numbers or instants, none of them null."""
    split = ours.num_rows
    keys = [np.concatenate([_whole_numbers(ours, name), _whole_numbers(theirs, name)]) for name in key]
    group = _groups(keys)
    side = np.arange(len(group)) >= split
    # The n-th row of a key on one side meets the n-th on the other.
    order = np.lexsort((side, group))
    starts = group_starts(group[order], side[order])
    index = np.arange(len(group))
    nth = np.empty(len(group), dtype=np.int64)
    nth[order] = index - np.maximum.accumulate(np.where(starts, index, 0)) if len(group) else index
    met = np.lexsort((side, nth, group))
    same = (np.diff(group[met]) == 0) & (np.diff(nth[met]) == 0)
    left, right = met[:-1][same], met[1:][same] - split
    lone = np.ones(len(group), dtype=bool)
    lone[left] = lone[right + split] = False
    alone = np.flatnonzero(lone)
    columns: dict[str, Bools] = {}
    for name in ours.column_names:
        differs = differing(
            whole(ours, name).take(pa.array(left)),
            whole(theirs, name).cast(ours.schema.field(name).type).take(pa.array(right)),
        )
        if differs.any():
            columns[name] = differs
    apart = np.zeros(len(group) + 1, dtype=bool)
    apart[group[alone]] = True
    for differs in columns.values():
        apart[group[left[differs]]] = True
    changed = np.flatnonzero(apart[group])
    sides = changed[changed < split], changed[changed >= split] - split
    return Apart((left, right), alone[alone < split], alone[alone >= split] - split, columns, sides)


def in_order(rows: pa.Table, key: tuple[str, ...]) -> pa.Table:
    """Return rows in one order of their own, so that among rows of one key equal ones meet."""
    rows = rows.sort_by([(name, "ascending") for name in key])
    if group_starts(*(ints(whole(rows, name)) for name in key)).all():
        return rows
    rest = [name for name in rows.column_names if name not in key]
    return rows.sort_by([(name, "ascending") for name in (*key, *rest)])


def differing(ours: pa.Array, theirs: pa.Array) -> Bools:
    """Return where two columns of one type differ, shape (n,); null equals null alone."""
    none = np.asarray(ours.is_null()), np.asarray(theirs.is_null())
    if pa.types.is_floating(ours.type):
        bits = [np.asarray(column.fill_null(0.0), dtype=np.float64).view(np.int64) for column in (ours, theirs)]
        return np.asarray((none[0] != none[1]) | (bits[0] != bits[1]))
    unequal = np.asarray(pc.fill_null(pc.not_equal(ours, theirs), fill_value=False), dtype=bool)
    return np.asarray((none[0] != none[1]) | unequal)


def _whole_numbers(table: pa.Table, name: str) -> Ints:
    return ints(whole(table, name), missing=np.iinfo(np.int64).min)


def _groups(keys: list[Ints]) -> Ints:
    """Return the number of each row's key among all keys in order, shape (n,)."""
    order = np.lexsort(keys[::-1])
    group = np.empty(len(order), dtype=np.int64)
    group[order] = np.cumsum(group_starts(*(key[order] for key in keys))) - 1
    return group
