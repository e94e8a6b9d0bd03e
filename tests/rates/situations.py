"""The situations of the labelled year: what is true in the ground beside one probe, hour by hour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.rates.ground import (
    YEAR_HOURS,
    Climate,
    Soil,
    arriving_mm,
    crack_water,
    rain_mm,
    temperature_degc,
    water,
)

MEDITERRANEAN = Climate(mean_degc=17, annual_k=8, daily_k=9, weather_k=2.5)
CONTINENTAL = Climate(mean_degc=6, annual_k=15, daily_k=6, weather_k=4)
TEMPERATE = Climate()
GLASSHOUSE = Climate(mean_degc=21, annual_k=2, daily_k=5, weather_k=0.7)


@dataclass(frozen=True)
class Truth:
    """Water content, soil and air temperature of each hour, shape (hours,)."""

    vwc_m3_m3: np.ndarray
    soil_temperature_degc: np.ndarray
    air_temperature_degc: np.ndarray
    depth_cm: float


@dataclass(frozen=True)
class Situation:
    """A name, the depth, the climate, and the water of so many hours; whether the payload reports permittivity."""

    name: str
    depth_cm: float
    water: Callable[[np.random.Generator, int, float], np.ndarray]
    climate: Climate = TEMPERATE
    permittivity_payload: bool = False

    def truth(self, rng: np.random.Generator, hours: int) -> Truth:
        """Draw what is true."""
        vwc = self.water(rng, hours, self.depth_cm)
        soil = temperature_degc(rng, self.climate, hours, self.depth_cm)
        air = temperature_degc(rng, self.climate, hours, 0)
        return Truth(vwc, soil, air, self.depth_cm)


def _rain_fed(texture: str, *, days: float = 3.5, mm: float = 9, roots: float = 1.5, speed_cm_h: float = 6) -> Callable:
    def told(rng: np.random.Generator, hours: int, depth_cm: float) -> np.ndarray:
        return water(Soil.of(texture), arriving_mm(rain_mm(rng, hours, days, mm), depth_cm, speed_cm_h), roots)

    return told


def _irrigated(texture: str, *, mm_h: float, length_h: int, every_h: int, roots: float) -> Callable:
    """Water at its depth within the hour, as beside a dripper; by the clock, in summer, now and then left out."""

    def told(rng: np.random.Generator, hours: int, depth_cm: float) -> np.ndarray:
        given = 0.3 * rain_mm(rng, hours, 8, 6)
        hour = np.arange(hours)
        season = np.abs(hour % YEAR_HOURS - YEAR_HOURS / 2) < YEAR_HOURS / 4
        begins = np.flatnonzero(season & (hour % every_h == 5 % every_h) & (rng.random(hours) < 0.9))
        for begin in begins:
            given[begin : begin + length_h] += mm_h * rng.uniform(0.6, 1.2)
        return water(Soil.of(texture), given, roots)

    return told


def _dripping(rng: np.random.Generator, hours: int, depth_cm: float) -> np.ndarray:
    """A border soil that gets a dose every 55 minutes of daylight; each wets the probe's soil by 3 %.

    A tenth of a litre into some 4 litres of soil (common practice).
    """
    soil = Soil.of("loam")
    hour = np.arange(hours)
    light = (hour % 24 >= 6) & (hour % 24 < 19)
    slow = water(soil, np.where(light, 0.35, 0.0), 3.5)
    since_dose_h = (hour * 60 % 55) / 60
    return slow + np.where(light, 0.03 * np.exp(-since_dose_h / 0.4), 0) * rng.uniform(0.8, 1.2, hours)


def _cracked(rng: np.random.Generator, hours: int, depth_cm: float) -> np.ndarray:
    soil = Soil.of("clay")
    fallen = rain_mm(rng, hours, 6, 14)
    vwc = water(soil, arriving_mm(fallen, depth_cm, 2), 2.0)
    return vwc + crack_water(rng, fallen, vwc, soil)


def _plateau(texture: str, spells: int, days: tuple[int, int]) -> Callable:
    """Weeks under a water table, after which the layer drains freely."""

    def told(rng: np.random.Generator, hours: int, depth_cm: float) -> np.ndarray:
        flooded = np.zeros(hours, dtype=bool)
        for year in range(-(-hours // YEAR_HOURS)):
            for begin in rng.integers(0, YEAR_HOURS // 3, spells):
                at = year * YEAR_HOURS + int(begin)
                flooded[at : at + 24 * int(rng.integers(*days))] = True
        fallen = rain_mm(rng, hours, 4, 8)
        return water(Soil.of(texture), arriving_mm(fallen, depth_cm, 6), 1.5, flooded=flooded)

    return told


SITUATIONS = (
    Situation("rain on loam, 10 cm", 10, _rain_fed("loam")),
    Situation("wetting fronts in silt loam, 30 cm", 30, _rain_fed("silt loam", mm=14, speed_cm_h=3), Climate(9, 8, 6)),
    Situation("wetting fronts in sandy clay loam, 60 cm", 60, _rain_fed("sandy clay loam", mm=22, roots=0.6)),
    Situation(
        "irrigation pulses in sand, 15 cm",
        15,
        _irrigated("sand", mm_h=24, length_h=1, every_h=24, roots=3.0),
        MEDITERRANEAN,
    ),
    Situation(
        "irrigation pulses in sandy loam, 20 cm",
        20,
        _irrigated("sandy loam", mm_h=12, length_h=2, every_h=48, roots=3.0),
        MEDITERRANEAN,
        permittivity_payload=True,
    ),
    Situation(
        "sprinkled lawn on loamy sand, 8 cm", 8, _irrigated("loamy sand", mm_h=7, length_h=1, every_h=24, roots=4.0)
    ),
    Situation("glasshouse drip every hour, 12 cm", 12, _dripping, GLASSHOUSE),
    Situation("rain on cracked clay, 20 cm", 20, _cracked, MEDITERRANEAN),
    Situation("saturated winter plateau in clay loam, 30 cm", 30, _plateau("clay loam", 2, (30, 70))),
    Situation("flooded sand that drains, 10 cm", 10, _plateau("sand", 5, (4, 15))),
    Situation("bare sandy loam in a dry summer, 5 cm", 5, _rain_fed("sandy loam", days=12, roots=4.0), MEDITERRANEAN),
    Situation("winter frost in loam, 10 cm", 10, _rain_fed("loam", days=5), CONTINENTAL),
)
