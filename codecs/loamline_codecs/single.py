"""The quick reader of one payload, by the same plan as whole batches: for live messages and small partitions."""

from __future__ import annotations

from typing import Any, NamedTuple

from loamline_codecs.cursor import Misfit
from loamline_codecs.expressions import FAULTS
from loamline_codecs.plans import Plans, Reading


class Single(NamedTuple):
    """One payload, read: the value of every step, lists where it holds one for each element."""

    reading: Reading
    values: list[Any]


def read_single(plans: Plans, payload: bytes) -> Single | None:
    """Return what a payload says; None where that is for the scalar parser to find out."""
    branch = plans.branch(len(payload))
    values: list[Any] = []
    try:
        while True:
            for step in branch.steps[len(values) :]:
                values.append(step.number(payload, values))
            if branch.decision is None:
                return None if branch.reading is None else Single(branch.reading, values)
            branch = plans.after(branch, branch.decision.symbol.of(values))
    except (Misfit, *FAULTS):
        return None
