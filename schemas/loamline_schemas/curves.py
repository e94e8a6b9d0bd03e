"""Calibration curves as `curves.toml` declares them.

A curve's digest is over its canonical JSON (`loamline_schemas.digest`), so that two curves with the same
figures are the same curve wherever they were loaded. A domain that is not told is filled in before that:

| kind | domain where none is told | where it comes from |
| --- | --- | --- |
| topp1980, ledieu1986, malicki1996 | 1.8 to 81 | common practice: from air-dry mineral soil to free water |
| mixing | dry to saturated at 0 degC | the model itself: theta = 0 and theta = porosity |
| table | from the first point to the last | its points: nothing is extrapolated |
| polynomial | none | a fit holds where its points lay, and only its maker knows that |
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator

from loamline_schemas.grown import Grown
from loamline_schemas.registry import Name
from loamline_schemas.rising import not_rising, value
from loamline_schemas.uplink import Finite, Instant

Kind = Literal["topp1980", "ledieu1986", "malicki1996", "mixing", "polynomial", "table"]

#: The parameters of each kind; all of them are required, and no others are taken.
PARAMETERS: Mapping[str, tuple[str, ...]] = {
    "topp1980": (),
    "ledieu1986": (),
    "malicki1996": ("bulk_density_g_cm3",),
    "mixing": ("porosity", "solid_permittivity", "exponent"),
    "polynomial": ("coefficients",),
    "table": ("points",),
}

#: From air-dry mineral soil, relative permittivity 2 to 3.5, with some room, to free water, about 80 at 20 degC.
USUAL_DOMAIN = (1.8, 81.0)
#: Relative permittivity of water at 0 degC: Malmberg & Maryott 1956, J. Res. NBS 56:1-8. No liquid water has more.
WATER_PERMITTIVITY_0_DEGC = 87.740
#: How far a fitted polynomial may end outside 0..1 m3/m3: the published ones end up to 0.06 under 0 in dry soil, too.
#: It finds a curve in percent; single figures are for the range check.
FIT_SPILL_M3_M3 = 0.25
#: Nearer to 0 the powers of all permittivities come so close to 1 that rounding drowns the difference.
LEAST_EXPONENT = 0.01

#: Validation context for a curve that a store already holds: it was valid when it came, and figures cite it.
STORED: Mapping[str, bool] = {"stored": True}


def _told_domain(told: object) -> object:
    if told is None:
        raise ValueError("expected [low, high], between which the curve was fitted, got nothing")
    return told


def _not_required(schema: dict[str, Any]) -> None:
    schema["required"] = [name for name in schema["required"] if name != "domain"]


class Curve(Grown):
    """One versioned calibration function of one variable.

    `step` transducer: corrected relative count x (0 in air, 1 in water) to relative permittivity.
    `step` soil: relative permittivity to volumetric water content in m3/m3.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, json_schema_extra=_not_required)
    LATER: ClassVar[frozenset[str]] = frozenset(
        {"bulk_density_g_cm3", "porosity", "solid_permittivity", "exponent", "points"}
    )

    id: Name
    step: Literal["transducer", "soil"]
    kind: Kind
    coefficients: Annotated[tuple[Finite, ...], Field(max_length=12, description="ascending powers")] = ()
    domain: Annotated[
        tuple[Finite, Finite],
        BeforeValidator(_told_domain),
        Field(description="[low, high] of the input; outside it the figure is null"),
    ]
    applies_to: Annotated[str, Field(alias="for", description='hardware name or texture class; "*" any')] = "*"
    valid_from: Instant
    standard_error: Annotated[Finite | None, Field(gt=0, description="in the unit of the output")] = None
    source: str | None = None
    bulk_density_g_cm3: Annotated[
        Finite | None, Field(ge=0.2, le=2.65, description="dry soil, g/cm3: 0.2 is peat, 2.65 solid quartz")
    ] = None
    porosity: Annotated[Finite | None, Field(gt=0, lt=1, description="pores in the soil's volume, m3/m3")] = None
    solid_permittivity: Annotated[
        Finite | None, Field(gt=1, le=20, description="of the solids; minerals have 3.5 to 5")
    ] = None
    exponent: Annotated[
        Finite | None, Field(ge=-1, le=1, description="of the mixing rule, not 0; 0.5 is usual, 0.46 Roth et al. 1990")
    ] = None
    points: Annotated[
        tuple[tuple[Finite, Finite], ...] | None,
        Field(max_length=1000, description="[permittivity, vwc in m3/m3] of each, increasing in both"),
    ] = None

    @model_validator(mode="before")
    @classmethod
    def _usual_domain(cls, told: object) -> object:
        if not isinstance(told, dict) or told.get("domain") is not None:
            return told
        return {**told, "domain": _usual_domain(told)}

    @model_validator(mode="after")
    def _coherent(self, info: ValidationInfo) -> Self:
        if self.exponent is not None and abs(self.exponent) < LEAST_EXPONENT:
            raise ValueError(f"expected an exponent at least {LEAST_EXPONENT} away from 0, got {self.exponent:g}")
        if self.domain[0] >= self.domain[1]:
            raise ValueError(f"expected domain [low, high] with low under high, got {list(self.domain)}")
        self._only_its_parameters()
        if self.kind != "polynomial" and self.step != "soil":
            raise ValueError(f'expected step "soil" for kind {self.kind}, got "transducer"')
        if self.kind in ("ledieu1986", "malicki1996", "mixing") and self.domain[0] < 1:
            raise ValueError(f"expected a domain of permittivities, 1 or more, got {list(self.domain)}")
        if self.kind == "table":
            self._rising_points()
        if self.kind == "polynomial" and not (info.context or {}).get("stored"):
            self._rising_polynomial()
        return self

    def _only_its_parameters(self) -> None:
        for name in ("coefficients", "bulk_density_g_cm3", "porosity", "solid_permittivity", "exponent", "points"):
            told = getattr(self, name)
            missing = told is None or told == ()
            if name in PARAMETERS[self.kind] and missing:
                raise ValueError(f"expected {name} for kind {self.kind}, got none")
            if name not in PARAMETERS[self.kind] and not missing:
                why = "" if PARAMETERS[self.kind] else " (they are published)"
                got = "some" if isinstance(told, tuple) else f"{told:g}"
                raise ValueError(f"expected no {name} for kind {self.kind}{why}, got {got}")

    def _rising_points(self) -> None:
        points = self.points or ()
        if len(points) < 2:
            raise ValueError(f"expected points, 2 or more, got {len(points)}")
        for at, (permittivity, vwc) in enumerate(points):
            if permittivity < 1:
                raise ValueError(f"expected permittivities of 1 or more, got {permittivity:g} in point {at + 1}")
            if not 0 <= vwc <= 1:
                raise ValueError(f"expected water contents of 0 to 1 m3/m3, got {vwc:g} in point {at + 1}")
        for at, (before, after) in enumerate(pairwise(points)):
            if before[0] >= after[0] or before[1] >= after[1]:
                raise ValueError(
                    "expected points that increase in both permittivity and water content, "
                    f"got {list(before)} and {list(after)} in points {at + 1} and {at + 2}"
                )
        if self.domain[0] < points[0][0] or self.domain[1] > points[-1][0]:
            raise ValueError(
                f"expected a domain within the points, {points[0][0]:g} to {points[-1][0]:g}, got {list(self.domain)}"
            )

    def _rising_polynomial(self) -> None:
        low, high = self.domain
        if (how := not_rising(self.coefficients, low, high)) is not None:
            raise ValueError(
                f"expected a curve that increases all over its domain {list(self.domain)}, got one that {how}"
            )
        if self.step == "soil":
            for x in self.domain:
                vwc = value(self.coefficients, x)
                if not -FIT_SPILL_M3_M3 <= vwc <= 1 + FIT_SPILL_M3_M3:
                    raise ValueError(
                        f"expected water contents of 0 to 1 m3/m3 over the domain, got {vwc:.3g} at permittivity {x:g}"
                    )


def _usual_domain(told: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the domain of a curve that tells none, None where its kind has no usual one.

    Where kind or parameters are unfit, the domain doesn't matter: they are refused themselves.
    """
    kind = told.get("kind")
    try:
        if kind == "table":
            first, last = float(told["points"][0][0]), float(told["points"][-1][0])
            return (first, last) if first < last else USUAL_DOMAIN
        if kind == "mixing":
            return _dry_to_saturated(*(float(told[name]) for name in PARAMETERS["mixing"]))
    except (ArithmeticError, LookupError, TypeError, ValueError):
        return USUAL_DOMAIN
    return None if kind == "polynomial" else USUAL_DOMAIN


def _dry_to_saturated(porosity: float, solid_permittivity: float, exponent: float) -> tuple[float, float]:
    """Return the permittivity of dry and of saturated soil, rounded outwards to hundredths: so on any machine.

    `loamline.core.curves.mixing` has the formula and its source.
    """
    solids = (1 - porosity) * math.pow(solid_permittivity, exponent)
    dry = math.pow(solids + porosity, 1 / exponent)
    saturated = math.pow(solids + porosity * math.pow(WATER_PERMITTIVITY_0_DEGC, exponent), 1 / exponent)
    return max(1.0, math.floor(dry * 100) / 100), math.ceil(saturated * 100) / 100


class CurveFile(BaseModel):
    """The whole of `curves.toml`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    curve: tuple[Curve, ...] = ()
