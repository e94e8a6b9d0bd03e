"""Revisions: which registry state a stored sample is derived under, once somebody has asked to recalculate.

A sample comes under the registry state in force when its uplink came. A revision lifts what it covers to a later state.
States are numbered in the order in which we were told, so that the state in force is the greatest of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from loamline.core.columns import Ints


@dataclass(frozen=True)
class Revision:
    """One applied revision: its registry state, and the spans that it covers, each of shape (p,).

    `probe_id` is ascending; instants are microseconds since 1970, end points included; one span a probe.
    """

    reference_id: int
    probe_id: Ints
    measured_from_us: Ints
    measured_to_us: Ints

    def covers(self, probe_id: Ints, measured_at_us: Ints) -> Ints:
        """Return the positions of the samples that it covers, of m given ones."""
        if not len(self.probe_id):
            return np.empty(0, dtype=np.int64)
        at = np.minimum(np.searchsorted(self.probe_id, probe_id), len(self.probe_id) - 1)
        covered = self.probe_id[at] == probe_id
        covered &= (self.measured_from_us[at] <= measured_at_us) & (measured_at_us <= self.measured_to_us[at])
        return np.flatnonzero(covered)


@dataclass(frozen=True)
class Revisions:
    """The revisions in force."""

    applied: Sequence[Revision] = field(default_factory=tuple)

    def reference(self, probe_id: Ints, measured_at_us: Ints, told: Ints) -> Ints:
        """Return the registry state of each sample; all columns have shape (m,).

        `told` is the state in force when the sample's uplink came.
        """
        state = np.array(told, dtype=np.int64)
        for revision in self.applied:
            covered = revision.covers(probe_id, measured_at_us)
            state[covered] = np.maximum(state[covered], revision.reference_id)
        return state
