"""Calibration curves as `curves.toml` declares them.

A curve's digest is over its canonical JSON (`loamline_schemas.digest`), so that two curves with the same
figures are the same curve wherever they were loaded.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from loamline_schemas.registry import Name
from loamline_schemas.uplink import Finite, Instant


class Curve(BaseModel):
    """One versioned calibration function of one variable.

    `step` transducer: corrected relative count x (0 in air, 1 in water) to relative permittivity.
    `step` soil: relative permittivity to volumetric water content in m3/m3.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    id: Name
    step: Literal["transducer", "soil"]
    kind: Literal["polynomial", "topp1980"]
    coefficients: Annotated[tuple[Finite, ...], Field(max_length=12, description="ascending powers")] = ()
    domain: Annotated[
        tuple[Finite, Finite], Field(description="[low, high] of the input; outside it the figure is null")
    ]
    applies_to: Annotated[str, Field(alias="for", description='hardware name or texture class; "*" any')] = "*"
    valid_from: Instant
    standard_error: Annotated[Finite | None, Field(gt=0, description="in the unit of the output")] = None
    source: str | None = None

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.domain[0] >= self.domain[1]:
            raise ValueError(f"expected domain [low, high] with low under high, got {list(self.domain)}")
        if self.kind == "polynomial" and not self.coefficients:
            raise ValueError("expected coefficients for kind polynomial, got none")
        if self.kind == "topp1980" and self.coefficients:
            raise ValueError("expected no coefficients for kind topp1980 (they are published), got some")
        if self.kind == "topp1980" and self.step != "soil":
            raise ValueError('expected step "soil" for kind topp1980, got "transducer"')
        return self


class CurveFile(BaseModel):
    """The whole of `curves.toml`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    curve: tuple[Curve, ...] = ()
