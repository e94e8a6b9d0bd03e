"""The declaration language: what one payload version looks like on the wire and what its fields mean.

A codec is data: a construct layout (bits and bytes), a match rule (which messages it reads) and, for each
field, a `Quantity` (raw -> physical). Both executors, the builder, the dissection and the documentation come
from it. Raw and physical are two words: a layout field is raw, a quantity is physical.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from math import lcm
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from loamline_codecs.plans import Plans

Raw = NDArray[Any]
Physical = NDArray[np.float64]


@dataclass(frozen=True)
class Match:
    """Which messages a codec reads: LoRaWAN FPort, and the leading bits of byte 0.

    `Match(fport=10, leading_bits=4, value=2)` matches byte 0 = 0x20..0x2F on FPort 10.
    """

    fport: int
    leading_bits: int
    value: int

    @property
    def first_bytes(self) -> range:
        """Every value of byte 0 that matches."""
        spare = 8 - self.leading_bits
        return range(self.value << spare, (self.value + 1) << spare)


@dataclass(frozen=True)
class Quantity:
    """One field's meaning: physical = raw * scale + offset, in `unit`.

    `scale` and `offset` are decimal text, so that 0.01 V a step is exactly that: the physical figure is the
    double nearest to the decimal one, in both executors.
    `sentinels` maps raw values that are no figure to what each means. `valid` is the raw range that can be
    meant; a value outside it is kept, and the range check fails it. `switch` names the flag field that the
    builder sets where this quantity is present. `labels` names the values of a code.
    """

    name: str
    field: str
    unit: str
    scale: str = "1"
    offset: str = "0"
    sentinels: Mapping[int, str] = dataclasses.field(default_factory=lambda: MappingProxyType({}))
    valid: tuple[int, int] | None = None
    labels: Mapping[int, str] = dataclasses.field(default_factory=lambda: MappingProxyType({}))
    switch: str | None = None

    @cached_property
    def ratio(self) -> tuple[int, int, int]:
        """(a, b, c) with physical = (raw * a + b) / c, all whole numbers."""
        scale, offset = Fraction(self.scale), Fraction(self.offset)
        c = lcm(scale.denominator, offset.denominator)
        return int(scale * c), int(offset * c), c

    def physical(self, raw: float) -> float | None:
        """Return the physical figure of one raw value, None for a sentinel."""
        if raw in self.sentinels:
            return None
        a, b, c = self.ratio
        return (raw * a + b) / c

    def physical_column(
        self, raw: Raw, fault: NDArray[np.bool_] | None = None, *, out: Physical | None = None
    ) -> Physical:
        """Return the physical figures of raw values of any shape, in `out` where that is given; NaN for a sentinel.

        Equal to `physical` bit for bit: where every term is exact in a double, the one division rounds once, as
        Python's does; where they are not, Python divides. `fault` is `fault_column(raw)` where that is known.
        """
        a, b, c = self.ratio
        figures: Physical = np.empty(raw.shape) if out is None else out
        if raw.dtype.kind == "f" or self._exact(raw):
            figures[...] = raw
            with np.errstate(over="ignore", invalid="ignore"):  # floats beyond all bounds, as Python takes them
                if a != 1:
                    figures *= a
                if b or a < 0 or raw.dtype.kind == "f":  # adding 0 turns -0.0 into 0.0, as Python's sum does
                    figures += b
                if c != 1:
                    figures /= c
        else:
            figures[...] = np.reshape([(int(one) * a + b) / c for one in raw.flat], raw.shape)
        fault = self.fault_column(raw) if fault is None else fault
        if fault is not None:
            figures[fault] = np.nan
        return figures

    def fault_column(self, raw: Raw) -> NDArray[np.bool_] | None:
        """Return which raw values are sentinels; None where none is."""
        fault = None
        for code in self.sentinels:
            found = raw == code
            if found.any():
                fault = found if fault is None else fault | found
        return fault

    def _exact(self, raw: Raw) -> bool:
        a, b, c = self.ratio
        if raw.dtype.kind == "b" or raw.dtype.itemsize <= 4:
            largest = 1 << 8 * raw.dtype.itemsize
        else:
            largest = max(abs(int(raw.max(initial=0))), abs(int(raw.min(initial=0))))
        return max(largest * abs(a) + abs(b), c) < 1 << 53

    def raw(self, physical: float | Fraction) -> int:
        """Return the raw value nearest to a physical figure (half to even)."""
        a, b, c = self.ratio
        above, below = float(physical).as_integer_ratio()
        return round(Fraction(above * c - b * below, a * below))

    def sentence(self, raw: int) -> str | None:
        """Return what a sentinel means, None for an ordinary value."""
        return self.sentinels.get(raw)


@dataclass(frozen=True)
class SampleGroup:
    """Samples that a message carries.

    Without `repeat`: one sample at `depth_index`, as old as the uplink. With `repeat`, the path of an array in
    the layout: one sample an element, at `depth_index`, or at the element's own index where that is None;
    element k is k times `age_interval` (a field in minutes) older than the uplink, or of its age without one.
    Field paths of a repeated group start inside the element.
    """

    quantities: tuple[Quantity, ...]
    repeat: str | None = None
    depth_index: int | None = 0
    age_interval: str | None = None


@dataclass(frozen=True)
class Bound:
    """The raw values that a field may hold; a payload outside them is refused, and the sentence says so."""

    field: str
    low: int
    high: int


@dataclass(frozen=True)
class Codec:
    """One payload version's whole declaration.

    `row_by_row` says that the layout may hold nodes which can't be read as columns: every payload then takes
    construct's own time, some hundred times longer.
    """

    name: str
    description: str
    message: Literal["measurement", "status"]
    match: Match
    layout: Any
    quantities: tuple[Quantity, ...]
    samples: tuple[SampleGroup, ...] = ()
    bounds: tuple[Bound, ...] = ()
    longest_age_minutes: int = 0
    row_by_row: bool = False

    @cached_property
    def plans(self) -> Plans:
        """How its payloads are read, as far as any were."""
        from loamline_codecs.plans import Plans  # noqa: PLC0415 - a plan knows this class

        return Plans(self)

    @cached_property
    def digest(self) -> str:
        """Content digest over everything that decides a figure; cited by every reading."""
        from loamline_codecs.outline import describe  # noqa: PLC0415 - describes this very class

        return describe(self)

    def build(self, uplink: Mapping[str, Any], samples: list[dict[str, Any]] | None = None) -> bytes:
        """Return the payload that says these physical values; see `loamline_codecs.builder.build`."""
        from loamline_codecs.builder import build  # noqa: PLC0415 - the builder knows this class

        return build(self, uplink, samples or [])


@dataclass(frozen=True)
class Refusal:
    """Why a payload was not read: a word to count by and a sentence to act on."""

    reason: Literal["port", "version", "length", "layout"]
    detail: str
    codec: str | None = None


@dataclass(frozen=True)
class Sample:
    """One instant's figures at one depth, physical; None where absent or a fault code."""

    depth_index: int
    age_minutes: int
    figures: Mapping[str, float | None]
    faults: tuple[str, ...] = ()
    moisture_fault: bool = False
    temperature_fault: bool = False
    out_of_range: bool = False


@dataclass(frozen=True)
class Message:
    """One payload, read."""

    codec: Codec
    uplink: Mapping[str, float | None]
    samples: tuple[Sample, ...]

    @property
    def firmware(self) -> str | None:
        """The firmware as "major.minor"."""
        major, minor = self.uplink.get("firmware_major"), self.uplink.get("firmware_minor")
        return None if major is None or minor is None else f"{major:.0f}.{minor:.0f}"


class DeclarationError(Exception):
    """A declaration that can't be loaded; the message says which codec and field, expected and got."""


class BuildError(ValueError):
    """Values that a payload can't say; the message says which, expected and got."""
