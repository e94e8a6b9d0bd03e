"""Frost: ice is not seen as water, so a frozen soil reads falsely dry.

Fail at or under the freezing point, and from then on until a full thaw: until the temperature stands above it by
more than the thermistor's tolerance. Suspect where the temperature stands within the tolerance of freezing
and no frost came before. Relative permittivity of ice about 3.15 against 88 of water (common handbook values).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.checks.series import Series, Thresholds
from loamline.core.columns import Bools, Flags
from loamline_schemas.verdicts import Verdict


@dataclass(frozen=True)
class Frost:
    """`flag` of each sample, and whether its own temperature `decided` the state, both of shape (m,)."""

    flag: Flags
    decided: Bools


def check_frost(series: Series, limits: Thresholds, frozen_before: Bools) -> Frost:
    """Return what the frost check says of each sample.

    `frozen_before`: whether the soil was frozen before the first sample of the sample's series, shape (m,).
    """
    m = len(series.series)
    temperature = series.soil_temperature_degc
    with np.errstate(invalid="ignore"):
        freezing = temperature <= limits["frost_at_degc"]
        thawed = temperature > limits["frost_at_degc"] + limits["frost_tolerance_k"]
    decided = freezing | thawed
    index = np.arange(m)
    start = np.maximum.accumulate(np.where(series.starts, index, 0)) if m else index
    last = np.maximum.accumulate(np.where(decided, index, -1)) if m else index
    frozen = np.where(last >= start, freezing[np.maximum(last, 0)], frozen_before)
    flag = np.full(m, Verdict.PASS, dtype=np.uint8)
    flag[~decided] = Verdict.SUSPECT
    flag[frozen] = Verdict.FAIL
    flag[np.isnan(temperature)] = Verdict.MISSING
    return Frost(flag, decided)
