"""Writes the statements of a reading function, and knows where in layout and payload it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from loamline_codecs.script.names import Names
from loamline_codecs.script.place import Place
from loamline_codecs.script.term import Frame, Scope, Term

#: The longest line that has a comment behind it.
_WIDTH = 100


class Writer:
    """Writes the body of a reading function; `lines` are its statements, indented by two spaces a level."""

    def __init__(self, codec: str, writers: Mapping[type, Write], *, indexed: bool) -> None:
        self.lines: list[str] = []
        self._codec = codec
        self._writers = writers
        self.indexed = indexed
        self.names = Names()
        self.indent = 1
        self.path = ""
        self.reader = "reader"
        self.in_bits = False
        self.place: Place | None = Place()
        self.frames: tuple[Frame, ...] = (Frame("", index_var=self.names.new("outer_index") if indexed else ""),)
        if indexed:
            self.line(f"var {self.frames[0].index_var} = null;")

    def value(self, node: Any, wish: str) -> Term:
        """Write what reads `node` up to its value; return that value, to be stored at once or dropped."""
        write = self._writers.get(type(node))
        if write is None:
            return self.scope.fail("a node that it can read", type(node).__name__)
        return write(self, node, wish)

    def store(self, target: str, value: Term, note: str = "") -> None:
        """Write an assignment."""
        self.line(f"{target} = {value.code};", note)

    @property
    def scope(self) -> Scope:
        """Where an expression would stand now."""
        return Scope(self._codec, self.path, self.reader, self.frames)

    def line(self, code: str, note: str = "") -> None:
        """Write one line, with a comment behind it, or above it where it would grow too long."""
        written = "  " * self.indent + code
        if note and len(written) + len(note) < _WIDTH:
            written += f" // {note}"
        elif note:
            self.lines.append("  " * self.indent + f"// {note}")
        self.lines.append(written)

    @contextmanager
    def block(self, head: str, end: str = "}") -> Iterator[None]:
        """Write a block around the lines that follow; without `end` the next block closes it."""
        self.line(f"{head} {{")
        self.indent += 1
        yield
        self.indent -= 1
        if end:
            self.line(end)

    def took(self, bits: int | None) -> str:
        """Move the known place on; return the words for where it was."""
        place = self.place
        self.place = None if place is None or bits is None else place.after(bits)
        return "" if place is None or not bits else place.words(bits)

    def noted(self, node: Any, wish: str) -> tuple[Term, str]:
        """Write a node; return its value and where it stood, if it is one field that stood at one place."""
        before = self.place
        found = self.value(node, wish)
        after = self.place
        if before is None or after is None or before.steps != after.steps or not found.shape.is_number:
            return found, ""
        return found, before.words(after.bit - before.bit) if after.bit > before.bit else ""


#: Writes what reads one kind of node, and returns its value; the text is a wish for a variable's name.
Write = Callable[[Writer, Any, str], Term]
