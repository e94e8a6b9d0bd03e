"""Which small changes can be made to a module, and where: the operators are those of cosmic-ray."""

from __future__ import annotations

import ast
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import parso
from cosmic_ray.ast import ast_nodes
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

#: Operators left out make changes that any run of the line notices (a sum shifted by bits), or that none can (`is` for
#: `==` of small numbers); of the replacements by another operator, those that stay a figure or a truth are kept.
KEPT = re.compile(
    r"core/(AddNot|Replace(True|False|And|Or|Break|Continue)With\w+|NumberReplacer"
    r"|ZeroIterationForLoop|ReplaceUnaryOperator_(USub_UAdd|Delete_\w+)"
    r"|ReplaceComparisonOperator_(Eq|NotEq|LtE?|GtE?)_(Eq|NotEq|LtE?|GtE?)|ReplaceComparisonOperator_Is(Not_Is|_IsNot)"
    r"|ReplaceBinaryOperator_(Add_Sub|Sub_Add|Mul_Div|Div_Mul|FloorDiv_Mul|Mod_FloorDiv|Pow_Mul|BitOr_BitAnd"
    r"|BitAnd_BitOr|BitXor_BitOr|LShift_RShift|RShift_LShift))"
)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the module's path from the root, the first and last line of its statement, and what is changed."""

    path: str
    lines: tuple[int, int]
    operator: str
    occurrence: int
    at_import: bool

    def compiles(self, source: str) -> bool:
        """Say whether the changed module can be compiled: a `*` of a signature, for one, can't be divided."""
        try:
            compile(self.made(source), self.path, "exec")
        except SyntaxError:
            return False
        return True

    def made(self, source: str) -> str:
        """Return the module's text with the change in it."""
        made = mutate_code(source, get_operator(self.operator)(), self.occurrence)
        if made is None:
            raise ValueError(f"expected {self.operator} to change {self.path}:{self.lines[0]}, it found nothing there")
        return made


def sampled(root: Path, paths: list[str], seed: int) -> list[Mutant]:
    """Return one mutant for each place of these modules that can be changed, in an order drawn by the seed.

    Those that the compiler refuses are for the caller to leave out (`Mutant.compiles`)."""
    ranked = []
    for path in paths:
        drawn = random.Random(f"{seed} {path}")  # of its own, so that work on one module moves no other's sample
        places = _by_place(path, (root / path).read_text())
        ranked += [(drawn.random(), path, drawn.choice(choices)) for choices in places]
    return [mutant for _, _, mutant in sorted(ranked, key=lambda told: told[:2])]


def _by_place(path: str, source: str) -> Iterator[list[Mutant]]:
    """Yield the mutants of each place, in the order of the text; none in an annotation, which is not run."""
    tree, nodes = ast.parse(source), list(ast_nodes(parso.parse(source)))
    left_out = [
        (told.lineno, told.col_offset, told.end_lineno, told.end_col_offset)
        for node in ast.walk(tree)
        for told in (getattr(node, "annotation", None), getattr(node, "returns", None), *_making_of_classes(node))
        if told is not None
    ]
    places: dict[tuple[int, int], list[Mutant]] = {}
    for name in filter(KEPT.fullmatch, operator_names()):
        starts = (start for node in nodes for start, _ in get_operator(name)().mutation_positions(node))
        for occurrence, (line, column) in enumerate(starts):
            if any((a, b) <= (line, column) < (c, d) for a, b, c, d in left_out):
                continue
            *lines, at_import = _statement(tree, line)
            places.setdefault((line, column), []).append(Mutant(path, tuple(lines), name, occurrence, at_import))
    for place in sorted(places):
        yield places[place]


def _making_of_classes(node: ast.AST) -> list[ast.expr]:
    """Return the decorators of a class: frozen or with slots, it works out the same."""
    return node.decorator_list if isinstance(node, ast.ClassDef) else []


@cache
def _statement(tree: ast.Module, line: int) -> tuple[int, int, bool]:
    """Return first and last line of the innermost statement there, and whether importing the module runs it."""
    first, last, at_import, body = line, line, True, tree.body
    while body:
        found = next((node for node in body if _first(node) <= line <= (node.end_lineno or line)), None)
        if found is None:
            break
        inner = [child for name in ("body", "orelse", "finalbody") for child in getattr(found, name, [])]
        inner += [child for handler in getattr(found, "handlers", []) for child in handler.body]
        first, last = _first(found), min((_first(child) for child in inner), default=(found.end_lineno or line) + 1) - 1
        if line > last and isinstance(found, (ast.FunctionDef, ast.AsyncFunctionDef)):
            at_import = False
        first, last, body = min(first, line), max(last, line), inner
    return first, last, at_import


def _first(node: ast.stmt) -> int:
    """Return the line on which a statement begins, its decorators included."""
    return min([node.lineno, *(told.lineno for told in getattr(node, "decorator_list", []))])
