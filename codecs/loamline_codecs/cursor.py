"""Where a walk through a layout stands: the bits taken so far, the steps made, the choices it was told."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from loamline_codecs.expressions import Symbol, Values, element, resolve, slot
from loamline_codecs.reads import Read
from loamline_codecs.walkable import WIDEST_BITS

#: The choice of a switch whose key none of its cases has.
OTHERWISE = object()


class Misfit(Exception):  # noqa: N818 - a signal within the walk, no error
    """A payload of this length and these choices can't be one of this layout."""


class NotUniform(Exception):  # noqa: N818 - a signal within the walk, no error
    """An element of a list that can't be read together with the others."""


@dataclass(frozen=True)
class Compute:
    """A step that calculates its value from earlier ones."""

    symbol: Symbol

    def number(self, _: bytes, values: Values) -> Any:
        """Return the value for one payload."""
        return self.symbol.of(values)


@dataclass(frozen=True)
class Require:
    """A step that tells which rows fit."""

    symbol: Symbol

    def number(self, _: bytes, values: Values) -> bool:
        """Return true for a payload that fits; raises Misfit for one that doesn't."""
        if not self.symbol.of(values):
            raise Misfit
        return True


@dataclass(frozen=True)
class Decision:
    """What the next choice depends on; `choice` turns a value into it, None where the value is impossible."""

    symbol: Symbol
    choice: Callable[[Any], Any]


@dataclass(frozen=True)
class Leaf:
    """Where a leaf of the layout stands in the payload; one without a source is filling."""

    path: str
    first_bit: int
    bits: int
    source: Symbol | None


@dataclass(frozen=True)
class Repeated:
    """A list of `count` elements that are alike: its element's slots hold the values of all of them."""

    count: int
    inside: Any

    def __len__(self) -> int:
        return self.count

    def __getitem__(self, index: int) -> Any:
        if not 0 <= index < self.count:
            raise IndexError(index)
        return _one_of(self.inside, index)


def _one_of(tree: Any, index: int) -> Any:
    if isinstance(tree, Symbol):
        return element(tree, index)
    if isinstance(tree, dict):
        return {name: _one_of(inside, index) for name, inside in tree.items()}
    return [_one_of(inside, index) for inside in tree] if isinstance(tree, list) else tree


@dataclass
class Trace:
    """What a walk found: `steps` in order, then either a `decision` that is open or the whole `tree`.

    The value of step k is slot k. `tree` holds symbols and constants under the layout's names; `leaves` stand in
    the order of the walk. `fits` is false where no payload of this length and these choices is one of the layout.
    """

    steps: list[Read | Compute | Require] = field(default_factory=list)
    leaves: list[Leaf] = field(default_factory=list)
    decision: Decision | None = None
    tree: Any = None
    fits: bool = True


class Undecided(Exception):  # noqa: N818 - a signal within the walk, no error
    """The walk needs one more choice."""

    def __init__(self, decision: Decision) -> None:
        super().__init__()
        self.decision = decision


Context = dict[str, Any]


class Cursor:
    """One walk's state, and what every node of a layout does with it."""

    def __init__(self, length: int, choices: tuple[Any, ...]) -> None:
        self.found = Trace()
        self.bit = 0
        self.in_bits = False
        #: Which byte of the payload stands at each byte that is read, and whether its bits are turned round.
        self.places = [(octet, False) for octet in range(length)]
        self._choices: Iterator[Any] = iter(choices)
        self._decided: dict[tuple[str, Any], Any] = {}
        #: The first slot of the element that is read for all elements of its list; None outside of one.
        self.uniform_from: int | None = None

    @property
    def left(self) -> int:
        """How many bits are yet to be read."""
        return 8 * len(self.places) - self.bit

    def step(self, step: Read | Compute | Require) -> int:
        """Add a step; return the slot of its value."""
        if self.uniform_from is not None and not isinstance(step, Read):
            raise NotUniform
        self.found.steps.append(step)
        return len(self.found.steps) - 1

    def resolved(self, expression: Any, context: Context) -> Any:
        """Return what an expression is; inside an element that stands for all, it may not differ between them."""
        value = resolve(expression, context)
        if isinstance(value, Symbol) and self.uniform_from is not None and max(value.slots) >= self.uniform_from:
            raise NotUniform
        return value

    def decide(self, expression: Any, context: Context, choice: Callable[[Any], Any], kind: Any) -> Any:
        """Return how a decision comes out: at once for a constant, else as the walk was told.

        `kind` tells decisions about one value apart; one that was made before comes out the same again.
        """
        value = self.resolved(expression, context)
        if isinstance(value, Symbol):
            key = (value.key, kind)
            if key not in self._decided:
                chosen = next(self._choices, Undecided)
                if chosen is Undecided:
                    raise Undecided(Decision(value, choice))
                self._decided[key] = chosen
            value = self._decided[key]
        else:
            value = choice(value)
        if value is None:
            raise Misfit
        return value

    # Leaves ------------------------------------------------------------------------------------------

    def take(self, bits: int) -> tuple[int, ...]:
        """Move on by `bits`; return the bytes of the stream that they stand in."""
        if bits > self.left:
            raise Misfit
        octets = tuple(range(self.bit // 8, (self.bit + bits - 1) // 8 + 1))
        self.bit += bits
        return octets

    def read(
        self,
        bits: int,
        path: str,
        *,
        signed: bool = False,
        swapped: bool = False,
        real: bool = False,
        flag: bool = False,
    ) -> Symbol:
        """Read the next `bits` bits as one number."""
        if not (real or 0 < bits <= WIDEST_BITS):
            raise Misfit
        first = self.bit
        stream = self.take(bits)
        whole = first % 8 == 0 and bits % 8 == 0
        ordered = stream[::-1] if swapped and whole else stream
        read = Read(
            octets=tuple(self.places[octet][0] for octet in ordered),
            shift=8 * (stream[-1] + 1) - (first + bits),
            bits=bits,
            signed=signed,
            real=real,
            flag=flag,
            turned=self.places[stream[0]][1],
            swapped=swapped and not whole,
        )
        symbol = slot(self.step(read), read.bounds)
        self.leaf(path, first, bits, symbol)
        return symbol

    def leaf(self, path: str, first: int, bits: int, source: Symbol | None) -> None:
        """Note where a field stands in the payload, which differs from the stream inside turned bytes."""
        stream = range(first // 8, (first + bits - 1) // 8 + 1)
        octets = [self.places[octet] for octet in stream]
        low, turned = min(octets)
        if len(octets) > 1 and (first % 8 or bits % 8) and octets != [(low + k, False) for k in range(len(octets))]:
            bit, bits = 0, 8 * len(octets)  # torn apart: it takes whole bytes
        else:
            bit = 8 - first % 8 - bits if turned and len(octets) == 1 else first % 8
        self.found.leaves.append(Leaf(path, 8 * low + bit, bits, source))

    def require(self, fits: Any) -> None:
        """Go on with those payloads only for which `fits` is true."""
        if isinstance(fits, Symbol):
            self.step(Require(fits))
        elif not fits:
            raise Misfit
