"""What an explanation says of a water content's standard uncertainty: each cause's share, with its sensitivity."""

from __future__ import annotations

import numpy as np

from loamline.core.calibration import calibrate, records
from loamline.core.columns import Floats
from loamline.core.curves.kinds import standard_error
from loamline.core.explaining.words import Fields, number
from loamline.core.uncertainty import (
    ASSUMED_TEMPERATURE_K,
    CAUSES,
    COUNT_RESOLUTION,
    PERMITTIVITY_RESOLUTION,
    RECORD_COUNT,
    TEMPERATURE_K,
    propagate,
)
from loamline_schemas.curves import Curve
from loamline_schemas.registry import ProbeRow

_FORMULA = "vwc_uncertainty_m3_m3 = sqrt(sum of (sensitivity * standard uncertainty of the input)^2)"
_SOURCE = "JCGM 100:2008 (GUM), 5.1.2, equation 10; causes taken to be uncorrelated"
#: In which unit each cause's own standard uncertainty is.
_UNITS = {
    "soil_curve": "m3/m3",
    "transducer_curve": "1",
    "count_resolution": "count",
    "permittivity_resolution": "1",
    "soil_temperature": "K",
    "air_count": "count",
    "water_count": "count",
}
#: Causes that only a payload with a count has, and those that only one with permittivity has.
_OF_COUNT = ("transducer_curve", "count_resolution", "air_count", "water_count")
_OF_PERMITTIVITY = ("permittivity_resolution",)


def uncertainty_told(
    probe: ProbeRow | None,
    transducer: Curve | None,
    soil: Curve | None,
    count: float | None,
    reported: float | None,
    degc: float | None,
) -> Fields:
    """Return the standard uncertainty of what one sample's figures give, m3/m3, and how it is made up.

    `reported` is the permittivity that the payload brought, `degc` the soil's temperature.
    """
    curves = [curve for curve in (transducer, soil) if curve is not None]
    which_transducer = np.array([-1 if transducer is None else 0])
    which_soil = np.array([-1 if soil is None else len(curves) - 1])
    record = records([] if probe is None else [probe], np.array([-1 if probe is None else 0]))
    counts, permittivity, warmth = (_column(figure) for figure in (count, reported, degc))
    made = calibrate(counts, permittivity, warmth, record, which_transducer, which_soil, curves)
    told = propagate(made, permittivity, warmth, record, which_transducer, which_soil, curves)
    total = _figure(told.vwc_uncertainty_m3_m3)
    causes = []
    if not np.isnan(made.vwc_m3_m3[0]):
        inputs = _inputs(transducer, soil, degc)
        left_out = _OF_PERMITTIVITY if reported is None else _OF_COUNT
        causes = [
            _cause(name, _figure(share), inputs[name], total)
            for name, share in told.variance.items()
            if name not in left_out
        ]
    return {
        "vwc_uncertainty_m3_m3": total,
        "formula": _FORMULA,
        "source": _SOURCE,
        "causes": causes,
        "sentence": _sentence(_figure(made.vwc_m3_m3), total, soil, causes),
    }


def _inputs(transducer: Curve | None, soil: Curve | None, degc: float | None) -> dict[str, float | None]:
    """Return the standard uncertainty of each cause's own input; None where it is not known."""
    return {
        "soil_curve": None if soil is None else standard_error(soil),
        "transducer_curve": None if transducer is None else standard_error(transducer),
        "count_resolution": COUNT_RESOLUTION,
        "permittivity_resolution": PERMITTIVITY_RESOLUTION,
        "soil_temperature": ASSUMED_TEMPERATURE_K if degc is None else TEMPERATURE_K,
        "air_count": RECORD_COUNT,
        "water_count": RECORD_COUNT,
    }


def _cause(name: str, variance: float | None, given: float | None, total: float | None) -> Fields:
    """Return one cause: its input's standard uncertainty, the slope by that input, and what both come to."""
    share = None if variance is None or given is None else float(np.sqrt(variance))
    return {
        "cause": name,
        "meaning": CAUSES[name],
        "input_standard_uncertainty": given,
        "input_unit": _UNITS[name],
        "sensitivity": None if share is None or not given else share / given,
        "vwc_uncertainty_m3_m3": share,
        "variance_percent": None if share is None or not total else 100 * (share / total) ** 2,
    }


def _sentence(vwc: float | None, total: float | None, soil: Curve | None, causes: list[Fields]) -> str:
    if vwc is None:
        return "no uncertainty: there is no water content"
    if total is None:
        return (
            f"unknown: soil curve {soil.id if soil else ''} tells no standard_error, by far the largest share; "
            "give one in curves.toml"
        )
    worst = max(causes, key=lambda cause: cause["variance_percent"] or 0.0)
    return (
        f"about two in three such figures lie within {number(total)} m3/m3 of the truth, if the errors are normal; "
        f"the largest share is: {worst['meaning']}"
    )


def _column(figure: float | None) -> Floats:
    return np.array([np.nan if figure is None else figure])


def _figure(column: Floats) -> float | None:
    return None if np.isnan(column[0]) else float(column[0])
