"""Contact: does the probe still stand upright in the soil?

Tilted by its own accelerometer is suspect: loosened by frost, roots or a wheel, with a gap beside it. Air round the
transducer is suspect as well, and fails where the temperature swings like the air's, too:

- *air*: permittivity at most `contact_air_permittivity` (1.5), or a count under the factory record's count in air,
  for which there is no permittivity. Air has 1.0, oven-dry mineral soil 2.5 to 4 (quartz 4 to 5, half of it pores).
- *air-like swing*: within `contact_window_hours` (24 h) before or after, samples in air differ in temperature by more
  than the soil would let through at the placement's depth z: `contact_surface_swing_k` (16 K) times exp(-z/d), d the
  daily damping depth at `contact_diffusivity_m2_s` (8e-7, the highest usual, so 0.148 m; van Wijk & de Vries 1963),
  and at least `contact_least_swing_k` (3 K). Only samples in air count, so that a soil's own swing condemns no single
  low figure.

The two together tell a probe that was pulled out from a transducer that died in the ground. Dry peat and mineral wool
can come near the permittivity of air: raise nothing, lower `contact_air_permittivity` there.

Looks `contact_window_hours` back and as far forward: a newest sample in air is suspect until a swing is seen. Not
evaluated where no placement says that the probe is in the soil, and where there is neither figure nor tilt.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds, row_at_or_after, stretches, window_extremes
from loamline.core.columns import HOUR_US, Bools, Flags, Ints, group_starts
from loamline_schemas.verdicts import Verdict

_DAY_S = 86_400.0


def check_contact(series: Series, limits: Thresholds) -> Flags:
    """Return the flag of each sample, shape (m,)."""
    flag = np.full(len(series.series), Verdict.NOT_EVALUATED, dtype=np.uint8)
    known = ~np.isnan(series.permittivity)
    with np.errstate(invalid="ignore"):
        air = (series.permittivity <= limits["contact_air_permittivity"]) | (series.relative_count < 0.0)
    flag[known | (series.tilted == 0.0)] = Verdict.PASS
    flag[series.moisture_fault] = Verdict.MISSING
    flag[air | (series.tilted == 1.0)] = Verdict.SUSPECT
    flag[_swinging(series, limits, air)] = Verdict.FAIL
    flag[np.isnan(series.depth_cm)] = Verdict.NOT_EVALUATED
    return flag


def _swinging(series: Series, limits: Thresholds, air: Bools) -> Ints:
    """Return the samples in air whose temperature moved with others in air by more than the soil lets through."""
    rows = np.flatnonzero(air)
    # Runs of one probe, depth and placement; a placement may come back after another, so its number won't do.
    run = np.cumsum(group_starts(series.series, series.placement), dtype=np.int64)[rows]
    start, end = stretches(run)
    at, temperature = series.measured_at_us[rows], series.soil_temperature_degc[rows]
    span = np.rint(limits["contact_window_hours"][rows] * HOUR_US).astype(np.int64)
    index = np.arange(len(rows))
    first = row_at_or_after(at, at - span, start, index)
    last = row_at_or_after(at, at + span + 1, index, end) - 1
    coldest, warmest = window_extremes(temperature, first)
    # Forward is backward in the mirror.
    mirrored = window_extremes(temperature[::-1], (len(rows) - 1 - last)[::-1])
    coldest_after, warmest_after = (extreme[::-1] for extreme in mirrored)
    damping_depth_cm = 100.0 * np.sqrt(limits["contact_diffusivity_m2_s"][rows] * _DAY_S / np.pi)
    let_through = limits["contact_surface_swing_k"][rows] * np.exp(-series.depth_cm[rows] / damping_depth_cm)
    most = np.maximum(let_through, limits["contact_least_swing_k"][rows])
    with np.errstate(invalid="ignore"):
        return rows[(warmest - coldest > most) | (warmest_after - coldest_after > most)]
