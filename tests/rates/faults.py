"""Faults put into a probe's raw figures, each with a label: its kind, and from which hour to which."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.rates.transducer import OUT_OF_RANGE_COUNT, Raw

#: Days that one fault has for itself; it begins in the middle, so that three days before it are in order.
SLOT_DAYS = 15
_FIRST_DAY, _LONGEST_DAYS = 4, 9


@dataclass(frozen=True)
class Label:
    """One fault: hours [begin, end)."""

    kind: str
    begin: int
    end: int


#: Each kind, the check that is meant to find it, and how many a year.
KINDS: dict[str, tuple[str, int]] = {
    "spike": ("spike", 7),
    "stuck": ("stuck", 2),
    "cable": ("range", 1),
    "fault code": ("range", 1),
    "supply sag": ("supply", 2),
    "battery at its end": ("supply", 1),
    "tilted": ("contact", 1),
    "pulled out": ("contact", 3),
    "sudden fall": ("fall", 4),
}


def inject(rng: np.random.Generator, raw: Raw) -> tuple[Label, ...]:
    """Change `raw` in place, a fault a slot, and return the labels."""
    slots = len(raw.moisture) // (SLOT_DAYS * 24)
    kinds = [kind for kind, (_, number) in KINDS.items() for _ in range(round(number * slots / 24))]
    labels = []
    for slot, kind in zip(rng.permutation(slots).tolist(), kinds, strict=False):
        begin = (slot * SLOT_DAYS + _FIRST_DAY) * 24 + int(rng.integers(24))
        end = _MAKE[kind](rng, raw, begin)
        labels.append(Label(kind, begin, end))
    return tuple(labels)


def _days(rng: np.random.Generator, begin: int, least: float, most: float) -> int:
    return begin + round(rng.uniform(least, min(most, _LONGEST_DAYS)) * 24)


def _spike(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    raw.shift_vwc(slice(begin, begin + 1), rng.uniform(0.04, 0.25) * rng.choice([-1, 1]))
    return begin + 1


def _stuck(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 2, 8)
    raw.moisture[begin:end] = raw.moisture[begin]
    return end


def _cable(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    """Open or short: the count stands at one end of its scale, or beyond what it can be."""
    end = _days(rng, begin, 1, 8)
    raw.moisture[begin:end] = rng.choice([0.0, 4095.0, OUT_OF_RANGE_COUNT])
    return end


def _fault_code(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 0.2, 5)
    raw.moisture[begin:end] = np.nan
    return end


def _supply_sag(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 1, 5)
    ramp = np.minimum(np.arange(1, end - begin + 1) / rng.integers(1, 12), 1)
    raw.supply_v[begin:end] -= rng.uniform(0.15, 0.6) * ramp
    return end


def _battery_end(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 4, 9)
    raw.supply_v[begin:end] -= np.linspace(0, 1.2, end - begin) ** 2
    return end


def _tilted(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 1, 8)
    raw.tilted[begin:end] = 1
    return end


def _pulled_out(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 1, 8)
    raw.put_in_air(slice(begin, end))
    return end


def _sudden_fall(rng: np.random.Generator, raw: Raw, begin: int) -> int:
    end = _days(rng, begin, 1, 8)
    raw.shift_vwc(slice(begin, end), -rng.uniform(0.1, 0.35))
    return end


_MAKE: dict[str, Callable[[np.random.Generator, Raw, int], int]] = {
    "spike": _spike,
    "stuck": _stuck,
    "cable": _cable,
    "fault code": _fault_code,
    "supply sag": _supply_sag,
    "battery at its end": _battery_end,
    "tilted": _tilted,
    "pulled out": _pulled_out,
    "sudden fall": _sudden_fall,
}
