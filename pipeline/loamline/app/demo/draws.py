"""Repeatable random figures addressed by index: the same (stream, index) always gives the same figure.

A sequential generator would make a figure depend on what was drawn before it; the demo needs the weather and
the radio of any hour on its own. The mixer is SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable
pseudorandom number generators", OOPSLA; its constants from memory).
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_FIRST = np.uint64(0xBF58476D1CE4E5B9)
_SECOND = np.uint64(0x94D049BB133111EB)


def stream(seed: int, *labels: str) -> int:
    """Return the 64-bit key of an independent stream of draws, named by `labels`."""
    text = "/".join((str(seed), *labels))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big")


def uniform(key: int, index: Ints) -> Floats:
    """Return a figure in [0, 1) for each index (any shape, any int64)."""
    index = np.asarray(index, dtype=np.int64)
    mixed = np.atleast_1d(index).astype(np.uint64) * _GOLDEN + np.uint64(key)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * _FIRST
    mixed = (mixed ^ (mixed >> np.uint64(27))) * _SECOND
    mixed ^= mixed >> np.uint64(31)
    return ((mixed >> np.uint64(11)).astype(np.float64) * 2.0**-53).reshape(index.shape)


def normal(key: int, index: Ints) -> Floats:
    """Return a standard normal figure for each index (Box & Muller 1958)."""
    index = np.asarray(index, dtype=np.int64)
    radius = np.sqrt(-2.0 * np.log1p(-uniform(key, 2 * index)))
    return np.asarray(radius * np.cos(2.0 * np.pi * uniform(key, 2 * index + 1)))
