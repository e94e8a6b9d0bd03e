"""Random small layouts, from every kind of node that can be read as columns."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import construct as c
from construct import this

from loamline_codecs import Match
from loamline_codecs.walkable import raw_span

Steps = tuple[str, ...]
_Maker = TypeVar("_Maker", bound=Callable[[], Any])


@dataclass
class _Known:
    """A whole number that an expression may cite: its path from its frame, its values, whether it may be absent."""

    steps: Steps
    span: range
    optional: bool = False


@dataclass
class LayoutMaker:
    """Makes a layout; `frames` holds what expressions may cite, outermost Struct first."""

    rng: random.Random
    frames: list[list[_Known]] = field(default_factory=list)
    named: int = 0
    lists: int = 0

    @property
    def quiet(self) -> bool:
        """Whether numbers can't be mapped here, since they stand in a list of a list."""
        return self.lists > 1

    def whole(self, match: Match) -> Any:
        """Return a whole layout whose first bits agree with the match rule."""
        self.frames.append([])
        fields = self.first(match)
        for _ in range(self.rng.randint(1, 5)):
            fields += self.member()
        if self.chance(0.15):
            fields += self.greedy()
        if self.chance(0.2):
            fields.append(c.Terminated)
        self.frames.pop()
        return c.Struct(*fields)

    def first(self, match: Match) -> list[Any]:
        if match.leading_bits == 8:
            return [self.name() / c.Const(match.value, c.Int8ub)]
        if match.leading_bits == 0:
            return []
        constant = "version" / c.Const(match.value, c.BitsInteger(match.leading_bits))
        return [
            self.section(lambda: [constant, *self.bits(8 * self.rng.randint(1, 3) - match.leading_bits)], c.BitStruct)
        ]

    # What a Struct is made of: one field, or several that belong together.

    def member(self, depth: int = 0) -> list[Any]:
        makers: list[tuple[int, Callable[[], list[Any]]]] = [
            (8, self.number),
            (4, self.bit_struct),
            (2, lambda: [self.name() / c.Padding(self.rng.randint(1, 2))]),
            (1, lambda: [c.Const(self.rng.randrange(256), c.Int8ub)]),
            (1, self.computed),
            (1, self.check),
            (1, self.padded),
            (1, self.swapped),
            (1, lambda: [self.name() / c.Sequence(c.Padding(1), c.Const(self.rng.randrange(3), c.Int8ub))]),
        ]
        if depth < 2:
            makers += [
                (2, lambda: [self.section(lambda: self.members(depth + 1))]),
                (4, lambda: self.array(depth + 1)),
                (3, lambda: self.optional(depth + 1)),
                (2, lambda: self.switch(depth + 1)),
            ]
        return self.pick(makers)()

    def members(self, depth: int) -> list[Any]:
        return [one for _ in range(self.rng.randint(1, 3)) for one in self.member(depth)]

    def section(self, inside: Callable[[], list[Any]], make: Callable[..., Any] = c.Struct) -> Any:
        """Return a named section, whose numbers the sections around it may then cite."""
        name = self.name()
        node, found = self.struct(inside, make)
        self.frames[-1] += [_Known((name, *known.steps), known.span, known.optional) for known in found]
        return name / node

    def struct(self, inside: Callable[[], list[Any]], make: Callable[..., Any] = c.Struct) -> tuple[Any, list[_Known]]:
        self.frames.append([])
        fields = inside()
        return make(*fields), self.frames.pop()

    # Numbers.

    def number(self) -> list[Any]:
        """A named number; a Check that cites it where it can't be mapped."""
        name, node = self.name(), self.numeric()
        return [name / node, *self.learn(name, node)]

    def learn(self, name: str, node: Any) -> list[Any]:
        bare = node
        while type(bare) in (c.Default, c.Rebuild):
            bare = bare.subcon
        span = raw_span(bare)
        if span is not None:
            self.frames[-1].append(_Known((name,), span))
        if not self.quiet:
            return []
        # An Enum compares equal to its number in construct and is refused in expressions: it is not drawn here.
        return [c.Check(this[name] >= self.rng.choice([0, 1 << 4, -(1 << 40)]))]

    def numeric(self) -> Any:
        rng = self.rng
        kinds: list[tuple[int, Callable[[], Any]]] = [
            (5, lambda: rng.choice([c.Int8ub, c.Int8sb, c.Int8ul, c.Int8sl])),
            (5, lambda: rng.choice([c.Int16ub, c.Int16sb, c.Int16ul, c.Int16sl])),
            (3, lambda: rng.choice([c.Int24ub, c.Int24sb, c.Int24ul, c.Int24sl])),
            (2, lambda: rng.choice([c.Int32ub, c.Int32sb, c.Int32ul, c.Int32sl])),
            (2, lambda: c.BytesInteger(rng.randint(1, 7), signed=self.chance(0.5), swapped=self.chance(0.5))),
            (2, lambda: c.Flag),
            (1, lambda: rng.choice([c.Float32b, c.Float32l, c.Float64b, c.Float64l])),
            (1, lambda: c.Default(c.Int16ul, 3)),
            (1, lambda: c.Rebuild(c.Int8ub, 7)),
        ]
        if not self.quiet:
            kinds.append((2, lambda: c.Enum(rng.choice([c.Int8ub, c.Int16ul, c.Int8sb]), off=0, on=1, many=100)))
            if (known := self.cited(1)) is not None:
                kinds.append((1, lambda: c.BytesInteger((known & 3) + 1, signed=self.chance(0.5))))
        return self.pick(kinds)()

    def bit_struct(self) -> list[Any]:
        return [self.section(lambda: self.bits(8 * self.rng.choice([1, 1, 2, 3, 4, 7])), c.BitStruct)]

    def bits(self, left: int) -> list[Any]:
        """Fields that take `left` bits together."""
        fields = []
        while left:
            taken, made = self.bit_field(left)
            fields += made
            left -= taken
        return fields

    def bit_field(self, left: int) -> tuple[int, list[Any]]:
        rng = self.rng
        width = min(left, rng.choice([1, 2, 3, 4, 5, 7, 8, 9, 11, 12, 13, 16, 19, 24]))
        kind = rng.randrange(12)
        if kind == 0:
            return width, [self.name() / c.Padding(width)]
        if kind == 1:
            return width, [c.Const(rng.randrange(1 << min(width, 2)), c.BitsInteger(width))]
        if kind == 2 and left >= 8:
            size = rng.randint(1, min(left // 8, 3))
            return 8 * size, [self.section(lambda: self.bytes_of(size), lambda *f: c.Bytewise(c.Struct(*f)))]
        if kind == 3 and left >= 6:
            return 6, [self.bit_section()]
        if kind == 5:
            return width, [self.name() / c.Padded(width, c.Const(0, c.BitsInteger(1)))]
        name = self.name()
        node: Any = c.BitsInteger(width, signed=self.chance(0.4))
        if kind == 6 and left >= 16:
            width, node = 16, c.BitsInteger(16, signed=self.chance(0.5), swapped=True)
        elif kind in (7, 8):
            width, node = 1, c.Flag
        elif kind == 9 and not self.quiet:
            node = c.Enum(c.BitsInteger(width), none=0, some=1)
        return width, [name / node, *self.learn(name, node)]

    def bit_section(self) -> Any:
        """A section of 6 bits, in an array of two where that can be mapped."""
        if self.lists or self.chance(0.5):
            return self.section(lambda: self.bits(6))
        self.lists += 1
        element, _ = self.struct(lambda: self.bits(3))
        self.lists -= 1
        return self.name() / c.Array(2, element)

    def bytes_of(self, size: int) -> list[Any]:
        name = self.name()
        node: Any = c.BytesInteger(size, signed=self.chance(0.5), swapped=self.chance(0.5))
        return [name / node, *self.learn(name, node)]

    # What has no bits of its own, or turns or pads those of others.

    def computed(self) -> list[Any]:
        known = self.cited(2)
        if known is None:
            return []
        rng = self.rng
        what = rng.choice([known + 1, known * 300 - 5, -known, known / 2, known // 3, known % 7, known ^ 5, known & 12])
        return [self.name() / c.Computed(what)]

    def check(self) -> list[Any]:
        known = self.known(2)
        if known is None:
            return []
        expression, span = known
        return [c.Check(expression != span[self.rng.choice([0, -1])])]

    def padded(self) -> list[Any]:
        if (known := self.cited(1)) is not None and self.chance(0.5):
            return [self.name() / c.Padded(known & self.rng.choice([1, 3]), c.Pass)]
        if self.quiet:
            return [c.Padding(1)]
        return [self.name() / c.Padded(self.rng.randint(2, 4), self.rng.choice([c.Int8ub, c.Int16sl, c.Flag]))]

    def swapped(self) -> list[Any]:
        how = self.rng.choice([c.ByteSwapped, c.BitsSwapped])
        if self.chance(0.5):
            return [self.section(lambda: self.bits(8 * self.rng.randint(1, 3)), lambda *f: how(c.BitStruct(*f)))]
        fields = lambda: [*self.bytes_of(self.rng.randint(1, 3)), *self.bytes_of(self.rng.randint(1, 2))]  # noqa: E731
        return [self.section(fields, lambda *f: how(c.Struct(*f)))]

    # Sections that repeat, or may be absent.

    def array(self, depth: int) -> list[Any]:
        return [self.name() / c.Array(self.count(), self.element(depth))]

    def greedy(self) -> list[Any]:
        return [self.name() / c.GreedyRange(self.struct(lambda: [*self.bytes_of(2), *self.bit_struct()])[0])]

    def element(self, depth: int) -> Any:
        self.lists += 1
        made, _ = self.struct(lambda: self.in_list(depth))
        self.lists -= 1
        return made

    def in_list(self, depth: int) -> list[Any]:
        fields = [*self.number(), *(self.number() if self.chance(0.5) else self.bit_struct())]
        if self.chance(0.3):
            fields += self.optional(depth + 1, listed=False)
        if depth < 2 and self.chance(0.3):
            fields += self.array(depth + 1)
        return fields

    def count(self) -> Any:
        known = self.known(1)
        if known is None or self.chance(0.3):
            return self.rng.randint(0, 4)
        expression, span = known
        if span.stop <= 8 and span.start >= 0 and self.chance(0.6):
            return expression
        return self.rng.choice([expression & 3, (expression & 3) + 1, (expression & 1) * 2, (expression & 3) - 1])

    def optional(self, depth: int, *, listed: bool = True) -> list[Any]:
        condition = self.condition()
        if condition is None:
            return self.number()
        name = self.name()
        then = self.alternatives(depth, listed)
        if self.chance(0.6):
            return [name / c.If(condition, then()), *self.unheard(name)]
        return [name / c.IfThenElse(condition, then(), then()), *self.unheard(name)]

    def switch(self, depth: int) -> list[Any]:
        known = self.known(2)
        if known is None or known[1].start < 0:
            return self.number()
        name, (expression, span) = self.name(), known
        key, values = expression, list(range(min(span.stop, 8)))
        if span.stop > 4:
            key, values = self.rng.choice(
                [(expression & 3, [0, 1, 2, 3]), (expression & 5, [0, 1, 4, 5]), (key, values)]
            )
        made = self.alternatives(depth, listed=False)
        cases = {
            value: made() for value in self.rng.sample(values, self.rng.randint(1, max(1, min(3, len(values) - 1))))
        }
        default = self.rng.choice([c.Pass, c.Pass, c.Padding(1)])
        return [name / c.Switch(key, cases, default), *self.unheard(name)]

    def alternatives(self, depth: int, listed: bool) -> Callable[[], Any]:
        """Return a maker of nodes that give the same kind of value each: numbers, sections or lists."""
        if self.quiet:
            return lambda: c.Const(self.rng.randrange(2), c.Int8ub)
        kinds: list[tuple[int, Callable[[], Any]]] = [
            (3, self.plain),
            (2, lambda: self.struct(lambda: [*self.number(), *self.number()])[0]),
        ]
        if listed and depth < 2:
            kinds.append((1, lambda: c.Array(self.count(), self.element(depth))))
        return self.pick(kinds)

    def plain(self) -> Any:
        return self.rng.choice([c.Int8ub, c.Int16sb, c.Int24ul, c.Flag, c.Float32l, c.BytesInteger(5, signed=True)])

    def unheard(self, name: str) -> list[Any]:
        """A field in a section that may be absent is cited now and then all the same: its payloads may be refused."""
        if self.chance(0.1):
            self.frames[-1].append(_Known((name,), range(256), optional=True))
        return []

    # Expressions.

    def condition(self) -> Any:
        known = self.known(2)
        if known is None:
            return None
        expression, span = known
        middle = span[self.rng.randrange(len(span) - 1)] if len(span) < 1 << 20 else span[len(span) // 2]
        candidates = [expression > middle, expression == middle, ~(expression <= middle), expression != middle]
        if span.start == 0:
            candidates += [expression, expression & 1, (expression & 1) ^ 1]
        return self.rng.choice(candidates)

    def cited(self, least: int) -> Any:
        known = self.known(least)
        return None if known is None else known[0]

    def known(self, least: int) -> tuple[Any, range] | None:
        """Return an expression for one number read before that has at least so many values, and those values."""
        found = [
            (level, known) for level, frame in enumerate(self.frames) for known in frame if len(known.span) >= least
        ]
        if not found:
            return None
        level, known = self.rng.choice(found)
        path = this
        for step in ("_",) * (len(self.frames) - 1 - level) + known.steps:
            path = path[step]
        return path, known.span

    # Chance.

    def name(self) -> str:
        self.named += 1
        return f"f{self.named}"

    def chance(self, probability: float) -> bool:
        return self.rng.randrange(100) < 100 * probability

    def pick(self, weighted: list[tuple[int, _Maker]]) -> _Maker:
        return self.rng.choice([one for weight, one in weighted for _ in range(weight)])
