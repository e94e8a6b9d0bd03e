"""From raw count to water content and its standard uncertainty, one sample at a time."""

from __future__ import annotations

import math

from loamline_schemas.curves import Curve
from tests.bench.plain.curves import Functions, functions
from tests.bench.plain.registry import Held
from tests.bench.plain.sample import Sample

#: Standard uncertainties by JCGM 100:2008 4.3.7, half-width over the root of three: `loamline.core.uncertainty`.
COUNT, PERMITTIVITY, RECORD = 0.5 / math.sqrt(3), 0.005 / math.sqrt(3), 1 / math.sqrt(3)
TEMPERATURE_K, ASSUMED_TEMPERATURE_K = 0.5 / math.sqrt(3), 20 / math.sqrt(3)


class Calibration:
    """Curves, made into functions when first met."""

    def __init__(self) -> None:
        self._made: dict[str, Functions] = {}

    def calibrate(self, sample: Sample) -> None:
        """Fill in relative count, permittivity, water content and its uncertainty."""
        figures, found = sample.figures, sample.found
        degc, reported = figures.soil_temperature_degc, figures.permittivity
        record = None if found.record is None else found.record.row
        span = per_k = math.nan
        if record is not None and record.air_count is not None:
            air, per_k = float(record.air_count), float(record.count_per_k)
            span = float(record.water_count) - air
            drift = 0.0 if per_k == 0.0 else per_k * (degc - 20.0)
            sample.x = (figures.moisture_count - drift - air) / span
        transducer = self._functions(found.transducer)
        if math.isnan(reported):
            if transducer is not None and not math.isnan(sample.x):
                if transducer.domain[0] <= sample.x <= transducer.domain[1]:
                    sample.permittivity = transducer.value(sample.x, degc)
                else:
                    sample.outside_transducer = True
        else:
            sample.permittivity = reported
        soil = self._functions(found.soil)
        if soil is None or math.isnan(sample.permittivity):
            return
        if not soil.domain[0] <= sample.permittivity <= soil.domain[1]:
            sample.outside_soil = True
            return
        sample.vwc_m3_m3 = soil.value(sample.permittivity, degc)
        if soil.standard_error is not None:
            by_permittivity = soil.slope(sample.permittivity, degc)
            by_degc = soil.slope_per_k(sample.permittivity, degc)
            if math.isnan(reported) and transducer is not None:
                by_count = by_permittivity * transducer.slope(sample.x, degc) / span
                by_degc = by_degc - by_count * per_k
                parts = (
                    by_permittivity * (transducer.standard_error or 0.0),
                    by_count * COUNT,
                    by_degc * (ASSUMED_TEMPERATURE_K if math.isnan(degc) else TEMPERATURE_K),
                    by_count * (sample.x - 1) * RECORD,
                    by_count * sample.x * RECORD,
                )
            else:
                parts = (
                    by_permittivity * PERMITTIVITY,
                    by_degc * (ASSUMED_TEMPERATURE_K if math.isnan(degc) else TEMPERATURE_K),
                )
            variance = soil.standard_error * soil.standard_error
            for part in parts:
                variance += part * part
            sample.vwc_uncertainty_m3_m3 = math.sqrt(variance)

    def _functions(self, curve: Held | None) -> Functions | None:
        if curve is None:
            return None
        if curve.digest not in self._made:
            row: Curve = curve.row
            self._made[curve.digest] = functions(row)
        return self._made[curve.digest]
