"""The columnar executor: a batch of equally long payloads of one codec, read as NumPy columns.

Where a decision comes out differently, the batch is split by its values. Rows that do not fit (a wrong constant, a
length that the fields contradict) and splits of so few rows that columns don't pay are set apart, for the
readers of one payload.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loamline_codecs.cursor import Compute
from loamline_codecs.expressions import FAULTS
from loamline_codecs.plans import Branch, Plans, Reading
from loamline_codecs.reads import Block, Read

#: Under so many rows the fixed cost of columns is more than that of reading payload by payload.
SMALLEST_PARTITION = 30

Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """Rows that were read alike: their places in the batch, shape (n,), and the value of every step.

    A value has shape (n,), or (k, n) where it stands for the k elements of a list.
    """

    rows: Rows
    reading: Reading
    values: list[Any]


@dataclass
class _Todo:
    rows: Rows
    block: Block
    branch: Branch
    values: list[Any]

    def only(self, keep: NDArray[np.bool_], branch: Branch) -> _Todo:
        """Return the rows where `keep` is true, to be read anew: reading is cheaper than cutting columns."""
        return _Todo(self.rows[keep], self.block[keep], branch, [])


def read_columns(
    plans: Plans, rows: Rows, block: Block, *, smallest: int = SMALLEST_PARTITION
) -> tuple[list[Part], list[Rows]]:
    """Return the parts that were read, and the places of the rows set apart.

    `block` has shape (n, length), `rows` the places of its payloads in the batch, shape (n,). Parts of fewer than
    `smallest` rows are set apart too.
    """
    parts: list[Part] = []
    apart: list[Rows] = []
    todo = [_Todo(rows, block, plans.branch(block.shape[1]), [])]
    with np.errstate(divide="raise", invalid="raise", over="raise"):  # as Python raises, or leaves to it
        while todo:
            one = todo.pop()
            if len(one.rows) < smallest:
                apart.append(one.rows)
                continue
            try:
                keep = _run(one)
                if keep is not None:
                    apart.append(one.rows[~keep])
                    todo.append(one.only(keep, one.branch))
                elif one.branch.decision is not None:
                    todo += _decided(plans, one)
                elif one.branch.reading is not None:
                    parts.append(Part(one.rows, one.branch.reading, one.values))
                else:
                    apart.append(one.rows)
            except FAULTS:
                # An expression that this data makes meaningless; which rows are at fault, only the scalar parser tells.
                apart.append(one.rows)
    return parts, apart


def _run(one: _Todo) -> NDArray[np.bool_] | None:
    """Run the steps that are not yet run; return which rows fit as soon as some do not."""
    for step in one.branch.steps[len(one.values) :]:
        if isinstance(step, Read):
            one.values.append(step.column(one.block))
            continue
        value = np.broadcast_to(step.symbol.of(one.values), one.rows.shape)
        if not isinstance(step, Compute) and not value.all():
            return value.astype(bool)
        one.values.append(value)
    return None


def _decided(plans: Plans, one: _Todo) -> Iterator[_Todo]:
    decision = one.branch.decision
    assert decision is not None  # noqa: S101 - asked for only where there is one
    values = decision.symbol.of(one.values)
    if (values == values[0]).all():
        one.branch = plans.after(one.branch, values[0].item())
        yield one
        return
    found, which = np.unique(values, return_inverse=True)
    choices: dict[Any, list[int]] = {}
    for index, value in enumerate(found):
        choices.setdefault(decision.choice(value.item()), []).append(index)
    for indexes in choices.values():
        yield one.only(np.isin(which, indexes), plans.after(one.branch, found[indexes[0]].item()))
