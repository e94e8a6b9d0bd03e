"""Powers that are the same in any batch and on any processor."""

from __future__ import annotations

import math
from itertools import repeat

import numpy as np

from loamline.core.columns import Floats


def power(base: Floats, exponent: float) -> Floats:
    """Return base ** exponent, shape (m,); the bases above 0 or NaN.

    NumPy picks its own vectorised power by processor, and that differs from the C library's in the last bit (seen in
    6 % of the figures), so that a store taken to another machine would not derive to the same bits. So each is
    computed alone, by the C library.
    """
    return np.fromiter(map(math.pow, base.tolist(), repeat(exponent)), np.float64, len(base))
