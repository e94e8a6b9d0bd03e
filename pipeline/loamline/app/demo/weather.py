"""Hourly weather of an invented place: a pure function of (seed, site's climate, hour).

Times are `hours`: hours since 1970-01-01T00:00Z, as floats or integers. The seasons are anchored to the end of the
history window, which always falls in late October of the invented place, whatever date it carries; so the
same story (late-summer dry-downs, autumn rain, one frost night) is told on any date.

Air temperature is a sum of sine waves, so that soil.py can damp each with depth in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.app.demo import draws
from loamline.app.demo.draws import Floats, Ints

DAY_H = 24.0
YEAR_H = 365.25 * DAY_H
#: Day of the year at the end of the history window (29 October), and of the warmest day (about 24 July).
_DAY_OF_YEAR_AT_END = 302.0
_WARMEST_DAY = 205.0
MEAN_AIR_DEGC = 10.5
_ANNUAL_AMPLITUDE_K = 10.0
#: (period in days, amplitude in K): the passing of highs and lows. Together at most 3.1 K, which keeps every
#: night but the frost night above 0 degC in the last ten days, for every seed.
_SPELLS = ((2.7, 0.5), (3.9, 0.6), (5.3, 0.7), (7.9, 0.7), (11.3, 0.6))
#: The frost night: this many days before the end, coldest at this local solar hour, and how deep its cold air is.
FROST_DAYS_BEFORE_END = 6
_FROST_SOLAR_HOUR = 4.0
_FROST_DIP_K = 9.5
_FROST_DIP_SIGMA_H = 14.4
#: Half the day's range of temperature: under full cloud, and what a clear sky adds (K).
_CLOUDY_AMPLITUDE_K = 2.2
_CLEAR_EXTRA_K = 3.0
_WARMEST_SOLAR_HOUR = 16.0
#: A thunderstorm every so many days, one of them this many days before the end.
_STORM_EVERY_DAYS = 19
_STORM_DAYS_BEFORE_END = 14
_STORM_MM = 38.0
_STORM_HOURS = 5.0


@dataclass(frozen=True, slots=True)
class Climate:
    """How a site differs from the region.

    `mean_shift_k` and `swing` move and scale the region's temperature (a glasshouse: warmer, steadier);
    `surface_factor` scales the daily wave at the soil surface (shade, grass); `rain_factor` 0 is under glass.
    """

    latitude_deg: float
    longitude_deg: float
    mean_shift_k: float = 0.0
    swing: float = 1.0
    surface_factor: float = 1.0
    thermal_diffusivity_m2_s: float = 5.0e-7
    rain_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Wave:
    """amplitude_k * cos(2 pi (hours - crest_h) / period_h), in kelvin."""

    period_h: float
    amplitude_k: float
    crest_h: float

    def at(self, hours: Floats) -> Floats:
        """Return the wave's departure from its mean, K."""
        return np.asarray(self.amplitude_k * np.cos(2.0 * np.pi * (hours - self.crest_h) / self.period_h))


class Weather:
    """The region's weather for one seed and one end of the history window (a whole hour since 1970)."""

    def __init__(self, seed: int, history_end_h: int) -> None:
        self.seed = seed
        self.history_end_h = history_end_h
        phases = draws.uniform(draws.stream(seed, "spells"), np.arange(len(_SPELLS)))
        annual_crest_h = history_end_h - (_DAY_OF_YEAR_AT_END - _WARMEST_DAY) * DAY_H
        #: The slow waves: the year's, and the weather's.
        self.waves = (
            Wave(YEAR_H, _ANNUAL_AMPLITUDE_K, annual_crest_h),
            *(
                Wave(days * DAY_H, amplitude, history_end_h + float(phase) * days * DAY_H)
                for (days, amplitude), phase in zip(_SPELLS, phases, strict=True)
            ),
        )
        self._cloud_key = draws.stream(seed, "cloud")
        self._rain_key = draws.stream(seed, "rain")

    def frost_hour(self, climate: Climate) -> float:
        """Return the middle of the frost night, hours since 1970."""
        evening = self.history_end_h - FROST_DAYS_BEFORE_END * DAY_H
        return evening - evening % DAY_H + _FROST_SOLAR_HOUR - climate.longitude_deg / 15.0

    def cold_spell_k(self, climate: Climate, hours: Floats) -> Floats:
        """Return the frost night's cold air as a negative departure, K: a bell of about a day and a half."""
        return np.asarray(-_FROST_DIP_K * np.exp(-0.5 * ((hours - self.frost_hour(climate)) / _FROST_DIP_SIGMA_H) ** 2))

    def cloud_cover(self, days: Ints) -> Floats:
        """Return each day's cloud cover, 0 clear to 1 overcast; neighbouring days are alike."""
        parts = [draws.uniform(self._cloud_key, days - lag) for lag in range(3)]
        mean = 0.5 * parts[0] + 0.3 * parts[1] + 0.2 * parts[2]
        return np.asarray(np.clip(0.5 + 1.5 * (mean - 0.5), 0.0, 1.0))

    def daily_amplitude_k(self, climate: Climate, hours: Floats) -> Floats:
        """Return half the daily range of air temperature, K: wide under a clear sky, narrow under cloud."""
        # Knots at noon; between them a straight line, so that the wave never jumps.
        position = hours / DAY_H - 0.5
        day = np.floor(position).astype(np.int64)
        share = position - day
        cloud = (1.0 - share) * self.cloud_cover(day) + share * self.cloud_cover(day + 1)
        ordinary = _CLOUDY_AMPLITUDE_K + _CLEAR_EXTRA_K * (1.0 - cloud)
        # A cold front: cloud before, a clear calm night, cloud again after.
        away_h = hours - self.frost_hour(climate)
        front = 3.0 + 5.5 * np.exp(-0.5 * (away_h / 8.4) ** 2)
        weight = np.exp(-((away_h / 30.0) ** 4))
        return np.asarray((1.0 - weight) * ordinary + weight * front)

    def daily_crest_h(self, climate: Climate) -> float:
        """Return an hour at which the daily wave of air temperature has its crest."""
        return _WARMEST_SOLAR_HOUR - climate.longitude_deg / 15.0

    def rain_mm(self, climate: Climate, hours: Ints) -> Floats:
        """Return rain in the hour that begins at each of `hours`, mm."""
        hours = np.asarray(hours, dtype=np.int64)
        fallen = np.zeros(hours.shape)
        # A shower that began yesterday may reach into today.
        for back in (0, 1):
            day = hours // 24 - back
            start_h, length_h, depth_mm = self._shower(day)
            overlap = np.minimum(hours + 1, start_h + length_h) - np.maximum(hours, start_h)
            fallen += depth_mm * np.clip(overlap, 0.0, None) / length_h
        return np.asarray(climate.rain_factor * fallen)

    def _shower(self, day: Ints) -> tuple[Floats, Floats, Floats]:
        """Return start (hours since 1970), length (h) and depth (mm) of each day's rain; depth 0 on a dry day."""
        chance, start, length, depth = (draws.uniform(self._rain_key, 4 * day + part) for part in range(4))
        wet = chance < np.clip(1.6 * (self.cloud_cover(day) - 0.47), 0.0, 0.9)
        depth_mm = np.where(wet, -4.5 * np.log1p(-depth), 0.0)
        length_h = 1.0 + 9.0 * length
        end_day = self.history_end_h // 24
        storm = (end_day - day) % _STORM_EVERY_DAYS == _STORM_DAYS_BEFORE_END
        depth_mm = np.where(storm, _STORM_MM, depth_mm)
        length_h = np.where(storm, _STORM_HOURS, length_h)
        # Dry and clear from the day before the frost night to the day after it.
        dry = np.abs(end_day - FROST_DAYS_BEFORE_END - day) <= 1
        return 24.0 * (day + start), length_h, np.where(dry, 0.0, depth_mm)

    def reference_evapotranspiration_mm(self, climate: Climate, hours: Ints) -> Floats:
        """Return reference evapotranspiration of the hour that begins at each of `hours`, mm.

        Hargreaves' equation, FAO Irrigation and Drainage Paper 56 (Allen et al. 1998) eq. 52, from the day's mean
        and range, spread over daylight as a half cosine round 12:30 solar time. Coefficients from memory.
        """
        middle = np.asarray(hours, dtype=np.float64) + 0.5
        solar_hour = (middle + climate.longitude_deg / 15.0) % DAY_H
        noon = middle - solar_hour + 12.0
        slow = sum((wave.at(noon) for wave in self.waves), start=self.cold_spell_k(climate, noon))
        mean_degc = MEAN_AIR_DEGC + climate.mean_shift_k + climate.swing * slow
        range_k = 2.0 * climate.swing * self.daily_amplitude_k(climate, noon)
        daily_mm = 0.0023 * np.clip(mean_degc + 17.8, 0.0, None) * np.sqrt(range_k)
        daily_mm *= _extraterrestrial_radiation_mm(climate.latitude_deg, self._day_of_year(noon))
        profile = np.clip(np.cos(2.0 * np.pi * (solar_hour - 12.5) / DAY_H), 0.0, None) * np.pi / DAY_H
        return np.asarray(daily_mm * profile)

    def _day_of_year(self, hours: Floats) -> Floats:
        return np.asarray(_DAY_OF_YEAR_AT_END + (hours - self.history_end_h) / DAY_H)


def _extraterrestrial_radiation_mm(latitude_deg: float, day_of_year: Floats) -> Floats:
    """Return extraterrestrial radiation as evaporation, mm/day: FAO-56 eq. 21 to 25 (from memory), latitudes to 60."""
    angle = 2.0 * np.pi * day_of_year / 365.0
    distance = 1.0 + 0.033 * np.cos(angle)
    declination = 0.409 * np.sin(angle - 1.39)
    latitude = np.radians(latitude_deg)
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))
    energy = sunset * np.sin(latitude) * np.sin(declination)
    energy = energy + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return np.asarray(0.408 * 24.0 * 60.0 / np.pi * 0.0820 * distance * energy)
