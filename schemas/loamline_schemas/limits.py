"""Thresholds of the plausibility checks, as `limits.toml` declares them.

Four layers, each overriding the one before: `[limits]`, `[texture."..."]`, `[site."..."]`, `[probe."..."]`. A layer
that changed in the field is an array of tables, `[[limits]]`, `[[texture."..."]]`, each with its own `valid_from`; the
latest that has begun holds, alone.
The shipped defaults are common practice unless a source is named beside them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from loamline_schemas.grown import Grown
from loamline_schemas.uplink import Finite, Instant

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
    #: Share of a rise that is still there in the next sample where water drains; a spike leaves but its noise. In its
    #: first hour a pulse in sand keeps a third or more (tests/rates; Saxton & Rawls 2006's conductivity). 1: never ask.
    spike_kept_share: NotNegative = 0.25
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
    #: V. Of a Li-SOCl2 cell (IEC 60086-1 letter E, 3.6 V), from memory: a healthy one still gives 3.0 V at -40 degC
    #: under low current, and devices cut off at 2.5 to 3.0 V. Other cells: set both by probe.
    supply_suspect_v: Positive = 2.8
    supply_fail_v: Positive = 2.5
    #: V under the median of so many hours before. The plateau is flat within 0.1 to 0.2 V (from memory).
    supply_sag_v: Positive = 0.2
    #: hours. Three days leave a median alone when a day's readings sag.
    supply_window_hours: Positive = 72.0
    #: V per kelvin colder. Loaded voltage falls by 0.2 V from 20 to 0 degC, and again to -20 (from memory).
    supply_cold_v_per_k: NotNegative = 0.01
    #: Relative permittivity. Air has 1.0; oven-dry mineral soil 2.5 to 4 (quartz 4 to 5, half of it pores).
    contact_air_permittivity: Positive = 1.5
    #: hours. A full day of the temperature wave.
    contact_window_hours: Positive = 24.0
    #: kelvin from the day's lowest to its highest at the surface. Air in settled temperate weather: 10 to 15 K.
    contact_surface_swing_k: Positive = 16.0
    #: m2/s. The highest usual thermal diffusivity of soil: damping depth 0.148 m a day (van Wijk & de Vries 1963).
    contact_diffusivity_m2_s: Positive = 8e-7
    #: kelvin. A change of weather moves deep soil, and an overcast day air, by about this much.
    contact_least_swing_k: NotNegative = 3.0
    #: m3/m3 in an hour that roots and evaporation never take from the soil round a probe: several times its noise.
    fall_suspect_per_hour: Positive = 0.06
    fall_fail_per_hour: Positive = 0.20
    #: m3/m3. Soil that stood under this for days is not saturated (all 12 USDA classes: 0.43 up, Saxton & Rawls 2006).
    fall_drains_above: NotNegative = 0.35
    #: m3/m3 in an hour, more where it stood above. Loamy sand, the quickest of the 12 classes, drains 0.138 in its
    #: first hour from saturation, over 5 cm at unit gradient with the conductivity of Saxton & Rawls 2006.
    fall_drainage_per_hour: NotNegative = 0.14
    #: hours. What came within three days may go within an hour: through cracks, coarse pores, past a dripper.
    fall_memory_hours: Positive = 72.0
    #: hours. Water that is there again this soon never left: a fault that passes, told by other checks.
    fall_return_hours: Positive = 6.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for name in ("vwc_fail", "vwc_suspect", "temperature_fail"):
            low, high = getattr(self, name)
            if low >= high:
                raise ValueError(f"expected {name} = [low, high] with low under high, got [{low:g}, {high:g}]")
        for lesser, greater in (
            ("spike_suspect", "spike_fail"),
            ("stuck_suspect_hours", "stuck_fail_hours"),
            ("supply_fail_v", "supply_suspect_v"),
            ("fall_suspect_per_hour", "fall_fail_per_hour"),
        ):
            if getattr(self, lesser) > getattr(self, greater):
                raise ValueError(
                    f"expected {lesser} at most {greater}, got {getattr(self, lesser):g} and {getattr(self, greater):g}"
                )
        return self


#: What a layer could set when the first ones were stored, with their digests.
_FIRST_NAMES = {
    "vwc_fail",
    "vwc_suspect",
    "temperature_fail",
    "spike_suspect",
    "spike_fail",
    "largest_gap_minutes",
    "stuck_suspect_hours",
    "stuck_fail_hours",
    "stuck_counts",
    "stuck_temperature_k",
    "frost_at_degc",
    "frost_tolerance_k",
    "interval_minutes",
}


class LimitLayer(Grown):
    """Some of the thresholds of `Limits`, overriding those of the layer before from `valid_from` on."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    LATER: ClassVar[frozenset[str]] = frozenset({*Limits.model_fields, "valid_from"} - _FIRST_NAMES)

    vwc_fail: Span | None = None
    vwc_suspect: Span | None = None
    temperature_fail: Span | None = None
    spike_suspect: Positive | None = None
    spike_fail: Positive | None = None
    spike_kept_share: NotNegative | None = None
    largest_gap_minutes: Positive | None = None
    stuck_suspect_hours: Positive | None = None
    stuck_fail_hours: Positive | None = None
    stuck_counts: NotNegative | None = None
    stuck_temperature_k: Positive | None = None
    frost_at_degc: Finite | None = None
    frost_tolerance_k: NotNegative | None = None
    interval_minutes: Positive | None = None
    supply_suspect_v: Positive | None = None
    supply_fail_v: Positive | None = None
    supply_sag_v: Positive | None = None
    supply_window_hours: Positive | None = None
    supply_cold_v_per_k: NotNegative | None = None
    contact_air_permittivity: Positive | None = None
    contact_window_hours: Positive | None = None
    contact_surface_swing_k: Positive | None = None
    contact_diffusivity_m2_s: Positive | None = None
    contact_least_swing_k: NotNegative | None = None
    fall_suspect_per_hour: Positive | None = None
    fall_fail_per_hour: Positive | None = None
    fall_drains_above: NotNegative | None = None
    fall_drainage_per_hour: NotNegative | None = None
    fall_memory_hours: Positive | None = None
    fall_return_hours: Positive | None = None
    valid_from: Annotated[Instant | None, Field(description="since when this is true; empty: since ever")] = None

    def thresholds(self) -> dict[str, Any]:
        """Return the thresholds that this layer sets, by name."""
        return self.model_dump(exclude_none=True, exclude={"valid_from"})


def begun(layer: LimitLayer) -> datetime:
    """Return since when a layer holds; the first instant of all where it says none."""
    return layer.valid_from or datetime.min.replace(tzinfo=UTC)


def _one_or_several(told: object) -> object:
    if isinstance(told, LimitLayer):
        return (told,)
    # Validated here, so that a fault of the usual single table is told without a number that nobody wrote.
    return (LimitLayer.model_validate(told),) if isinstance(told, dict) else told


def _in_order(layers: tuple[LimitLayer, ...]) -> tuple[LimitLayer, ...]:
    ordered = tuple(sorted(layers, key=begun))
    for before, layer in pairwise(ordered):
        if before.valid_from == layer.valid_from:
            since = "since ever" if layer.valid_from is None else f"from {layer.valid_from.isoformat()} on"
            raise ValueError(f"expected one table {since}, got two")
    return ordered


#: One layer over time, the earliest first.
Layers = Annotated[
    tuple[LimitLayer, ...],
    BeforeValidator(_one_or_several, json_schema_input_type=LimitLayer | tuple[LimitLayer, ...]),
    AfterValidator(_in_order),
]


class LimitsFile(BaseModel):
    """The whole of `limits.toml`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    limits: Layers = (LimitLayer(),)
    texture: dict[str, Layers] = {}
    site: dict[str, Layers] = {}
    probe: dict[str, Layers] = {}
