"""Readable little series for the checks: name only what a test is about, the rest is quiet.

`make_series(vwc=[0.2, 0.3, 0.2])` is three hourly samples of one probe and depth whose other figures are those of a
moist soil in spring; None stands for no figure.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from loamline.core.checks.series import Series, Thresholds
from loamline.core.columns import HOUR_US, Floats
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict

#: 2026-05-01T00:00:00Z, where every series begins.
START_US = 1_777_593_600_000_000

PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = Verdict


def make_series(
    *,
    n: int | None = None,
    hours: Any = None,
    series: Any = 0,
    placement: Any = 0,
    count: Any = 1850.0,
    permittivity: Any = 15.0,
    vwc: Any = 0.25,
    temperature: Any = 12.0,
    moisture_fault: Any = False,
    temperature_fault: Any = False,
    out_of_range: Any = False,
    outside_transducer: Any = False,
    outside_soil: Any = False,
    supply: Any = 3.6,
    supply_low: Any = 0.0,
    tilted: Any = 0.0,
    depth_cm: Any = 20.0,
    relative_count: Any = 0.45,
) -> Series:
    """Return a series as long as its longest column (or `n`); single values stand for whole columns.

    `hours` since the start, one sample an hour unless told. A moisture fault leaves no moisture figure.
    """
    told = (hours, series, placement, count, permittivity, vwc, temperature, moisture_fault, temperature_fault)
    told += (out_of_range, outside_transducer, outside_soil, supply, supply_low, tilted, depth_cm, relative_count)
    m = n if n is not None else max((len(column) for column in told if np.ndim(column)), default=1)
    faulty = _column(moisture_fault, m, bool)
    return Series(
        series=_column(series, m, np.int64),
        placement=_column(placement, m, np.int64),
        measured_at_us=START_US + np.rint(_floats(range(m) if hours is None else hours, m) * HOUR_US).astype(np.int64),
        moisture_count=np.where(faulty, np.nan, _floats(count, m)),
        permittivity=np.where(faulty, np.nan, _floats(permittivity, m)),
        vwc_m3_m3=np.where(faulty, np.nan, _floats(vwc, m)),
        soil_temperature_degc=_floats(temperature, m),
        moisture_fault=faulty,
        temperature_fault=_column(temperature_fault, m, bool),
        out_of_range=_column(out_of_range, m, bool),
        outside_transducer=_column(outside_transducer, m, bool),
        outside_soil=_column(outside_soil, m, bool),
        supply_v=_floats(supply, m),
        supply_low=_floats(supply_low, m),
        tilted=_floats(tilted, m),
        depth_cm=_floats(depth_cm, m),
        relative_count=np.where(faulty, np.nan, _floats(relative_count, m)),
    )


def make_limits(series: Series, **changes: Any) -> Thresholds:
    """Return the shipped limits with `changes` for every sample of a series."""
    m = len(series.series)
    columns: dict[str, Floats] = {}
    for name, value in Limits(**changes).model_dump().items():
        if isinstance(value, tuple):
            columns[f"{name}_low"], columns[f"{name}_high"] = np.full(m, value[0]), np.full(m, value[1])
        else:
            columns[name] = np.full(m, float(value))
    return Thresholds(columns)


def words(flags: Any) -> str:
    """Return flags as letters, one a sample: `.` pass, `?` not evaluated, `s` suspect, `F` fail, `-` missing."""
    letters = {PASS: ".", NOT_EVALUATED: "?", SUSPECT: "s", FAIL: "F", MISSING: "-"}
    return "".join(letters[Verdict(int(flag))] for flag in flags)


def _floats(values: Any, m: int) -> Floats:
    plain = [np.nan if value is None else value for value in values] if np.ndim(values) else values
    return np.array(np.broadcast_to(np.asarray(np.nan if plain is None else plain, dtype=np.float64), m))


def _column(values: Any, m: int, kind: Any) -> Any:
    return np.array(np.broadcast_to(np.asarray(values, dtype=kind), m))


def some_rows(series: Series, rows: Any) -> Series:
    """Return some samples of a series, in the order of `rows`."""
    return Series(**{name: column[rows] for name, column in vars(series).items()})


def in_order(series: Series) -> Any:
    """Return the rows of shuffled samples in the order that a series has: by number, then by instant."""
    return np.lexsort((series.measured_at_us, series.series))
