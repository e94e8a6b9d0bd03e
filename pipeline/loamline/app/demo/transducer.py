"""The calibration run backwards: water content -> relative permittivity -> count, with the noise of a real converter.

Forwards (loamline.core): x = (count - count_per_k (T - 20) - air_count) / (water_count - air_count), a polynomial of
the hardware gives the relative permittivity, a soil curve the water content. Here each polynomial is inverted
numerically, so that the demo's water content comes back through the chain to within the converter's resolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.app.demo.draws import Floats, Ints

#: Noise of one measurement: standard deviation in counts, and in relative permittivity for the probes that report it.
NOISE_COUNTS = 1.4
NOISE_PERMITTIVITY = 0.04
_TABLE_POINTS = 4096


class InversePolynomial:
    """The inverse of a polynomial that strictly increases over `domain` (refused where it does not)."""

    def __init__(self, coefficients: tuple[float, ...], domain: tuple[float, float]) -> None:
        self._coefficients = np.array(coefficients)
        self._slope = np.polynomial.polynomial.polyder(self._coefficients)
        self._inputs = np.linspace(*domain, _TABLE_POINTS)
        self._outputs = np.polynomial.polynomial.polyval(self._inputs, self._coefficients)
        if not np.all(np.diff(self._outputs) > 0.0):
            raise ValueError(
                f"expected a polynomial that increases over {list(domain)}, got coefficients {list(coefficients)}"
            )

    def __call__(self, outputs: Floats) -> Floats:
        """Return the input that gives each output, held to the domain's ends; error under 1e-9 of the domain."""
        held = np.clip(np.asarray(outputs, dtype=np.float64), self._outputs[0], self._outputs[-1])
        inputs = np.interp(held, self._outputs, self._inputs)
        # One Newton step takes the table's error (its spacing squared) down to rounding.
        inputs = inputs - (np.polynomial.polynomial.polyval(inputs, self._coefficients) - held) / (
            np.polynomial.polynomial.polyval(inputs, self._slope)
        )
        return np.asarray(inputs)


@dataclass(frozen=True, slots=True)
class Transducer:
    """A probe's factory record: counts in air and in water at 20 degC, and its drift in counts per kelvin."""

    air_count: float
    water_count: float
    count_per_k: float

    def count(self, x: Floats, soil_temperature_degc: Floats) -> Floats:
        """Return the unrounded count for a relative count x (0 in air, 1 in water)."""
        drift = self.count_per_k * (np.asarray(soil_temperature_degc) - 20.0)
        return np.asarray(self.air_count + np.asarray(x) * (self.water_count - self.air_count) + drift)


def quantised(counts: Floats) -> Ints:
    """Round to whole counts inside a 12-bit converter's range, whose topmost code means a fault."""
    return np.asarray(np.clip(np.rint(counts), 0, 4094), dtype=np.int64)
