"""What soil does by the hour: water contents (m3/m3) and temperatures (degC), drawn from a seeded generator.

One sensed layer of 10 cm. It drains at unit gradient with the conductivity of Saxton & Rawls 2006 (Soil Sci. Soc. Am.
J. 70:1569-1578, eq. 17 and 18, numbers from memory; Table 3 in tests/published/), gives water to roots with FAO-56's
linear stress, and takes what arrives at its depth. Temperature is the damped sine of van Wijk & de Vries 1963, daily
and annual, with weather that comes and goes. Invented: weather, amounts, cracks, the freezing curve.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

YEAR_HOURS = 8760
LAYER_MM = 100.0
#: Water comes in so many parts of its hour, each of which drains; the sample stands at the end, on the peak.
PARTS = 6
_TABLE = Path(__file__).parents[1] / "published" / "soilwater_saxton_rawls_2006_texture_classes.csv"
_ROWS = {row["texture_class"]: row for row in csv.DictReader(_TABLE.read_text().splitlines())}
#: m2/s, a moist mineral soil.
_DIFFUSIVITY_M2_S = 5e-7


@dataclass(frozen=True)
class Soil:
    """Water contents at 1500, 33 and 0 kPa, m3/m3, and saturated conductivity, mm/h."""

    wilting_point: float
    field_capacity: float
    saturation: float
    ksat_mm_h: float

    @classmethod
    def of(cls, texture: str) -> Soil:
        """Return the soil of a USDA class by Table 3."""
        row = _ROWS[texture]
        names = ("wilting_point_1500kPa", "field_capacity_33kPa", "saturation_0kPa")
        return cls(*(float(row[f"table3_{name}_pct_vol"]) / 100 for name in names), float(row["table3_ksat_mm_h"]))

    def drained(self, vwc: float, hours: float = 1.0, layer_mm: float = LAYER_MM) -> float:
        """Return the water content after so long at unit gradient: d(vwc)/dt = -ksat (vwc/saturation)^n / layer."""
        b = math.log(1500 / 33) / math.log(self.field_capacity / self.wilting_point)
        n = 3 + 2 * b
        rate = (n - 1) * self.ksat_mm_h * hours / (layer_mm * self.saturation)
        return float(self.saturation * ((vwc / self.saturation) ** (1 - n) + rate) ** (1 / (1 - n)))


def arriving_mm(surface_mm: np.ndarray, depth_cm: float, speed_cm_h: float) -> np.ndarray:
    """Return what of the water put on the surface arrives at a depth, hour by hour, shape (hours,).

    It lags by depth over speed, spreads with depth, and little showers stay above.
    """
    lag, spread = round(depth_cm / speed_cm_h), 1 + round(depth_cm / 15)
    # Of each day's water, the layers above keep some 0.3 mm a centimetre.
    daily = np.convolve(surface_mm, np.ones(24))[: len(surface_mm)]
    passing = np.where(daily > 0, np.clip(1 - 0.3 * depth_cm / np.maximum(daily, 1e-9), 0, 1), 0)
    moved = np.convolve(surface_mm * passing, np.ones(spread) / spread)[: len(surface_mm)]
    return np.concatenate([np.zeros(lag), moved])[: len(surface_mm)]


def water(
    soil: Soil, arriving: np.ndarray, roots_mm_day: float, *, flooded: np.ndarray | None = None, start: float = 0.5
) -> np.ndarray:
    """Return the layer's water content, shape (hours,): filled, drained, drawn from by roots in daylight.

    `roots_mm_day`: what roots take in midsummer from this layer. `flooded`: hours under a water table.
    """
    vwc = soil.wilting_point + start * (soil.field_capacity - soil.wilting_point)
    hour = np.arange(len(arriving))
    season = 0.5 - 0.45 * np.cos(2 * np.pi * (hour / YEAR_HOURS))
    daylight = np.maximum(np.sin(2 * np.pi * (hour - 6) / 24), 0) * math.pi / 24
    drawn = (roots_mm_day * season * daylight / LAYER_MM).tolist()
    easily = soil.wilting_point + 0.5 * (soil.field_capacity - soil.wilting_point)
    told = np.empty(len(arriving))
    under = (np.zeros(len(arriving), dtype=bool) if flooded is None else flooded).tolist()
    for i, mm in enumerate(arriving.tolist()):
        if under[i]:
            told[i] = vwc = soil.saturation
        else:
            parts = PARTS if mm else 1
            for _ in range(parts):
                vwc = soil.drained(min(vwc + mm / parts / LAYER_MM, soil.saturation), 1 / parts)
            told[i] = vwc
            stress = min(1.0, max(0.0, (vwc - soil.wilting_point) / (easily - soil.wilting_point)))
            vwc -= drawn[i] * stress
    return told


def crack_water(rng: np.random.Generator, rain_mm: np.ndarray, vwc: np.ndarray, soil: Soil) -> np.ndarray:
    """Return what rain in open cracks adds beside the probe, shape (hours,): at once there, gone within hours."""
    added = np.zeros(len(rain_mm))
    held, lasting_h = 0.0, 1.0
    for i, mm in enumerate(rain_mm.tolist()):
        held *= math.exp(-1 / lasting_h)
        if mm > 4 and vwc[i] < soil.field_capacity and held < 0.05:
            held += rng.uniform(0.05, soil.saturation - vwc[i])
            lasting_h = rng.uniform(1.5, 8)
        added[i] = min(held, soil.saturation - vwc[i])
    return added


def rain_mm(rng: np.random.Generator, hours: int, days_between: float, mm: float) -> np.ndarray:
    """Return showers, mm an hour: exponential waiting times and amounts, one to six hours long."""
    told, at = np.zeros(hours), rng.exponential(days_between * 24)
    while at < hours:
        length = int(rng.integers(1, 7))
        told[int(at) : int(at) + length] += rng.exponential(mm) / length
        at += length + rng.exponential(days_between * 24)
    return told


@dataclass(frozen=True)
class Climate:
    """Mean, annual amplitude and the clear day's amplitude at the surface, kelvin; weather's standard deviation."""

    mean_degc: float = 11.0
    annual_k: float = 9.0
    daily_k: float = 7.0
    weather_k: float = 3.0


def temperature_degc(rng: np.random.Generator, climate: Climate, hours: int, depth_cm: float) -> np.ndarray:
    """Return the temperature at a depth, shape (hours,); depth 0 is the surface, and the air just above it."""
    hour = np.arange(hours)
    annual, annual_lag = _damping(depth_cm, YEAR_HOURS)
    daily, daily_lag = _damping(depth_cm, 24)
    weather, weather_lag = _damping(depth_cm, 8 * 24)
    clear = np.clip(np.repeat(rng.beta(2, 2, hours // 24 + 3), 24)[: hours + 24], 0.05, 1)
    clear = np.convolve(clear, np.ones(12) / 12)[:hours]
    noise = rng.normal(0, climate.weather_k * math.sqrt(2 / 60), hours + 200)
    spell = np.empty(len(noise))
    state = 0.0
    for i, shock in enumerate(noise.tolist()):
        state += -state / 60 + shock
        spell[i] = state
    spell = spell[200 - round(weather_lag) :][:hours]
    told = climate.mean_degc - climate.annual_k * annual * np.cos(2 * np.pi * (hour - 480 - annual_lag) / YEAR_HOURS)
    told += climate.daily_k * daily * clear * np.sin(2 * np.pi * (hour - 9 - daily_lag) / 24) + weather * spell
    # Freezing water holds the temperature up.
    return np.where((told < 0) & (depth_cm > 0), 0.4 * told, told)


def _damping(depth_cm: float, period_h: float) -> tuple[float, float]:
    relative = depth_cm / 100 / math.sqrt(_DIFFUSIVITY_M2_S * period_h * 3600 / math.pi)
    return math.exp(-relative), relative * period_h / (2 * math.pi)
