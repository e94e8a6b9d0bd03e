"""Polynomials in ascending powers, and their slopes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from loamline.core.columns import Floats


def polynomial(ascending: Sequence[float], x: Floats) -> Floats:
    """Return the polynomial's value by Horner's rule, shape of `x`."""
    value = np.full(np.shape(x), float(ascending[-1]))
    for coefficient in reversed(ascending[:-1]):
        value = value * x + coefficient
    return value


def polynomial_slope(ascending: Sequence[float], x: Floats) -> Floats:
    """Return the polynomial's first derivative at `x`, shape of `x`."""
    slope = [power * coefficient for power, coefficient in enumerate(ascending)][1:]
    return polynomial(slope or (0.0,), x)
