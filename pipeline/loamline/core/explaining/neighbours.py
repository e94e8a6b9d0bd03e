"""One probe and depth's readings, as the explanation of a check looks at them, and how a check is laid out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.checks.series import stretches
from loamline.core.columns import Floats, Ints
from loamline.core.explaining.words import Fields
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict


@dataclass(frozen=True)
class Neighbours:
    """One probe and depth's readings in order of time, columns of shape (m,), and the one in question, `index`.

    Figures and units as in `loamline.core.checks.series.Series`. `placement` and `limits` are of each reading: the
    placement's digest, and the thresholds in force.
    """

    index: int
    at_us: Ints
    moisture_count: Floats
    permittivity: Floats
    vwc_m3_m3: Floats
    soil_temperature_degc: Floats
    supply_v: Floats
    supply_low: Floats
    tilted: Floats
    depth_cm: Floats
    relative_count: Floats
    placement: list[str | None]
    limits: list[Limits]

    @property
    def own(self) -> Limits:
        """The thresholds of the reading in question."""
        return self.limits[self.index]

    @property
    def stay(self) -> tuple[int, int]:
        """The first row of the stay in one placement that the reading in question belongs to, and the row after it."""
        number = {digest: count for count, digest in enumerate(dict.fromkeys(self.placement))}
        start, end = stretches(np.array([number[digest] for digest in self.placement], dtype=np.int64))
        return int(start[self.index]), int(end[self.index])


def check_told(
    name: str, flag: Verdict, reason: str, thresholds: Fields, evidence: Fields, *, cause: str | None = None
) -> Fields:
    """Return one check as the explanation has it."""
    told: Fields = {"check": name, "flag": flag.word, "reason": reason}
    if cause is not None:
        told["cause"] = cause
    return {**told, "thresholds": thresholds, "evidence": evidence}


def figure(column: Floats, index: int) -> float | None:
    """Return one figure of a column; None where there is none."""
    return None if np.isnan(column[index]) else float(column[index])


def yes_or_no(column: Floats, index: int) -> bool | None:
    """Return what a column of 1 and 0 says of a row; None where it says nothing."""
    return None if np.isnan(column[index]) else bool(column[index])


def spread(values: Floats) -> float | None:
    """Return the greatest less the least of what is known; None where nothing is."""
    known = values[~np.isnan(values)]
    return float(known.max() - known.min()) if len(known) else None
