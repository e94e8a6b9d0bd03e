"""A JavaScript expression and what is known of its value; where it stands; what it may be used for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NoReturn

from loamline_codecs.declaration import DeclarationError
from loamline_codecs.script.names import text
from loamline_codecs.script.shape import EXACT, FLAG, MISSING, Shape, describe


@dataclass
class Frame:
    """A section while it is read: `var` holds its fields so far, `index_var` where in a list it is."""

    var: str
    fields: dict[str, Shape] = field(default_factory=dict)
    index_var: str = ""
    index: Shape = MISSING


@dataclass(frozen=True)
class Scope:
    """Where an expression stands: the sections around it, outermost first (its surroundings), and the field."""

    codec: str
    path: str
    reader: str
    frames: tuple[Frame, ...]

    def fail(self, expected: str, got: str) -> NoReturn:
        """Raise DeclarationError: this part of the layout can't be written."""
        where = self.path or "the layout"
        raise DeclarationError(f"codec {self.codec}: {where}: expected in a script {expected}, got {got}")

    def call(self, helper: str, *arguments: str) -> str:
        """Return the call of a helper that may refuse the payload."""
        return f"{helper}({', '.join([self.reader, text(self.path), *arguments])})"


@dataclass(frozen=True)
class Term:
    """A JavaScript expression; `compound` ones need brackets inside another, `safe` ones can't end the reading."""

    code: str
    shape: Shape
    compound: bool = False
    safe: bool = True

    @property
    def bracketed(self) -> str:
        """The code as an operand."""
        return f"({self.code})" if self.compound else self.code


def operand(value: Term, expression: Any, scope: Scope) -> Term:
    """Return a term that is a number, or refuses the payload where there is none."""
    shape = value.shape
    if not shape.is_number or shape.named:
        scope.fail("a number", f"{expression!r}, which is {describe(shape)}")
    if not shape.optional:
        return value
    present = Shape(shape.kinds, shape.low, shape.high)
    return Term(scope.call("required", value.code), present, safe=False)


def truth(value: Term, expression: Any, scope: Scope) -> Term:
    """Return a term as true or false, as Python would take it."""
    shape = value.shape
    if shape.fields is not None or shape.items is not None or shape.named or shape.missing:
        scope.fail("a number or a flag as a condition", f"{expression!r}, which is {describe(shape)}")
    if shape.kinds == {"flag"} and not shape.absent:
        return value
    if "float" in shape.kinds:  # NaN is true in Python
        found = f"({value.bracketed} !== null && Number({value.code}) !== 0)" if shape.absent else None
        return Term(found or f"Number({value.code}) !== 0", FLAG, compound=found is None, safe=value.safe)
    if shape.kinds == {"whole"} and not shape.absent:
        return Term(f"{value.bracketed} !== 0", FLAG, compound=True, safe=value.safe)
    return Term(f"Boolean({value.code})", FLAG, safe=value.safe)


def exact(value: Term, expression: Any, scope: Scope) -> Term:
    """Return a term whose whole numbers are exact in JavaScript; DeclarationError for others."""
    if "float" not in value.shape.kinds and max(-value.shape.low, value.shape.high) > EXACT:
        scope.fail("whole numbers up to 2^53", f"{expression!r}, which may be {max(map(abs, ends(value)))}")
    return value


def ends(value: Term) -> tuple[int, int]:
    """Return the least and greatest that a whole number may be."""
    return value.shape.low, value.shape.high
