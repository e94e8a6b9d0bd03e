"""What one probe measures at its k-th waking, k = 0 at the start of history: figures, flags, supply, session.

Every figure is a function of (seed, probe, k), so any waking can be asked for on its own, and an older sample
sent again by a version 3 payload says what it said the first time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.app.demo import draws
from loamline.app.demo.draws import Floats, Ints
from loamline.app.demo.fleet import (
    DYING_SINCE_DAYS,
    HISTORY_DAYS,
    REJOINED_SINCE_DAYS,
    SILENT_SINCE_DAYS,
    STUCK_SINCE_DAYS,
    TILTED_SINCE_DAYS,
    TRANSDUCER_CURVES,
    Probe,
)
from loamline.app.demo.soil import WaterBucket, liquid_vwc_m3_m3, soil_temperature_degc
from loamline.app.demo.transducer import NOISE_COUNTS, NOISE_PERMITTIVITY, quantised
from loamline.app.demo.weather import Weather

HOUR_MS = 3_600_000
#: Stands in `counts` for a transducer fault.
FAULT = -1
#: A dying probe's supply ends here and its transducer begins to fail under `_BROWNOUT_V`.
_DEAD_SUPPLY_V = 2.38
_BROWNOUT_V = 2.42
SUPPLY_LOW_V = 2.5
_SPIKE_SHARE = 0.025
_JITTER_MS = 9_000
#: The clock that wakes a probe is fixed within the hour, away from its ends so that no waking leaves its hour.
_EARLIEST_MS, _LATEST_MS = 60_000, 3_400_000


@dataclass(frozen=True, slots=True)
class Readings:
    """A probe's figures at n wakings and its d depths; counts and temperatures as the probe would report them.

    `counts` (n, d) int64, FAULT where the transducer failed, None for probes that report permittivity;
    `permittivity`, `soil_temperature_degc` and `vwc_m3_m3` (n, d), the last being the truth that the chain should
    find again; `conductivity_ds_m` (n, d) or None; `supply_v` (n,).
    """

    counts: Ints | None
    permittivity: Floats
    soil_temperature_degc: Floats
    conductivity_ds_m: Floats | None
    supply_v: Floats
    vwc_m3_m3: Floats


class ProbeSeries:
    """One probe's life from the start of history, on its site's bucket and weather."""

    def __init__(self, seed: int, probe: Probe, bucket: WaterBucket, weather: Weather) -> None:
        self.probe = probe
        self._bucket = bucket
        self._weather = weather
        start_h = weather.history_end_h - HISTORY_DAYS * 24
        self.start_ms = start_h * HOUR_MS
        self._keys = {
            name: draws.stream(seed, probe.dev_eui, name)
            for name in ("fixed", "jitter", "noise", "spike", "excursion", "supply", "fault")
        }
        fixed = draws.uniform(self._keys["fixed"], np.arange(12))
        self.offset_ms = int(_EARLIEST_MS + fixed[0] * (_LATEST_MS - _EARLIEST_MS))
        #: Hours since power-up at the start of history, and the messages sent in them.
        self.first_sample_counter = 500 + int(fixed[1] * 8000)
        statuses = 0 if probe.status_hour is None else self.first_sample_counter // 24
        self.first_fcnt = self.first_sample_counter + statuses
        self.dev_addrs = tuple(f"{0x00100000 + int(part * 0xFFFFF):08X}" for part in fixed[2:4])
        self._fresh_supply_v = 3.52 + 0.12 * float(fixed[4])
        self._wetness = fixed[6:12] - 0.5
        soil = probe.site.ground.soil
        self._driest, self._wettest = soil.residual, soil.saturation
        self._soil_inverse = probe.site.soil_curve.inverse()
        curve = TRANSDUCER_CURVES.get(probe.hardware)
        self._transducer_inverse = None if curve is None else curve.inverse()

    def waking_before_end(self, days: float) -> int:
        """Return the first waking at or after `days` before the end of history."""
        return round((HISTORY_DAYS - days) * 24)

    @property
    def rejoins_at(self) -> int | None:
        """The waking that begins a new session after a power-up, None where there is none."""
        return self.waking_before_end(REJOINED_SINCE_DAYS) if self.probe.character == "rejoined" else None

    @property
    def stops_at(self) -> int | None:
        """The first waking that never happens, None for a probe that lives on."""
        return self.waking_before_end(SILENT_SINCE_DAYS) if self.probe.character == "silent" else None

    def woken_ms(self, k: Ints) -> Ints:
        """Return when each waking's message is on the air, milliseconds since 1970."""
        jitter = (draws.uniform(self._keys["jitter"], k) * 2.0 - 1.0) * _JITTER_MS
        return np.asarray(self.start_ms + k * HOUR_MS + self.offset_ms + np.rint(jitter).astype(np.int64))

    def wakings_between(self, since_ms: int, until_ms: int) -> Ints:
        """Return every waking that may fall into [since, until), with one to spare on either side."""
        first = max((since_ms - self.start_ms) // HOUR_MS - 1, 0)
        last = (until_ms - self.start_ms) // HOUR_MS + 1
        if self.stops_at is not None:
            last = min(last, self.stops_at)
        return np.arange(first, max(last, first), dtype=np.int64)

    def tilted(self, k: int) -> bool:
        """Say whether the accelerometer calls the probe not upright."""
        return self.probe.character == "tilted" and k >= self.waking_before_end(TILTED_SINCE_DAYS)

    def readings(self, k: Ints) -> Readings:
        """Return the figures of wakings `k`, shape (n,)."""
        probe = self.probe
        width = len(probe.depths_cm)
        thermistors_cm = self._thermistor_depths_cm()
        temperature = self._temperature_degc(self.woken_ms(k) / HOUR_MS, thermistors_cm)
        supply_v = self._supply_v(k, temperature[:, 0])
        # A stuck transducer says for ever what it said when it froze; its thermistor lives on.
        live_k = np.minimum(k, self.waking_before_end(STUCK_SINCE_DAYS)) if probe.character == "stuck" else k
        live_hours = self.woken_ms(live_k) / HOUR_MS
        vwc = np.column_stack([self._water(live_hours, index) for index in range(width)])
        permittivity = self._soil_inverse(liquid_vwc_m3_m3(vwc, self._temperature_degc(live_hours, probe.depths_cm)))
        noise = draws.normal(self._keys["noise"], live_k[:, None] * width + np.arange(width))
        if probe.transducer is None or self._transducer_inverse is None:
            conductivity = 0.75 * probe.site.pore_water_ds_m * vwc**1.4 if probe.conductivity else None
            permittivity = permittivity + NOISE_PERMITTIVITY * noise
            return Readings(None, permittivity, temperature, conductivity, supply_v, vwc)
        exact = probe.transducer.count(
            self._transducer_inverse(permittivity), self._temperature_degc(live_hours, thermistors_cm)
        )
        counts = quantised(exact + NOISE_COUNTS * noise + self._excursions(k, width))
        if probe.character == "dying battery":
            fails = (supply_v < _BROWNOUT_V) & (draws.uniform(self._keys["fault"], k) < 0.4)
            counts[fails] = FAULT
        return Readings(counts, permittivity, temperature, None, supply_v, vwc)

    def _thermistor_depths_cm(self) -> tuple[int, ...]:
        """One thermistor at the upper depth in version 2 probes, one at each depth in the others."""
        depths = self.probe.depths_cm
        return (depths[0],) * len(depths) if self.probe.hardware == "P2" else depths

    def _temperature_degc(self, hours: Floats, depths_cm: tuple[int, ...]) -> Floats:
        """Return soil temperature at each depth, shape (n, d)."""
        climate = self.probe.site.climate
        return np.column_stack(
            [soil_temperature_degc(self._weather, climate, hours, depth_cm / 100.0) for depth_cm in depths_cm]
        )

    def _water(self, hours: Floats, depth_index: int) -> Floats:
        """Return the site's water at one depth, a little wetter or drier where this probe sits."""
        vwc = self._bucket.vwc_m3_m3(hours, self.probe.depths_cm[depth_index])
        room = np.minimum(vwc - self._driest, self._wettest - vwc)
        return np.asarray(vwc + 0.25 * self._wetness[depth_index] * np.clip(room, 0.0, 0.12))

    def _supply_v(self, k: Ints, soil_temperature_degc: Floats) -> Floats:
        """Return the supply during the measurement, V: a lithium cell, flat for years, a little lower in the cold."""
        supply = self._fresh_supply_v + 0.002 * (soil_temperature_degc - 20.0)
        if self.probe.character == "dying battery":
            first = self.waking_before_end(DYING_SINCE_DAYS)
            share = np.clip((k - first) / (DYING_SINCE_DAYS * 24.0), 0.0, 1.0)
            supply = supply + share**1.5 * (_DEAD_SUPPLY_V - supply)
        return np.asarray(supply + 0.004 * draws.normal(self._keys["supply"], k))

    def _excursions(self, k: Ints, width: int) -> Floats:
        """Return counts added at each waking and depth: zero but for a spiking probe's upper depth."""
        added = np.zeros((len(k), width))
        if self.probe.character == "spiking":
            # Even wakings only, so that both neighbours of a spike are sound.
            hit = (k % 2 == 0) & (draws.uniform(self._keys["spike"], k) < 2.0 * _SPIKE_SHARE)
            size = draws.uniform(self._keys["excursion"], k)
            added[:, 0] = np.where(hit, np.where(size < 0.5, -420.0 - 500.0 * size, 200.0 + 500.0 * size), 0.0)
        return added
