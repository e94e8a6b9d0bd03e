"""The parts of a layout as documentation sees them: what stands where, of which wire type, under which condition."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

#: First bit, counted from the part's anchor, and how many bits: the most significant piece first.
Piece = tuple[int, int]

Kind = Literal["field", "constant", "reserved", "computed", "check"]


@dataclass(frozen=True)
class Place:
    """Where something begins: `bit` bits behind `anchor`, and a stride further for each element before it.

    `anchor`: "" for the payload's start, else words such as "after depths" or "in depths[k]". `strides`: bits an
    element and the letter of its index, for each repeat around it.
    """

    anchor: str = ""
    bit: int = 0
    strides: tuple[tuple[int, str], ...] = ()

    def later(self, bits: int) -> Place:
        """Return the place so many bits further on."""
        return replace(self, bit=self.bit + bits)


@dataclass(frozen=True)
class Wire:
    """How a field's bits are a value.

    `form`: "signed", "unsigned", "float", "flag", or the name of a class that is read row by row. `bits` is None
    where the payload decides. `order`: "big", "little", words where a field decides, or "" where the pieces of a field
    that is torn apart tell it. `mirrored`: each byte's bits in reverse.
    """

    form: str
    bits: int | None
    order: str = "big"
    mirrored: bool = False

    @property
    def words(self) -> str:
        """The wire type in words, for instance "unsigned, 16 bits, big-endian"."""
        told = [self.form]
        if self.bits is not None:
            told.append(f"{self.bits} bit{'' if self.bits == 1 else 's'}")
        if self.form == "flag" and self.bits != 1:
            told.append("any but 0 is yes")
        numeric = self.form in ("signed", "unsigned", "float")
        if numeric and self.order and (self.bits is None or self.bits > 8):
            told.append(f"{self.order}-endian" if self.order in ("big", "little") else self.order)
        if self.mirrored:
            told.append("each byte least significant bit first")
        return ", ".join(told)

    @property
    def raw_range(self) -> tuple[int, int] | None:
        """The least and greatest raw value; None for a float or a width that the payload decides."""
        if self.bits is None or self.form not in ("signed", "unsigned", "flag"):
            return None
        if self.form == "flag":
            return 0, 1
        half = 1 << (self.bits - 1)
        return (-half, half - 1) if self.form == "signed" else (0, 2 * half - 1)


@dataclass(frozen=True)
class Part:
    """One field, or bits between fields.

    `path`: its name with letters for indices, "depths[k].permittivity"; `key`: the path that a declaration cites,
    "depths.permittivity". `pieces`: its bits, counted from `place.anchor`; none where it takes no bits, or `size`
    of them where the payload decides. `kind`: "field", "constant", "reserved", "computed" (from others, as `size`
    tells) or "check" (what must hold). `conditions` and `repeats`: in words, outermost first. `named`: whether the
    path is its own, and not that of the section it stands in.
    """

    path: str
    key: str
    place: Place
    pieces: tuple[Piece, ...]
    kind: Kind
    wire: Wire | None = None
    size: str = ""
    constant: Any = None
    labels: tuple[tuple[int, str], ...] = ()
    conditions: tuple[str, ...] = ()
    repeats: tuple[str, ...] = ()
    named: bool = True

    @property
    def bits(self) -> int:
        """How many bits it takes, as far as the layout says."""
        return sum(bits for _, bits in self.pieces)

    @property
    def whole_bytes(self) -> bool:
        """Whether it is one run of whole bytes."""
        return len(self.pieces) == 1 and not self.pieces[0][0] % 8 and not self.pieces[0][1] % 8


@dataclass(frozen=True)
class Block:
    """A section that is there several times ("repeat", `words` such as "head.depths times") or only sometimes.

    `words` of a "choice", or of a switch's "case", is its condition. `letter`: the index of a repeat's elements.
    """

    kind: Literal["repeat", "choice", "case"]
    path: str
    words: str
    place: Place
    items: tuple[Item, ...]
    conditions: tuple[str, ...] = ()
    letter: str = ""
    key: str = ""


Item = Part | Block


def turned(part: Part, region: Piece, *, mirrored: bool) -> Part:
    """Return a part of a region whose bytes (or, `mirrored`, the bits of each) are reversed, as the payload has it."""
    start, size = region
    chunks = [chunk for piece in part.pieces for chunk in _by_byte(piece)]
    if mirrored:
        wire = part.wire and replace(part.wire, mirrored=not part.wire.mirrored)
        if all(bits == 8 for _, bits in chunks):
            return replace(part, wire=wire)
        return replace(part, wire=wire, pieces=tuple((_mirror(bit, bits), bits) for bit, bits in chunks))
    back = [(2 * start + size - 8 - bit + 2 * (bit % 8), bits) for bit, bits in chunks]
    if all(bits == 8 for _, bits in back):
        swapped = {"big": "little", "little": "big"}
        wire = part.wire and replace(part.wire, order=swapped.get(part.wire.order, f"not {part.wire.order}"))
        return replace(part, wire=wire, pieces=((min(back)[0], 8 * len(back)),) if back else ())
    # Torn apart: the order of its pieces says it, no word for bytes does.
    return replace(part, wire=part.wire and replace(part.wire, order=""), pieces=tuple(_joined(back)))


def _by_byte(piece: Piece) -> list[Piece]:
    bit, end = piece[0], sum(piece)
    chunks = []
    while bit < end:
        border = min(end, (bit // 8 + 1) * 8)
        chunks.append((bit, border - bit))
        bit = border
    return chunks


def _mirror(bit: int, bits: int) -> int:
    return bit // 8 * 8 + 8 - bit % 8 - bits


def _joined(chunks: list[Piece]) -> list[Piece]:
    joined: list[Piece] = []
    for bit, bits in chunks:
        if joined and sum(joined[-1]) == bit:
            joined[-1] = (joined[-1][0], joined[-1][1] + bits)
        else:
            joined.append((bit, bits))
    return joined
