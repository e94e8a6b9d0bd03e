"""Whether a window's ends settle what lies in it, or the history beyond them has a say.

Samples may hang together past an end, so that they are one sample with others that were not read. Deliveries of one
uplink may. Frost is told separately (`frost_state`), since it lasts over any distance.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, instants, ints, whole
from loamline.core.derive import Derived
from loamline.core.identity import LINK_US
from loamline.edges.store.windows import EARLIEST_US, LATEST_US, Windows


def too_short(
    derived: Derived, deliveries: pa.Table, fresh: Bools, windows: Windows, complete: Bools
) -> tuple[Bools, Bools]:
    """Return which windows have to reach further back, and which further on; both of shape (p,).

    `fresh` tells which deliveries are new, shape (n,); `complete`, of which windows' probes every delivery of each
    uplink was read, wherever it stands, shape (p,).
    """
    before, after = np.zeros((2, len(windows.probe_id)), dtype=bool)
    _samples(derived, windows, before, after)
    _uplinks(derived, deliveries, fresh, windows, complete, before, after)
    # Beyond the first and the last instant that can be written there is nothing to read.
    return before & (windows.context_from > EARLIEST_US), after & (windows.heard_to < LATEST_US)


def _samples(derived: Derived, windows: Windows, before: Bools, after: Bools) -> None:
    index = windows.index(ints(whole(derived.readings, "probe_id")))
    first, last = derived.span_us
    # What the new samples join or leave may have its one reading anywhere in it: all of it must be dirty.
    touched = (last >= windows.touched_from[index]) & (first <= windows.touched_to[index])
    needed = (last >= windows.needed_from[index]) & (first <= windows.needed_to[index])
    before[index[touched & (first < windows.dirty_from[index])]] = True
    after[index[touched & (last > windows.dirty_to[index])]] = True
    before[index[needed & (first <= windows.sure_from[index])]] = True
    after[index[needed & (last >= windows.sure_to[index])]] = True


def _uplinks(
    derived: Derived,
    deliveries: pa.Table,
    fresh: Bools,
    windows: Windows,
    complete: Bools,
    before: Bools,
    after: Bools,
) -> None:
    uplinks = derived.uplinks
    index = windows.index(uplinks.probe_id)
    first = uplinks.heard_at_us
    new = np.zeros(len(first), dtype=bool)
    new[uplinks.uplink_of[fresh]] = True
    before[index[new & (first - derived.oldest_age_us < windows.dirty_from[index])]] = True
    last = first.copy()
    np.maximum.at(last, uplinks.uplink_of, instants(whole(deliveries, "heard_at")))
    chained = (last >= windows.heard_to[index] - LINK_US) & (first - windows.reach.age <= windows.needed_to[index])
    after[index[chained & ~complete[index]]] = True
