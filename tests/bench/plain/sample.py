"""One sample on its way through the chain."""

from __future__ import annotations

import math
from dataclasses import dataclass

from loamline_codecs import Codec
from loamline_schemas.limits import Limits
from tests.bench.plain.merging import Uplink
from tests.bench.plain.parsing import Figures
from tests.bench.plain.registry import Found

MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US


@dataclass(slots=True)
class Sample:
    """What was heard and looked up, then what is computed; instants in microseconds, NaN where there is no figure."""

    uplink: Uplink
    codec: Codec
    told: dict[str, float | None]
    figures: Figures
    measured_at_us: int
    state: int
    found: Found
    limits: Limits
    conflicts: int = 0
    x: float = math.nan
    permittivity: float = math.nan
    vwc_m3_m3: float = math.nan
    vwc_uncertainty_m3_m3: float = math.nan
    outside_transducer: bool = False
    outside_soil: bool = False
    plant_available_fraction: float | None = None
    zone: int | None = None

    @property
    def interval_minutes(self) -> float:
        """Minutes between two samples: as the payload says, else as the limits have it."""
        told = self.told.get("interval_minutes")
        return self.limits.interval_minutes if told is None else told

    @property
    def order(self) -> tuple[object, ...]:
        """The less aged counts, then the earlier heard, then the smaller uplink key."""
        return self.figures.age_minutes, self.uplink.heard_at_us, self.uplink.key
