"""How to read the payloads of one codec: a tree of steps and decisions, made as payloads need it, kept for the next.

Both quick readers follow it: the columnar executor with whole batches, the other with one payload.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from loamline_codecs.cursor import Compute, Decision, Leaf, Repeated, Require, Trace
from loamline_codecs.expressions import FAULTS, Symbol, Unplanned
from loamline_codecs.reads import Read
from loamline_codecs.scalar import at
from loamline_codecs.tracing import trace

if TYPE_CHECKING:
    from loamline_codecs.declaration import Codec, Quantity, SampleGroup

#: So many branches are kept a codec: hostile payloads could ask for any number.
MOST_BRANCHES = 2048


class Figure(NamedTuple):
    """A quantity and where its raw value comes from: a symbol, or a constant of the layout."""

    quantity: Quantity
    source: Any


@dataclass(frozen=True)
class SampleBlock:
    """Samples that are read alike: `count` of them, the first being sample `first` of its message.

    `depth_index` is None where each sample's is its own number in the list, which `element` starts; a sample is that
    number times `age_interval` old, in minutes.
    """

    first: int
    count: int
    element: int
    depth_index: int | None
    age_interval: Any
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class Reading:
    """What a payload gives once all is decided."""

    uplink: tuple[Figure, ...]
    blocks: tuple[SampleBlock, ...]
    samples: int
    leaves: tuple[Leaf, ...]
    tree: Any


@dataclass(frozen=True)
class Branch:
    """Payloads of one length in which the decisions so far came out alike.

    `steps` start from the payload's beginning. Then comes a `decision`, or the `reading`, or neither: such payloads
    go to the scalar parser. `followed` are the branches of values that decided before.
    """

    length: int
    choices: tuple[Any, ...]
    steps: tuple[Read | Compute | Require, ...] = ()
    decision: Decision | None = None
    reading: Reading | None = None
    followed: dict[Any, Branch] = field(default_factory=dict)


class Plans:
    """The branches of one codec, each made when first asked for."""

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._branches: dict[tuple[Any, ...], Branch] = {}

    def branch(self, length: int, *choices: Any) -> Branch:
        """Return how to go on with payloads of `length` bytes after these choices."""
        key = (length, *choices)
        branch = self._branches.get(key)
        if branch is None:
            if len(self._branches) >= MOST_BRANCHES or self._codec.row_by_row:
                return Branch(length, choices)
            branch = self._branches[key] = self._made(length, choices)
        return branch

    def after(self, branch: Branch, value: Any) -> Branch:
        """Return how to go on where the value that decides is `value`."""
        assert branch.decision is not None  # noqa: S101 - asked for only where there is one
        found = branch.followed.get(value)
        if found is None:
            found = self.branch(branch.length, *branch.choices, branch.decision.choice(value))
            if len(branch.followed) < MOST_BRANCHES:
                branch.followed[value] = found
        return found

    def _made(self, length: int, choices: tuple[Any, ...]) -> Branch:
        try:
            found = trace(self._codec.layout, length, choices)
            if not found.fits:
                return Branch(length, choices)
            if found.decision is not None:
                return Branch(length, choices, tuple(found.steps), found.decision)
            return self._ended(length, choices, found)
        except (Unplanned, *FAULTS):
            return Branch(length, choices)

    def _ended(self, length: int, choices: tuple[Any, ...], found: Trace) -> Branch:
        steps = [*found.steps]
        for bound in self._codec.bounds:
            value = at(found.tree, bound.field)
            if isinstance(value, Symbol):
                steps.append(Require(_between(value, bound.low, bound.high)))
            elif value is not None and not bound.low <= value <= bound.high:
                return Branch(length, choices)
        blocks = tuple(_blocks(self._codec.samples, found.tree))
        reading = Reading(
            uplink=tuple(_figures(self._codec.quantities, found.tree)),
            blocks=blocks,
            samples=sum(block.count for block in blocks),
            leaves=tuple(found.leaves),
            tree=found.tree,
        )
        return Branch(length, choices, tuple(steps), None, reading)


def _between(value: Symbol, low: int, high: int) -> Symbol:
    def of(values: Any) -> Any:
        number = value.of(values)
        return (low <= number) & (number <= high)

    return Symbol(f"{low}<={value.key}<={high}", value.slots, (0, 1), of)


def _figures(quantities: tuple[Quantity, ...], tree: Any) -> Iterator[Figure]:
    for quantity in quantities:
        source = at(tree, quantity.field)
        if source is not None:
            yield Figure(quantity, source)


def _blocks(groups: tuple[SampleGroup, ...], tree: Any) -> Iterator[SampleBlock]:
    first = 0
    for group in groups:
        if group.repeat is None:
            yield SampleBlock(first, 1, 0, group.depth_index or 0, 0, tuple(_figures(group.quantities, tree)))
            first += 1
            continue
        interval = at(tree, group.age_interval) if group.age_interval else 0
        interval = 0 if interval is None else interval
        elements = at(tree, group.repeat)
        if isinstance(elements, Repeated):
            figures = tuple(_figures(group.quantities, elements.inside))
            yield SampleBlock(first, len(elements), 0, group.depth_index, interval, figures)
            first += len(elements)
        else:
            for index, element in enumerate(elements or ()):
                figures = tuple(_figures(group.quantities, element))
                yield SampleBlock(first, 1, index, group.depth_index, interval, figures)
                first += 1
