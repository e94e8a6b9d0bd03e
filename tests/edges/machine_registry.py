"""Registry states of the probes of `derivation_machine`, which differ in what moves and revises figures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from hypothesis import strategies as st

from loamline.core.reference import RegistryState
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.registry import PlacementRow
from tests.edges.machine_air import PROBES, START
from tests.support.registry_rows import SITES, curve_rows, placement_row, probe_row

LONG_AGO = START - timedelta(days=400)
STRANGER = "02AA000000000004"


@dataclass(frozen=True)
class Told:
    """One registry state, by what of it changes."""

    moved_on_day: int = 3
    coefficients: tuple[float, ...] = (1, 30, 49)
    limits: str = "shipped"
    known: bool = True


STATES = st.builds(
    Told,
    moved_on_day=st.sampled_from([3, 9]),
    coefficients=st.sampled_from([(1, 30, 49), (1, 31, 48)]),
    limits=st.sampled_from(["shipped", "wide", "narrow"]),
    known=st.booleans(),
)

LIMITS = {
    "shipped": LimitsFile(),
    "wide": LimitsFile(
        limits=(LimitLayer(stuck_suspect_hours=30, stuck_fail_hours=200, largest_gap_minutes=400),),
        probe={"02AA000000000001": (LimitLayer(interval_minutes=15),)},
    ),
    "narrow": LimitsFile(
        limits=(LimitLayer(stuck_suspect_hours=2, stuck_fail_hours=6, largest_gap_minutes=90, spike_suspect=0.01),)
    ),
}


def registry_state(told: Told) -> RegistryState:
    """Return a registry of all probes but one, which is a stranger now and then; the first one was moved."""
    known = [dev_eui for dev_eui in PROBES if told.known or dev_eui != STRANGER]
    moved = START + timedelta(days=told.moved_on_day)
    first = next(iter(PROBES))
    return RegistryState(
        sites=SITES,
        probes=tuple(probe_row(dev_eui) for dev_eui in known),
        placements=(
            *(_placement(dev_eui, LONG_AGO, moved if dev_eui == first else None) for dev_eui in known),
            _placement(first, moved, None),
        ),
        curves=curve_rows(LONG_AGO, told.coefficients),
        limits=LIMITS[told.limits],
    )


def _placement(dev_eui: str, since: datetime, until: datetime | None) -> PlacementRow:
    return placement_row(dev_eui, f"since {since:%d}", since, until)
