"""From what is true in the ground to what a probe sends, and back to the columns that the checks look at.

The probe: count 500 in air, 3500 in water, -0.8 counts a kelvin, permittivity 1 + 30 x + 49 x^2 (invented); noise of
1 to 2 counts. Or it reports permittivity in steps of 0.01. The soil curve is Topp et al. 1980, both ways, written out
here so that the rates don't rest on the code that they judge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.core.checks.series import Series
from loamline.core.columns import HOUR_US
from tests.rates.situations import Situation, Truth

START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
AIR, WATER, COUNTS_PER_K = 500.0, 3500.0, -0.8
OUT_OF_RANGE_COUNT = 5000.0
_LOST_SHARE = 0.02
_GRID = np.linspace(1.0, 81.0, 8001)


def topp(permittivity: np.ndarray) -> np.ndarray:
    """Return theta(Ka) of Topp, Davis & Annan 1980, m3/m3."""
    return -5.3e-2 + 2.92e-2 * permittivity - 5.5e-4 * permittivity**2 + 4.3e-6 * permittivity**3


_THETA = topp(_GRID)


@dataclass
class Raw:
    """What a probe would send each hour, shape (hours,): faults are put in here.

    `moisture`: count, or permittivity, not yet rounded; NaN: fault code. `noise` in the same unit.
    """

    truth: Truth
    permittivity_payload: bool
    moisture: np.ndarray
    noise: np.ndarray
    temperature: np.ndarray
    supply_v: np.ndarray
    tilted: np.ndarray

    @classmethod
    def of(cls, situation: Situation, truth: Truth, rng: np.random.Generator) -> Raw:
        """Draw the figures of a healthy probe."""
        hours, temperature = len(truth.vwc_m3_m3), truth.soil_temperature_degc
        # Ice is not seen as water (an invented freezing curve).
        liquid = truth.vwc_m3_m3 * (0.3 + 0.7 * np.exp(np.minimum(temperature, 0) / 0.5))
        reports = situation.permittivity_payload
        noise = rng.normal(0, 0.02 if reports else rng.uniform(1, 2), hours)
        supply = rng.uniform(3.55, 3.65) - 0.15 * np.arange(hours) / (3 * 8760) + rng.normal(0, 0.01, hours)
        supply += 0.005 * np.minimum(temperature - 20, 0)
        raw = cls(truth, reports, np.empty(hours), noise, temperature.copy(), supply, np.zeros(hours))
        raw.temperature += rng.normal(0, 0.05, hours)
        raw.moisture = raw._moisture(np.interp(liquid, _THETA, _GRID), temperature)
        return raw

    def shift_vwc(self, rows: slice, by_m3_m3: float) -> None:
        """Let the probe see so much more water than there is, down to that of oven-dry soil."""
        vwc = np.maximum(self.truth.vwc_m3_m3[rows] + by_m3_m3, 0.005)
        self.moisture[rows] = self._moisture(
            np.interp(vwc, _THETA, _GRID), self.truth.soil_temperature_degc[rows], rows
        )

    def put_in_air(self, rows: slice) -> None:
        """Pull the probe out: air round its transducer and its thermistor."""
        air = self.truth.air_temperature_degc[rows]
        self.temperature[rows] += air - self.truth.soil_temperature_degc[rows]
        self.moisture[rows] = self._moisture(np.full(len(air), 1.02), air, rows)

    def _moisture(self, permittivity: np.ndarray, temperature: np.ndarray, rows: slice = slice(None)) -> np.ndarray:
        if self.permittivity_payload:
            return permittivity + self.noise[rows]
        x = (-30 + np.sqrt(900 + 196 * (permittivity - 1))) / 98
        return AIR + (WATER - AIR) * x + COUNTS_PER_K * (temperature - 20) + self.noise[rows]

    def series(self, rng: np.random.Generator) -> tuple[Series, np.ndarray]:
        """Return the samples that came through, and the hour of each: some are lost, two days a year altogether."""
        hours = len(self.moisture)
        kept = rng.random(hours) >= _LOST_SHARE
        for begin in rng.integers(0, hours, max(1, 2 * hours // 8760)):
            kept[begin : begin + 24] = False
        hour = np.flatnonzero(kept)
        m = len(hour)
        at = START_US + hour * HOUR_US + rng.integers(-10_000_000, 10_000_000, m)
        temperature = np.rint(self.temperature[hour] / 0.0625) * 0.0625
        moisture = self.moisture[hour]
        fault = np.isnan(moisture)
        if self.permittivity_payload:
            count = x = np.full(m, np.nan)
            permittivity = np.rint(np.maximum(moisture, 0) * 100) / 100
            outside = np.zeros(m, dtype=bool)
        else:
            count = np.rint(moisture)
            x = (count - COUNTS_PER_K * (temperature - 20) - AIR) / (WATER - AIR)
            outside = (x < 0) | (x > 1)
            permittivity = np.where(outside, np.nan, 1 + 30 * x + 49 * x**2)
        out_of_soil = (permittivity < 1.8) | (permittivity > 81)
        nothing = np.zeros(m, dtype=bool)
        series = Series(
            series=np.zeros(m, dtype=np.int64),
            placement=np.zeros(m, dtype=np.int64),
            measured_at_us=at,
            moisture_count=count,
            permittivity=permittivity,
            vwc_m3_m3=np.where(out_of_soil, np.nan, topp(permittivity)),
            soil_temperature_degc=temperature,
            moisture_fault=fault,
            temperature_fault=nothing,
            out_of_range=count > 4095,
            outside_transducer=outside,
            outside_soil=out_of_soil,
            supply_v=np.rint(self.supply_v[hour] / 0.004) * 0.004,
            supply_low=(self.supply_v[hour] < 2.5).astype(float),
            tilted=self.tilted[hour],
            depth_cm=np.full(m, self.truth.depth_cm),
            relative_count=x,
        )
        return series, hour
