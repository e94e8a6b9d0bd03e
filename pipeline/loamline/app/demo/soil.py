"""Soil of the demo: temperature by depth, and a water bucket of four layers per site.

Soil temperature: the surface's sine waves, damped by exp(-z/d) and delayed by z/d radians with the damping depth
d = sqrt(2 D / omega) (van Wijk & de Vries 1963, "Periodic temperature variations in a homogeneous soil").
Soil water: hourly bookkeeping of rain, irrigation, evapotranspiration and drainage, on the wilting point, field
capacity, saturation and saturated conductivity of Saxton & Rawls 2006 (Soil Sci. Soc. Am. J. 70:1569-1578).
Water contents are m3/m3, depths of water mm, depths in soil cm or m as the name says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from loamline.app.demo.draws import Floats
from loamline.app.demo.weather import DAY_H, MEAN_AIR_DEGC, Climate, Wave, Weather

#: The layers' lower bounds.
LAYER_BOTTOMS_CM = (8.0, 22.0, 50.0, 100.0)
_THICKNESS_MM = tuple(10.0 * (b - a) for a, b in zip((0.0, *LAYER_BOTTOMS_CM), LAYER_BOTTOMS_CM, strict=False))
_MIDDLES_CM = tuple((a + b) / 2 for a, b in zip((0.0, *LAYER_BOTTOMS_CM), LAYER_BOTTOMS_CM, strict=False))
#: Depletion fraction above which plants begin to close their stomata, FAO-56 chapter 8 (typical value).
_DEPLETION_FRACTION = 0.5
#: Share of the water above field capacity that drains in an hour at least, so that field capacity is reached in
#: about three days, as common practice has it.
_LEAST_DRAINAGE_PER_H = 0.03
#: The cold spell acts like a wave of about this period (2 pi times its bell's width).
_COLD_SPELL_PERIOD_H = 90.0


@dataclass(frozen=True, slots=True)
class Soil:
    """Water contents (m3/m3) at 1500, 33 and 0 kPa, and saturated conductivity (mm/h)."""

    wilting_point: float
    field_capacity: float
    saturation: float
    ksat_mm_h: float

    @property
    def residual(self) -> float:
        """The driest that evaporation leaves the top layer, m3/m3: half the wilting point (FAO-56 eq. 73)."""
        return 0.5 * self.wilting_point

    def conductivity_mm_h(self, vwc: float) -> float:
        """Return unsaturated conductivity, mm/h: Saxton & Rawls 2006 eq. 17 and 18 (numbers from memory)."""
        b = (math.log(1500.0) - math.log(33.0)) / (math.log(self.field_capacity) - math.log(self.wilting_point))
        return self.ksat_mm_h * float((vwc / self.saturation) ** (3.0 + 2.0 * b))


#: Saxton & Rawls 2006, Table 3 (2.5 % organic matter): % volume as fractions, mm/h.
USDA_SOILS = {
    "loamy sand": Soil(0.05, 0.12, 0.46, 96.7),
    "sandy loam": Soil(0.08, 0.18, 0.45, 50.3),
    "loam": Soil(0.14, 0.28, 0.46, 15.5),
    "silt loam": Soil(0.11, 0.31, 0.48, 16.1),
    "sandy clay loam": Soil(0.17, 0.27, 0.43, 11.3),
    "clay loam": Soil(0.22, 0.36, 0.48, 4.3),
}


@dataclass(frozen=True, slots=True)
class Irrigation:
    """`depth_mm` of water from `solar_hour` on, over `hours`, once the upper half metre lacks much of its store.

    `at_depletion` is that share of the water between wilting point and field capacity, 0 to 1.
    """

    solar_hour: int
    hours: int
    depth_mm: float
    at_depletion: float


@dataclass(frozen=True, slots=True)
class Ground:
    """What the bucket holds and loses: soil, scheme, crop coefficient (FAO-56 Kc), share of roots per layer."""

    soil: Soil
    irrigation: Irrigation | None
    crop_coefficient: float
    root_shares: tuple[float, float, float, float]


def damping_depth_m(thermal_diffusivity_m2_s: float, period_s: float) -> float:
    """Return the depth (m) at which a temperature wave has shrunk to 1/e: sqrt(2 D / omega)."""
    return math.sqrt(thermal_diffusivity_m2_s * period_s / math.pi)


def damping(thermal_diffusivity_m2_s: float, period_h: float, depth_m: float) -> tuple[float, float]:
    """Return (amplitude ratio to the surface, lag in hours) of a wave at a depth."""
    relative = depth_m / damping_depth_m(thermal_diffusivity_m2_s, period_h * 3600.0)
    return math.exp(-relative), relative * period_h / (2.0 * math.pi)


def soil_temperature_degc(weather: Weather, climate: Climate, hours: Floats, depth_m: float) -> Floats:
    """Return soil temperature (degC) at a depth for each hour."""
    hours = np.asarray(hours, dtype=np.float64)
    diffusivity = climate.thermal_diffusivity_m2_s
    departure = np.zeros(hours.shape)
    for wave in weather.waves:
        ratio, lag_h = damping(diffusivity, wave.period_h, depth_m)
        departure += ratio * wave.at(hours - lag_h)
    ratio, lag_h = damping(diffusivity, _COLD_SPELL_PERIOD_H, depth_m)
    departure += ratio * weather.cold_spell_k(climate, hours - lag_h)
    ratio, lag_h = damping(diffusivity, DAY_H, depth_m)
    earlier = hours - lag_h
    daily = Wave(DAY_H, climate.surface_factor, weather.daily_crest_h(climate)).at(earlier)
    departure += ratio * daily * weather.daily_amplitude_k(climate, earlier)
    return np.asarray(MEAN_AIR_DEGC + climate.mean_shift_k + climate.swing * departure)


def liquid_vwc_m3_m3(vwc_m3_m3: Floats, soil_temperature_degc: Floats) -> Floats:
    """Return the water a dielectric probe still sees: under 0 degC most turns to ice (an invented freezing curve)."""
    frozen = -np.expm1(np.minimum(soil_temperature_degc, 0.0) / 0.8)
    return np.asarray(vwc_m3_m3 * (1.0 - 0.7 * frozen))


class WaterBucket:
    """One site's soil water, hour by hour from `start_hour`; stepped on only as far as it is asked for."""

    def __init__(self, weather: Weather, climate: Climate, ground: Ground, start_hour: int) -> None:
        self._weather = weather
        self._climate = climate
        self._ground = ground
        self.start_hour = start_hour
        soil = ground.soil
        self._vwc = [soil.field_capacity - 0.3 * (soil.field_capacity - soil.wilting_point)] * 4
        self._series = np.array([self._vwc])
        self._irrigated_until = start_hour

    def layers_m3_m3(self, until_hour: int) -> Floats:
        """Return water content at start_hour, start_hour + 1, ... until_hour: shape (hours, 4)."""
        wanted = until_hour - self.start_hour + 1
        if wanted < 1:
            raise ValueError(f"expected an hour from {self.start_hour} on, where the bucket starts, got {until_hour}")
        if wanted > len(self._series):
            self._extend(wanted + 24)
        return self._series[:wanted]

    def vwc_m3_m3(self, hours: Floats, depth_cm: float) -> Floats:
        """Return water content at a depth for each hour, straight lines between layers' middles and hours."""
        hours = np.asarray(hours, dtype=np.float64)
        if not hours.size:
            return np.zeros(0)
        layers = self.layers_m3_m3(int(np.ceil(hours.max())) + 1)
        upper = int(np.clip(np.searchsorted(_MIDDLES_CM, depth_cm) - 1, 0, 2))
        share = (depth_cm - _MIDDLES_CM[upper]) / (_MIDDLES_CM[upper + 1] - _MIDDLES_CM[upper])
        share = min(max(share, 0.0), 1.0)
        at_depth = (1.0 - share) * layers[:, upper] + share * layers[:, upper + 1]
        return np.asarray(np.interp(hours - self.start_hour, np.arange(len(at_depth)), at_depth))

    def _extend(self, wanted: int) -> None:
        hours = self.start_hour + np.arange(len(self._series) - 1, wanted - 1)
        rain = self._weather.rain_mm(self._climate, hours).tolist()
        demand = self._weather.reference_evapotranspiration_mm(self._climate, hours).tolist()
        rows = []
        for hour, rain_mm, demand_mm in zip(hours.tolist(), rain, demand, strict=True):
            self._add(rain_mm + self._irrigate(hour))
            self._drain()
            self._transpire(self._ground.crop_coefficient * demand_mm)
            rows.append(list(self._vwc))
        self._series = np.concatenate([self._series, np.array(rows)])

    def _irrigate(self, hour: int) -> float:
        scheme = self._ground.irrigation
        if scheme is None:
            return 0.0
        solar_hour = int((hour + self._climate.longitude_deg / 15.0) % DAY_H)
        if solar_hour == scheme.solar_hour and self._depletion() >= scheme.at_depletion:
            self._irrigated_until = hour + scheme.hours
        return scheme.depth_mm / scheme.hours if hour < self._irrigated_until else 0.0

    def _depletion(self) -> float:
        soil = self._ground.soil
        store = soil.field_capacity - soil.wilting_point
        lacking = sum((soil.field_capacity - vwc) * mm for vwc, mm in zip(self._vwc[:3], _THICKNESS_MM, strict=False))
        return lacking / (store * sum(_THICKNESS_MM[:3]))

    def _add(self, water_mm: float) -> None:
        """Fill from the top; what no layer can hold runs off."""
        for layer, thickness in enumerate(_THICKNESS_MM):
            room = (self._ground.soil.saturation - self._vwc[layer]) * thickness
            taken = min(water_mm, room)
            self._vwc[layer] += taken / thickness
            water_mm -= taken

    def _drain(self) -> None:
        """Pass water above field capacity down, at the layer's conductivity or faster; the last layer drains freely."""
        soil = self._ground.soil
        for layer in (3, 2, 1, 0):
            excess = (self._vwc[layer] - soil.field_capacity) * _THICKNESS_MM[layer]
            if excess <= 0.0:
                continue
            flow = max(soil.conductivity_mm_h(self._vwc[layer]), _LEAST_DRAINAGE_PER_H * excess)
            moved = min(flow, 0.5 * excess)
            if layer < 3:
                moved = min(moved, (soil.saturation - self._vwc[layer + 1]) * _THICKNESS_MM[layer + 1])
                self._vwc[layer + 1] += moved / _THICKNESS_MM[layer + 1]
            self._vwc[layer] -= moved / _THICKNESS_MM[layer]

    def _transpire(self, demand_mm: float) -> None:
        """Take each layer's share, cut down by water stress as FAO-56 eq. 84 does, never below its floor."""
        soil = self._ground.soil
        store = soil.field_capacity - soil.wilting_point
        for layer, share in enumerate(self._ground.root_shares):
            floor = soil.residual if layer == 0 else soil.wilting_point
            stress = (self._vwc[layer] - floor) / ((1.0 - _DEPLETION_FRACTION) * store)
            wanted = demand_mm * share * min(max(stress, 0.0), 1.0)
            self._vwc[layer] = max(floor, self._vwc[layer] - wanted / _THICKNESS_MM[layer])
