"""Thresholds of the plausibility checks, as `limits.toml` declares them.

Four layers, each overriding the one before: `[limits]`, `[texture."..."]`, `[site."..."]`, `[probe."..."]`.
The shipped defaults are common practice unless a source is named beside them.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from loamline_schemas.uplink import Finite

Span = tuple[Finite, Finite]
Positive = Annotated[Finite, Field(gt=0)]
NotNegative = Annotated[Finite, Field(ge=0)]


class Limits(BaseModel):
    """One complete set of thresholds; end points pass, as QARTOD has it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    #: m3/m3. Below zero by two standard errors of Topp et al. 1980 (0.013), since a dry soil may read a little
    #: under nothing; above, more than any mineral soil's pore space.
    vwc_fail: Span = (-0.03, 0.70)
    #: m3/m3. Drier than air-dry sand or wetter than the saturation of all 12 USDA classes (Saxton & Rawls 2006).
    vwc_suspect: Span = (0.02, 0.55)
    #: degC. Colder or hotter than soil gets at any depth where a probe is of use.
    temperature_fail: Span = (-40.0, 65.0)
    #: m3/m3. Several times the noise of a buried probe, far under what a single hour can bring and take away.
    spike_suspect: Positive = 0.05
    spike_fail: Positive = 0.15
    #: minutes. Two and a half intervals of an hourly probe: one lost uplink still leaves neighbours.
    largest_gap_minutes: Positive = 150.0
    #: hours. A full day passes through every phase of the soil's temperature wave; three rule out calm weather.
    stuck_suspect_hours: Positive = 24.0
    stuck_fail_hours: Positive = 72.0
    #: counts. The resolution: a live transducer's noise moves it by more within a day.
    stuck_counts: NotNegative = 1.0
    #: kelvin. The temperature has to move by more than this before an unmoved count is worth a word.
    stuck_temperature_k: Positive = 1.0
    #: degC. Ice has 1/25 of water's permittivity, so a frozen soil reads falsely dry.
    frost_at_degc: Finite = 0.0
    #: kelvin. The tolerance of a common NTC thermistor round 0 degC.
    frost_tolerance_k: NotNegative = 0.5
    #: minutes between two samples where the payload does not say.
    interval_minutes: Positive = 60.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for name in ("vwc_fail", "vwc_suspect", "temperature_fail"):
            low, high = getattr(self, name)
            if low >= high:
                raise ValueError(f"expected {name} = [low, high] with low under high, got [{low:g}, {high:g}]")
        for lesser, greater in (("spike_suspect", "spike_fail"), ("stuck_suspect_hours", "stuck_fail_hours")):
            if getattr(self, lesser) > getattr(self, greater):
                raise ValueError(
                    f"expected {lesser} at most {greater}, got {getattr(self, lesser):g} and {getattr(self, greater):g}"
                )
        return self


class LimitLayer(BaseModel):
    """Some of the thresholds of `Limits`, overriding those of the layer before."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    vwc_fail: Span | None = None
    vwc_suspect: Span | None = None
    temperature_fail: Span | None = None
    spike_suspect: Positive | None = None
    spike_fail: Positive | None = None
    largest_gap_minutes: Positive | None = None
    stuck_suspect_hours: Positive | None = None
    stuck_fail_hours: Positive | None = None
    stuck_counts: NotNegative | None = None
    stuck_temperature_k: Positive | None = None
    frost_at_degc: Finite | None = None
    frost_tolerance_k: NotNegative | None = None
    interval_minutes: Positive | None = None


class LimitsFile(BaseModel):
    """The whole of `limits.toml`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    limits: LimitLayer = LimitLayer()
    texture: dict[str, LimitLayer] = {}
    site: dict[str, LimitLayer] = {}
    probe: dict[str, LimitLayer] = {}
