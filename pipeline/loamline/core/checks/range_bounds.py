"""Range: is each figure physically possible (else fail), and usual for soil (else suspect)?

QARTOD's gross range test over everything the sample carries; end points pass. A fault code of the probe is
missing, not a number. A figure that the registry does not let us compute is not evaluated.
"""

from __future__ import annotations

import numpy as np

from loamline.core.checks.series import Series, Thresholds
from loamline.core.columns import Flags
from loamline_schemas.verdicts import RangeCause, Verdict

#: Relative permittivity of vacuum, and of water at 0 degC (Malmberg & Maryott 1956, J. Res. NBS 56:1-8), rounded up.
PERMITTIVITY_SPAN = (1.0, 88.0)


def check_range(series: Series, limits: Thresholds) -> tuple[Flags, Flags]:
    """Return the flag and its cause (`RangeCause`) of each sample, shape (m,)."""
    m = len(series.series)
    flag = np.full(m, Verdict.PASS, dtype=np.uint8)
    cause = np.full(m, RangeCause.NONE, dtype=np.uint8)
    vwc, temperature = series.vwc_m3_m3, series.soil_temperature_degc
    with np.errstate(invalid="ignore"):
        # From the least to the most grave: a later line overrules an earlier one.
        told = (
            (np.isnan(vwc), Verdict.NOT_EVALUATED, RangeCause.UNCALIBRATED),
            (np.isnan(vwc) & series.temperature_fault, Verdict.MISSING, RangeCause.SENSOR_FAULT),
            (series.moisture_fault, Verdict.MISSING, RangeCause.SENSOR_FAULT),
            (_outside(vwc, limits, "vwc_suspect"), Verdict.SUSPECT, RangeCause.VWC_SUSPECT),
            (_outside(vwc, limits, "vwc_fail"), Verdict.FAIL, RangeCause.VWC_FAIL),
            (series.outside_soil, Verdict.FAIL, RangeCause.OUTSIDE_SOIL_CURVE),
            (
                (series.permittivity < PERMITTIVITY_SPAN[0]) | (series.permittivity > PERMITTIVITY_SPAN[1]),
                Verdict.FAIL,
                RangeCause.PERMITTIVITY_FAIL,
            ),
            (series.outside_transducer, Verdict.FAIL, RangeCause.OUTSIDE_TRANSDUCER_CURVE),
            (_outside(temperature, limits, "temperature_fail"), Verdict.FAIL, RangeCause.TEMPERATURE_FAIL),
            (series.out_of_range, Verdict.FAIL, RangeCause.RAW_OUT_OF_RANGE),
        )
    for rows, verdict, reason in told:
        flag[rows] = verdict
        cause[rows] = reason
    return flag, cause


def _outside(figure: np.ndarray, limits: Thresholds, name: str) -> np.ndarray:
    outside: np.ndarray = (figure < limits[f"{name}_low"]) | (figure > limits[f"{name}_high"])
    return outside
