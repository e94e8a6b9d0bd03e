"""Where a field stands in every payload, for the comments beside the code; None where that depends on the payload."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Place:
    """A bit of the payload, counted from the most significant of byte 0: `bit`, and so many bits a list's element.

    `steps`: (bits an element, the variable that counts elements), outermost list first.
    """

    bit: int = 0
    steps: tuple[tuple[int, str], ...] = ()

    def after(self, bits: int) -> Place:
        """Return the place so many bits further."""
        return Place(self.bit + bits, self.steps)

    def stepping(self, bits: int, variable: str) -> Place:
        """Return the place of a list's element number `variable`, each of so many bits."""
        return Place(self.bit, (*self.steps, (bits, variable)))

    def words(self, bits: int) -> str:
        """Return where a field of so many bits stands: "byte 0", "bytes 9+3*k to 10+3*k", "bits 8-19"."""
        unit = 8 if all(number % 8 == 0 for number in (self.bit, bits, *(step for step, _ in self.steps))) else 1
        first, last = self.bit // unit, (self.bit + bits) // unit - 1
        name = "byte" if unit == 8 else "bit"
        step = "".join(f" + {size // unit}*{variable}" for size, variable in self.steps)
        if first == last:
            return f"{name} {first}{step}"
        return f"{name}s {first}{step} to {last}{step}" if step else f"{name}s {first}-{last}"
