"""Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578: what water a soil holds, from its particle sizes.

Table 1, with S and C as fractions of the mineral soil's mass and OM as percent of the soil's mass:

    wilting point, 1500 kPa   t = -0.024 S + 0.487 C + 0.006 OM + 0.005 S OM - 0.013 C OM + 0.068 S C + 0.031
                              t + (0.14 t - 0.02)
    field capacity, 33 kPa    t = -0.251 S + 0.195 C + 0.011 OM + 0.006 S OM - 0.027 C OM + 0.452 S C + 0.299
                              t + (1.283 t^2 - 0.374 t - 0.015)
    saturation - 33 kPa       t =  0.278 S + 0.034 C + 0.022 OM - 0.018 S OM - 0.027 C OM - 0.584 S C + 0.078
                              t + (0.636 t - 0.107)
    saturation, 0 kPa         field capacity + (saturation - 33 kPa) - 0.097 S + 0.043

A class alone has the printed Table 3 (`CLASS_TABLE`), the figures that anyone else would look up: whole percent by
volume, which the equations at the classes' average sizes reproduce to the last digit. The step that rounding leaves
between a soil told by class and the same told by sizes is at most 0.005 m3/m3.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from loamline.core.columns import Flags, Floats

#: Percent of the soil's mass that Table 3 supposes; stands in where none was told.
TABLE_ORGANIC_MATTER_PERCENT = 2.5

#: The paper's own bounds on what its equations were fitted to, percent of mass.
MOST_CLAY_PERCENT = 60.0
MOST_ORGANIC_MATTER_PERCENT = 8.0

#: Table 3: wilting point, field capacity and saturation of each USDA class at 2.5 % organic matter, m3/m3.
CLASS_TABLE: dict[str, tuple[float, float, float]] = {
    "sand": (0.05, 0.10, 0.46),
    "loamy sand": (0.05, 0.12, 0.46),
    "sandy loam": (0.08, 0.18, 0.45),
    "loam": (0.14, 0.28, 0.46),
    "silt loam": (0.11, 0.31, 0.48),
    "silt": (0.06, 0.30, 0.48),
    "sandy clay loam": (0.17, 0.27, 0.43),
    "clay loam": (0.22, 0.36, 0.48),
    "silty clay loam": (0.22, 0.38, 0.51),
    "sandy clay": (0.25, 0.36, 0.44),
    "silty clay": (0.27, 0.41, 0.52),
    "clay": (0.30, 0.42, 0.50),
}


class Beyond(IntEnum):
    """Why the equations give no figure for a composition."""

    NOTHING = 0
    NO_COMPOSITION = 1
    CLAY = 2
    ORGANIC_MATTER = 3
    ORDER = 4

    @property
    def sentence(self) -> str:
        """The reason in words for a person; empty where there is a figure."""
        return _SENTENCES[self]


_SENTENCES = {
    Beyond.NOTHING: "",
    Beyond.NO_COMPOSITION: "sand, clay or organic matter is missing, below 0 %, or above 100 % together",
    Beyond.CLAY: f"the equations hold up to {MOST_CLAY_PERCENT:g} % clay",
    Beyond.ORGANIC_MATTER: f"the equations hold up to {MOST_ORGANIC_MATTER_PERCENT:g} % organic matter",
    Beyond.ORDER: "the equations give no wilting point above zero and under field capacity under saturation there",
}


@dataclass(frozen=True)
class Retention:
    """Water contents of m compositions, m3/m3, shape (m,); NaN where `beyond` (codes of `Beyond`) says why."""

    wilting_point: Floats
    field_capacity: Floats
    saturation: Floats
    beyond: Flags


def retention(sand_percent: ArrayLike, clay_percent: ArrayLike, organic_matter_percent: ArrayLike) -> Retention:
    """Return wilting point, field capacity and saturation by the equations; arguments of one shape (m,), percent.

    Outside the paper's bounds, and where the equations contradict themselves (pure sand without organic matter
    has a negative wilting point), nothing is extrapolated: all three are NaN.
    """
    sand_percent, clay_percent, om = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(given, dtype=np.float64))
            for given in (sand_percent, clay_percent, organic_matter_percent)
        )
    )
    s, c = sand_percent / 100, clay_percent / 100
    t = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031
    wilting_point = t + (0.14 * t - 0.02)
    t = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299
    # 1.283, as Table 3 confirms; 1.238 stands in one public code and is a slip.
    field_capacity = t + (1.283 * t * t - 0.374 * t - 0.015)
    t = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    saturation = field_capacity + (t + (0.636 * t - 0.107)) - 0.097 * s + 0.043

    ordered = (wilting_point > 0) & (wilting_point < field_capacity) & (field_capacity < saturation) & (saturation < 1)
    composed = (sand_percent >= 0) & (clay_percent >= 0) & (sand_percent + clay_percent <= 100 + 1e-9)
    composed &= (om >= 0) & (om <= 100)
    beyond = np.where(ordered, Beyond.NOTHING, Beyond.ORDER).astype(np.uint8)
    beyond[om > MOST_ORGANIC_MATTER_PERCENT] = Beyond.ORGANIC_MATTER
    beyond[clay_percent > MOST_CLAY_PERCENT] = Beyond.CLAY
    beyond[~composed] = Beyond.NO_COMPOSITION
    held = beyond == Beyond.NOTHING
    return Retention(
        np.where(held, wilting_point, np.nan),
        np.where(held, field_capacity, np.nan),
        np.where(held, saturation, np.nan),
        beyond,
    )
