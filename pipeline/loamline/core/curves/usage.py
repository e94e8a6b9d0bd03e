"""Who uses a curve: the placements, or for a transducer's the probes, and since when, by the chain's own look-up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from loamline.core.columns import Ints
from loamline.core.reference import Catalogue, Reference, RegistryState
from loamline.core.timeline import microseconds
from loamline_schemas.curves import Curve
from loamline_schemas.registry import PlacementRow, ProbeRow


@dataclass(frozen=True)
class Use:
    """A placement's or a probe record's use of a curve: from when until when (end excluded; None: open)."""

    row: PlacementRow | ProbeRow
    since: datetime
    until: datetime | None


def uses(curve: Curve, state: RegistryState) -> list[Use]:
    """Return each placement of a state whose readings a soil curve makes, or each probe with a transducer curve."""
    begins = sorted({one.valid_from for one in state.curves})
    if not begins:
        return []
    names = sorted({row.dev_eui for row in state.probes} | {row.dev_eui for row in state.placements})
    probe_ids = {name: at for at, name in enumerate(names)}
    catalogue = Catalogue()
    reference = Reference(state, probe_ids, catalogue)
    wanted = catalogue.curves.add(curve)
    found = []
    for row in _rows(curve, state):
        # Nothing is in force before the first curve: that is early enough where a row was true since ever.
        since, until = row.valid_from or begins[0], _end(row, state)
        edges = [since, *(begin for begin in begins if since < begin and (until is None or begin < until))]
        depth = row.depth_index if isinstance(row, PlacementRow) else 0
        resolved = reference.resolve(
            _all(probe_ids[row.dev_eui], len(edges)),
            _all(depth, len(edges)),
            np.array([microseconds(instant) for instant in edges], dtype=np.int64),
        )
        which = resolved.soil if curve.step == "soil" else resolved.transducer
        found += _spans(row, edges, until, (which == wanted).tolist())
    return found


def _rows(curve: Curve, state: RegistryState) -> Sequence[PlacementRow | ProbeRow]:
    """Return what may use a curve; a probe without a count in air reports permittivity itself."""
    if curve.step == "soil":
        return state.placements
    return [row for row in state.probes if row.air_count is not None]


def _spans(
    row: PlacementRow | ProbeRow, edges: Sequence[datetime], end: datetime | None, used: Iterable[bool]
) -> list[Use]:
    """Return the stretches of a row's time in which the curve is used, neighbours joined."""
    found: list[Use] = []
    for since, until, by_it in zip(edges, [*edges[1:], end], used, strict=True):
        if by_it and found and found[-1].until == since:
            found[-1] = Use(row, found[-1].since, until)
        elif by_it:
            found.append(Use(row, since, until))
    return found


def _end(row: PlacementRow | ProbeRow, state: RegistryState) -> datetime | None:
    """Return when a row ends: a probe's record holds until the next one of it."""
    if isinstance(row, PlacementRow):
        return row.valid_to
    later = (one.valid_from for one in state.probes if one.dev_eui == row.dev_eui)
    return min((at for at in later if at and (row.valid_from is None or at > row.valid_from)), default=None)


def _all(number: int, many: int) -> Ints:
    return np.full(many, number, dtype=np.int64)
