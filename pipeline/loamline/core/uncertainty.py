"""How far a water content can be trusted: its standard uncertainty by JCGM 100:2008 (GUM), first order.

The figure is a function of what was measured and told,

    vwc = soil(K, T) + e_soil      K = transducer(x) + e_transducer, or what the payload brings
    x = (count - count_per_k (T - 20) - air_count) / (water_count - air_count)

and its variance is the sum over those inputs of (slope times standard uncertainty) squared (JCGM 100, 5.1.2, equation
10; the inputs are taken to be uncorrelated). The soil's temperature acts by two ways, drift and mixing model,
whose slopes are added before squaring. An input known to lie within a half-width a, no value in it likelier than
another, has the standard uncertainty a / sqrt(3) (JCGM 100, 4.3.7).

What is not known adds nothing: the standard error of a transducer curve that tells none, and that of a probe which
reports permittivity itself. The soil curve's is another matter: by far the largest share, so that without it
the figure would be a fraction of the truth. A polynomial or table that tells none has no uncertainty (NaN).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loamline.core.calibration import Calibrated, slopes
from loamline.core.columns import Floats, Ints
from loamline.core.curves.kinds import standard_error
from loamline_schemas.curves import Curve

#: A whole count stands for any value within half a count of it.
COUNT_RESOLUTION = 0.5 / math.sqrt(3)
#: Payloads that bring permittivity do so in steps of 0.01.
PERMITTIVITY_RESOLUTION = 0.005 / math.sqrt(3)
#: Thermistors are sold with a tolerance of 0.5 K (common practice).
TEMPERATURE_K = 0.5 / math.sqrt(3)
#: Without a temperature 20 degC is taken, and soil under crops has 0 to 40 degC (common practice).
ASSUMED_TEMPERATURE_K = 20 / math.sqrt(3)
#: A factory's count in air or water comes again within one count (common practice).
RECORD_COUNT = 1 / math.sqrt(3)

#: The causes, by the names that `Uncertainty.variance` has them under, in words.
CAUSES = {
    "soil_curve": "standard error of the soil curve",
    "transducer_curve": "standard error of the transducer curve",
    "count_resolution": "resolution of the count, 1",
    "permittivity_resolution": "resolution of the reported permittivity, 0.01",
    "soil_temperature": "tolerance of the soil temperature, 0.5 K; where there is none, 20 K about 20 degC",
    "air_count": "the factory record's count in air, within 1",
    "water_count": "the factory record's count in water, within 1",
}


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainty of m water contents, m3/m3, shape (m,), NaN where it is unknown or there is no figure.

    `variance`: each cause's share by the names of CAUSES, (m3/m3)^2, shape (m,); they add up to the square of the
    uncertainty. The soil curve's is NaN where unknown; the others are known all the same.
    """

    vwc_uncertainty_m3_m3: Floats
    variance: dict[str, Floats]


def propagate(
    made: Calibrated,
    reported_permittivity: Floats,
    soil_temperature_degc: Floats,
    record: tuple[Floats, Floats, Floats],
    transducer: Ints,
    soil: Ints,
    curves: Sequence[Curve],
) -> Uncertainty:
    """Return the standard uncertainty of what `calibrate` made of the same columns, each of shape (m,).

    `reported_permittivity` is what the payload brought, NaN where it brought a count.
    """
    air_count, water_count, count_per_k = record
    reported = ~np.isnan(reported_permittivity)
    of_soil = slopes(made.permittivity, soil, curves, soil_temperature_degc)
    of_transducer = slopes(made.x, transducer, curves, soil_temperature_degc)
    by_permittivity = of_soil.by_input
    by_x = np.where(reported, 0.0, by_permittivity * of_transducer.by_input)
    by_count = np.where(reported, 0.0, by_x / (water_count - air_count))
    by_degc = of_soil.per_k - np.where(reported, 0.0, by_count * count_per_k)
    degc_k = np.where(np.isnan(soil_temperature_degc), ASSUMED_TEMPERATURE_K, TEMPERATURE_K)
    soil_error, transducer_error = _standard_errors(soil, curves, np.nan), _standard_errors(transducer, curves, 0.0)
    parts = {
        "soil_curve": np.where(np.isnan(made.vwc_m3_m3), np.nan, soil_error),
        "transducer_curve": np.where(reported, 0.0, by_permittivity * transducer_error),
        "count_resolution": by_count * COUNT_RESOLUTION,
        "permittivity_resolution": np.where(reported, by_permittivity * PERMITTIVITY_RESOLUTION, 0.0),
        "soil_temperature": by_degc * degc_k,
        "air_count": np.where(reported, 0.0, by_count * (made.x - 1)) * RECORD_COUNT,
        "water_count": np.where(reported, 0.0, by_count * made.x) * RECORD_COUNT,
    }
    variance = {name: part * part for name, part in parts.items()}
    total = np.zeros(len(reported))
    for share in variance.values():
        total = total + share
    return Uncertainty(np.sqrt(total), variance)


def _standard_errors(which: Ints, curves: Sequence[Curve], unknown: float) -> Floats:
    """Return each sample's curve's standard error, shape (m,); `unknown` for one that has none, and for no curve."""
    known = [standard_error(curve) for curve in curves]
    return np.array([*(unknown if error is None else error for error in known), unknown])[which]
