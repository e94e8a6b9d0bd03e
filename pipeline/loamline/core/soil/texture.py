r"""The USDA texture triangle: sand and clay percent -> one of 12 classes.

USDA-NRCS, Soil Survey Manual (Handbook 18), with the boundaries made unambiguous by Benham, Ahrens & Nettleton 2009,
Clarification of Soil Texture Class Boundaries. Percent of the mineral soil's mass; silt is the rest.

                 100 clay
                   /\
                  /  \              Every composition has exactly one class: a boundary
                 /    \             belongs to the class whose rule below holds it with
                / clay \            `>=` or `<=`.
               /________\
              /  loams   \
             /____________\
    100 sand               100 silt

Compositions are compared as whole millionths of a percent, so that 30.1 % sand and 41.9 % clay leave exactly
28 % silt.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from loamline.core.columns import Ints
from loamline_schemas.registry import USDA_TEXTURES

_UNIT = 1_000_000
_WHOLE = 100 * _UNIT


def texture_codes(sand_percent: ArrayLike, clay_percent: ArrayLike) -> Ints:
    """Return the class of each composition as an index into USDA_TEXTURES, shape of the arguments.

    -1 where there is none: a missing (NaN) or negative share, or sand and clay above 100 % together.
    """
    given = np.broadcast_arrays(np.asarray(sand_percent, dtype=np.float64), np.asarray(clay_percent, dtype=np.float64))
    # NaN and anything beyond 0..100 become a share that no composition can have.
    held = [np.where((share >= 0) & (share <= 100), share, 200.0) for share in given]
    sand, clay = (np.rint(share * _UNIT).astype(np.int64) for share in held)
    silt = _WHOLE - sand - clay

    def percent(figure: int) -> int:
        return figure * _UNIT

    # Twice the sum where the manual multiplies clay by one and a half, to stay in whole numbers.
    sandy = 2 * silt + 3 * clay < percent(30)
    loamy_sandy = silt + 2 * clay < percent(30)
    at_least_7 = clay >= percent(7)
    between_27_and_40 = (clay >= percent(27)) & (clay < percent(40))
    rules = {
        "sand": sandy,
        "loamy sand": ~sandy & loamy_sandy,
        "sandy loam": ~loamy_sandy
        & ((at_least_7 & (clay < percent(20)) & (sand > percent(52))) | (~at_least_7 & (silt < percent(50)))),
        "loam": at_least_7
        & (clay < percent(27))
        & (silt >= percent(28))
        & (silt < percent(50))
        & (sand <= percent(52)),
        "silt loam": (silt >= percent(50)) & (clay < percent(27)) & ((clay >= percent(12)) | (silt < percent(80))),
        "silt": (silt >= percent(80)) & (clay < percent(12)),
        "sandy clay loam": (clay >= percent(20)) & (clay < percent(35)) & (silt < percent(28)) & (sand > percent(45)),
        "clay loam": between_27_and_40 & (sand > percent(20)) & (sand <= percent(45)),
        "silty clay loam": between_27_and_40 & (sand <= percent(20)),
        "sandy clay": (clay >= percent(35)) & (sand > percent(45)),
        "silty clay": (clay >= percent(40)) & (silt >= percent(40)),
        "clay": (clay >= percent(40)) & (sand <= percent(45)) & (silt < percent(40)),
    }
    codes = np.full(sand.shape, -1, dtype=np.int64)
    for code, name in enumerate(USDA_TEXTURES):
        codes[rules[name] & (silt >= 0)] = code
    return codes


def texture_of(sand_percent: float, clay_percent: float) -> str:
    """Return one composition's class; ValueError where there is no such composition."""
    code = int(texture_codes(sand_percent, clay_percent))
    if code < 0:
        raise ValueError(
            "expected sand_percent and clay_percent from 0 to 100 and together at most 100, "
            f"got {sand_percent:g} and {clay_percent:g}"
        )
    return USDA_TEXTURES[code]
