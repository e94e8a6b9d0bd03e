"""The registry as the chain sees it: which record, placement, curves and limits hold for a sample.

A `Reference` is one state of the registry, compiled into columns; `resolve` looks up a whole batch of
samples at once. Rows are content-addressed: `Resolved` holds indices into a `Catalogue` shared by all states,
so that samples of different states sit in one batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Generic, TypeVar

import numpy as np
from pydantic import BaseModel

from loamline.core.columns import Ints
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.limits import Limits, LimitsFile
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow

Row = TypeVar("Row", bound=BaseModel)
_FOREVER = np.iinfo(np.int64).max


@dataclass(frozen=True)
class RegistryState:
    """Every row in force at one state of the registry; empty before anything was loaded."""

    sites: tuple[SiteRow, ...] = ()
    probes: tuple[ProbeRow, ...] = ()
    placements: tuple[PlacementRow, ...] = ()
    curves: tuple[Curve, ...] = ()
    limits: LimitsFile = field(default_factory=LimitsFile)


class Interned(Generic[Row]):
    """Rows numbered in order of first sight, found again by content digest."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.digests: list[str] = []
        self._index: dict[str, int] = {}

    def add(self, row: Row) -> int:
        """Return the row's number, new or known."""
        digest = content_digest(row)
        if digest not in self._index:
            self._index[digest] = len(self.rows)
            self.rows.append(row)
            self.digests.append(digest)
        return self._index[digest]


@dataclass
class Catalogue:
    """Everything that any state ever named."""

    probes: Interned[ProbeRow] = field(default_factory=Interned[ProbeRow])
    placements: Interned[PlacementRow] = field(default_factory=Interned[PlacementRow])
    curves: Interned[Curve] = field(default_factory=Interned[Curve])
    limits: Interned[Limits] = field(default_factory=Interned[Limits])


@dataclass(frozen=True)
class Resolved:
    """Catalogue indices for m samples, each shape (m,); -1 where the registry has none."""

    probe: Ints
    placement: Ints
    transducer: Ints
    soil: Ints
    limits: Ints


class Reference:
    """One registry state, compiled for look-ups. `probe_ids` maps dev_eui to the store's probe id."""

    def __init__(self, state: RegistryState, probe_ids: Mapping[str, int], catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._probes = {probe_ids[row.dev_eui]: row for row in state.probes}
        self._curves = state.curves
        self._named = {row.curve for row in state.placements}
        self._ladders: dict[tuple[str, str | None, str], list[tuple[int, int]]] = {}
        self._limits_of = _LimitLayers(state.limits)
        ids = np.array(sorted(self._probes), dtype=np.int64)
        self._probe_keys = ids
        self._probe_index = _indices(catalogue.probes.add(self._probes[i]) for i in ids.tolist())
        self._bare_limits = _indices(
            catalogue.limits.add(self._limits_of(None, None, self._probes[i].dev_eui)) for i in ids.tolist()
        )
        self._default_limits = catalogue.limits.add(self._limits_of(None, None, None))
        self._hardware = _codes(self._probes[i].hardware for i in ids.tolist())
        self._compile_placements(state.placements, probe_ids)

    def _compile_placements(self, rows: Sequence[PlacementRow], probe_ids: Mapping[str, int]) -> None:
        ordered = sorted(rows, key=lambda row: (probe_ids[row.dev_eui], row.depth_index, row.valid_from))
        self._keys = np.array([_key(probe_ids[row.dev_eui], row.depth_index) for row in ordered], dtype=np.int64)
        self._from = np.array([microseconds(row.valid_from) for row in ordered], dtype=np.int64)
        self._to = np.array(
            [_FOREVER if row.valid_to is None else microseconds(row.valid_to) for row in ordered], dtype=np.int64
        )
        self._placement_index = _indices(self._catalogue.placements.add(row) for row in ordered)
        self._placement_limits = _indices(
            self._catalogue.limits.add(self._limits_of(row.texture, row.site, row.dev_eui)) for row in ordered
        )
        self._soil_of = _codes((row.curve, row.texture) for row in ordered)

    def resolve(self, probe_id: Ints, depth_index: Ints, measured_at_us: Ints) -> Resolved:
        """Return what holds for each sample; all arguments and results have shape (m,)."""
        m = len(probe_id)
        place = self._place(_key(probe_id, depth_index), measured_at_us)
        placed = place >= 0
        at = np.searchsorted(self._probe_keys, probe_id)
        at = np.minimum(at, max(len(self._probe_keys) - 1, 0))
        known = self._probe_keys[at] == probe_id if len(self._probe_keys) else np.zeros(m, dtype=bool)

        probe = np.full(m, -1, dtype=np.int64)
        probe[known] = self._probe_index[at[known]]
        placement = np.full(m, -1, dtype=np.int64)
        placement[placed] = self._placement_index[place[placed]]
        limits = np.full(m, self._default_limits, dtype=np.int64)
        limits[known] = self._bare_limits[at[known]]
        limits[placed] = self._placement_limits[place[placed]]
        hardware = np.full(m, -1, dtype=np.int64)
        hardware[known] = self._hardware[1][at[known]]
        soil = np.full(m, -1, dtype=np.int64)
        soil[placed] = self._soil_of[1][place[placed]]
        return Resolved(
            probe,
            placement,
            self._curve("transducer", hardware, [(None, name) for name in self._hardware[0]], measured_at_us),
            self._curve("soil", soil, self._soil_of[0], measured_at_us),
            limits,
        )

    def _place(self, key: Ints, measured_at_us: Ints) -> Ints:
        """Return the position of the placement that holds each sample's instant, -1 for none."""
        found = np.full(len(key), -1, dtype=np.int64)
        first, last = np.searchsorted(self._keys, key, "left"), np.searchsorted(self._keys, key, "right")
        # Few probes ever moved: one turn a placement of the most moved probe.
        for turn in range(int((last - first).max(initial=0))):
            row = np.flatnonzero(first + turn < last)
            at = first[row] + turn
            holds = (self._from[at] <= measured_at_us[row]) & (measured_at_us[row] < self._to[at])
            found[row[holds]] = at[holds]
        return found

    def _curve(self, step: str, code: Ints, selectors: Sequence[Any], measured_at_us: Ints) -> Ints:
        """Return the curve in force for each sample: of the selectors' own id or name, else of "*"; the latest."""
        chosen = np.full(len(code), -1, dtype=np.int64)
        for number, (own_id, name) in enumerate(selectors):
            rows = np.flatnonzero(code == number)
            if not len(rows):
                continue
            for valid_from_us, curve in self._candidates(step, own_id, name):
                chosen[rows[measured_at_us[rows] >= valid_from_us]] = curve
        return chosen

    def _candidates(self, step: str, own_id: str | None, name: str) -> list[tuple[int, int]]:
        """Return since when, and which, curves can serve, the least preferred first."""
        key = (step, own_id, name)
        if key not in self._ladders:
            of_step = [curve for curve in self._curves if curve.step == step]
            if own_id is not None:
                ladder = sorted((c for c in of_step if c.id == own_id), key=lambda c: c.valid_from)
            else:
                # A curve that placements name is theirs; it serves others only where nothing else does.
                able = sorted((c for c in of_step if c.applies_to in (name, "*")), key=lambda c: c.id, reverse=True)
                ladder = sorted(able, key=lambda c: (c.applies_to == name, c.valid_from, c.id not in self._named))
            self._ladders[key] = [(microseconds(c.valid_from), self._catalogue.curves.add(c)) for c in ladder]
        return self._ladders[key]


class _LimitLayers:
    """Thresholds by layer: global < texture < site < probe."""

    def __init__(self, file: LimitsFile) -> None:
        self._file = file
        self._made: dict[tuple[str | None, str | None, str | None], Limits] = {}

    def __call__(self, texture: str | None, site: str | None, dev_eui: str | None) -> Limits:
        file = self._file
        key = (
            texture if texture in file.texture else None,
            site if site in file.site else None,
            dev_eui if dev_eui in file.probe else None,
        )
        if key not in self._made:
            layers = [
                file.limits,
                *([file.texture[key[0]]] if key[0] is not None else []),
                *([file.site[key[1]]] if key[1] is not None else []),
                *([file.probe[key[2]]] if key[2] is not None else []),
            ]
            told: dict[str, Any] = {}
            for layer in layers:
                told |= layer.model_dump(exclude_none=True)
            self._made[key] = Limits.model_validate(told)
        return self._made[key]


def resolve_limits(file: LimitsFile, texture: str | None, site: str | None, dev_eui: str | None) -> Limits:
    """Return the thresholds that hold for one placement; pydantic's ValidationError where layers contradict."""
    return _LimitLayers(file)(texture, site, dev_eui)


def microseconds(instant: datetime) -> int:
    """Return a UTC instant as whole microseconds since 1970, exactly."""
    whole = int(instant.replace(microsecond=0).timestamp())
    return whole * 1_000_000 + instant.microsecond


def _key(probe_id: Any, depth_index: Any) -> Any:
    return probe_id * 256 + depth_index


def _indices(numbers: Iterable[int]) -> Ints:
    return np.array(list(numbers), dtype=np.int64)


def _codes(values: Iterable[Any]) -> tuple[list[Any], Ints]:
    """Return the distinct values and each one's number among them."""
    known: dict[Any, int] = {}
    codes = np.array([known.setdefault(value, len(known)) for value in values], dtype=np.int64)
    return list(known), codes
