"""Frost across a window's ends: it holds until a full thaw, however long that takes and whatever lies between.

State at an instant is what the last reading with a temperature said, `fail` for frozen. Before a window it stands in
the store, since nothing there changes; behind it, stored readings change only where the state at its end does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from loamline.core.columns import Bools, Ints, group_starts, instants, ints, whole
from loamline.core.derive import Derived
from loamline.edges.store.connection import Store
from loamline.edges.store.tail import Tail
from loamline.edges.store.windows import EARLIEST_US, LATEST_US, Windows
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import Verdict

#: Whether a probe's depth is frozen, by probe id and depth index.
States = Mapping[tuple[int, int], bool]


@dataclass(frozen=True)
class _Rows:
    """The readings of a derivation, in order of series and instant; `index` is the window of each. All shape (m,)."""

    series: Ints
    at: Ints
    index: Ints
    flag: Ints
    told: Bools

    @classmethod
    def of(cls, derived: Derived, windows: Windows) -> _Rows:
        probe = ints(whole(derived.readings, "probe_id"))
        series = probe * 256 + ints(whole(derived.readings, "depth_index"))
        flag = ints(whole(derived.readings, "frost_flag"))
        at = instants(whole(derived.readings, "measured_at"))
        return cls(series, at, windows.index(probe), flag, flag != Verdict.MISSING)

    def last(self, which: Bools) -> dict[int, bool]:
        """Return by series whether the last of some of its readings, of those with a temperature, says frozen."""
        rows = np.flatnonzero(which & self.told)
        ends = np.append(group_starts(self.series[rows])[1:], True)[: len(rows)]
        last = rows[ends]
        return dict(zip(self.series[last].tolist(), (self.flag[last] == Verdict.FAIL).tolist(), strict=True))


def states_before(store: Store, derived: Derived, windows: Windows) -> States:
    """Return whether each depth was frozen at `sure_from` of its window, where something dirty hangs on that."""
    rows = _Rows.of(derived, windows)
    sure = rows.at > windows.sure_from[rows.index]
    index = np.arange(len(rows.at))
    start = np.maximum.accumulate(np.where(group_starts(rows.series), index, 0)) if len(index) else index
    decided = np.maximum.accumulate(np.where(derived.frost_decided & sure, index, -1)) if len(index) else index
    dirty = windows.dirty(rows.series // 256, rows.at)
    hangs = dirty & rows.told & (decided < start) & (windows.context_from[rows.index] > EARLIEST_US)
    series = np.unique(rows.series[hangs])
    return _stored(store, series, windows.sure_from[windows.index(series // 256)])


def told_otherwise(derived: Derived, windows: Windows, before: States) -> Bools:
    """Return the windows in which the readings up to `sure_from` don't come to the state that is stored, shape (p,).

    What stands there is cut off; where it misleads, the window has to reach further back.
    """
    rows = _Rows.of(derived, windows)
    told = rows.last(rows.at <= windows.sure_from[rows.index])
    wrong = [probe for (probe, depth), frozen in before.items() if told.get(probe * 256 + depth, frozen) != frozen]
    return np.isin(windows.probe_id, np.array(wrong, dtype=np.int64))


def carried_on(store: Store, derived: Derived, windows: Windows, tail: Tail | None) -> Bools:
    """Return the windows behind which stored readings change, since the state at their end does, shape (p,)."""
    none = np.zeros(len(windows.probe_id), dtype=bool)
    bounded = windows.of(windows.dirty_to < LATEST_US)
    if tail and len(bounded.probe_id) and tail.reaches(bounded.dirty_to).all():
        bounded = bounded.of(tail.followed(bounded))
    if not len(bounded.probe_id):
        return none
    con = store.con
    con.register("_window", bounded.table())
    found = con.execute(
        "SELECT DISTINCT probe_id, depth_index FROM reading JOIN _window USING (probe_id) "
        "WHERE measured_at > dirty_to AND measured_at > make_timestamptz(?)",
        [int(bounded.dirty_to.min())],
    ).fetchall()
    later = np.array(sorted(probe * 256 + depth for probe, depth in found), dtype=np.int64)
    held = _held(store, later) if len(later) else {}
    con.unregister("_window")
    if not len(later):
        return none
    rows = _Rows.of(derived, windows)
    told = rows.last(windows.dirty(rows.series // 256, rows.at))
    unsure = np.array([number for number in later.tolist() if (number in told) != (number in held)], dtype=np.int64)
    before = _stored(store, unsure, windows.dirty_from[windows.index(unsure // 256)] - 1)
    changed = []
    for number in later.tolist():
        first = before.get(divmod(number, 256), False)
        if told.get(number, first) != held.get(number, first):
            changed.append(number // 256)
    return np.isin(windows.probe_id, np.array(changed, dtype=np.int64))


def _held(store: Store, series: Ints) -> dict[int, bool]:
    """Return by series whether the last stored reading of its dirty span, of those with a temperature, says frozen."""
    con = store.con
    con.register("_series", _table(series))
    found = con.execute(
        "SELECT probe_id, depth_index, arg_max(frost_flag, measured_at) FROM reading JOIN _series "
        "USING (probe_id, depth_index) JOIN _window USING (probe_id) "
        "WHERE measured_at BETWEEN dirty_from AND dirty_to AND frost_flag <> ? GROUP BY ALL",
        [int(Verdict.MISSING)],
    ).fetchall()
    con.unregister("_series")
    return {probe * 256 + depth: flag == Verdict.FAIL for probe, depth, flag in found}


def _stored(store: Store, series: Ints, at_us: Ints) -> dict[tuple[int, int], bool]:
    """Return whether each series was frozen at an instant of its own, by what is stored up to it."""
    states = {divmod(number, 256): False for number in series.tolist()}
    if states:
        con = store.con
        at = pa.array(np.clip(at_us, EARLIEST_US, LATEST_US)).cast(INSTANT)
        con.register("_series", _table(series).append_column("until", at))
        found = con.execute(
            "SELECT probe_id, depth_index, arg_max(frost_flag, measured_at) FROM reading JOIN _series "
            "USING (probe_id, depth_index) WHERE measured_at <= until AND frost_flag <> ? GROUP BY ALL",
            [int(Verdict.MISSING)],
        ).fetchall()
        con.unregister("_series")
        states |= {(probe, depth): flag == Verdict.FAIL for probe, depth, flag in found}
    return states


def _table(series: Ints) -> pa.Table:
    return pa.table(
        {"probe_id": pa.array(series // 256, pa.int32()), "depth_index": pa.array(series % 256, pa.uint8())}
    )
