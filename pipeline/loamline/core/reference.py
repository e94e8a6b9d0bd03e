"""The registry as the chain sees it: which record, placement, curves, soil, crop and limits hold for a sample.

A `Reference` is one state of the registry, compiled into columns; `resolve` looks up a whole batch of
samples at once. Rows are content-addressed: `Resolved` holds indices into a `Catalogue` shared by all states,
so that samples of different states sit in one batch.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import numpy as np
from pydantic import BaseModel

from loamline.core.columns import Ints, distinct
from loamline.core.limit_layers import layer_names, limits_over_time
from loamline.core.timeline import FOREVER, SINCE_EVER, Timeline, microseconds, span_us
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.limits import Limits, LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow

__all__ = ["Catalogue", "Interned", "Reference", "RegistryState", "Resolved", "Row", "microseconds"]

Row = TypeVar("Row", bound=BaseModel)


@dataclass(frozen=True)
class RegistryState:
    """Every row in force at one state of the registry; empty before anything was loaded."""

    sites: tuple[SiteRow, ...] = ()
    probes: tuple[ProbeRow, ...] = ()
    placements: tuple[PlacementRow, ...] = ()
    curves: tuple[Curve, ...] = ()
    limits: LimitsFile = field(default_factory=LimitsFile)
    soils: tuple[SoilRow, ...] = ()
    crops: tuple[CropRow, ...] = ()


class Interned(Generic[Row]):
    """Rows numbered in order of first sight, found again by content digest."""

    def __init__(self) -> None:
        #: What each row says but for its dates, as numbers; `core.staleness` keeps it.
        self.meanings: list[int] = []
        self.known_meanings: dict[str, int] = {}
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
    soil_layers: Interned[SoilRow] = field(default_factory=Interned[SoilRow])
    crops: Interned[CropRow] = field(default_factory=Interned[CropRow])


@dataclass(frozen=True)
class Resolved:
    """Catalogue indices for m samples, each shape (m,); -1 where the registry has none.

    `transducer` and `soil` are curves; `soil_layer` is the layer of the site's soil that holds the placement's depth.
    """

    probe: Ints
    placement: Ints
    transducer: Ints
    soil: Ints
    limits: Ints
    soil_layer: Ints
    crop: Ints


class Reference:
    """One registry state, compiled for look-ups. `probe_ids` maps dev_eui to the store's probe id."""

    def __init__(self, state: RegistryState, probe_ids: Mapping[str, int], catalogue: Catalogue) -> None:
        curves = _Curves(state, catalogue)
        limits = _LimitCodes(state.limits, catalogue)
        probes, places = state.probes, state.placements
        probe_id = [probe_ids[row.dev_eui] for row in probes]

        self._record = Timeline(
            (number, *span_us(row.valid_from), i) for i, (number, row) in enumerate(zip(probe_id, probes, strict=True))
        )
        self._probe = _column(catalogue.probes.add(row) for row in probes)
        self._hardware = _column(curves.code("transducer", None, row.hardware) for row in probes)
        # Of a probe that is registered at all, whichever record of it has begun.
        own = {number: limits.code(None, None, row.dev_eui) for number, row in zip(probe_id, probes, strict=True)}
        self._own_limits = Timeline((number, SINCE_EVER, FOREVER, code) for number, code in own.items())

        self._place = Timeline(
            (_key(probe_ids[row.dev_eui], row.depth_index), *span_us(row.valid_from, row.valid_to), i)
            for i, row in enumerate(places)
        )
        self._placement = _column(catalogue.placements.add(row) for row in places)
        self._place_limits = _column(limits.code(row.texture, row.site, row.dev_eui) for row in places)
        self._soil = _column(curves.code("soil", row.curve, row.texture) for row in places)
        self._any_limits = limits.code(None, None, None)
        self._limits, self._curve = limits.timeline(), curves.timeline()

        depths = _codes((row.site, row.depth_cm) for row in places)
        self._depth, self._soil_layer = _column(depths.of_rows), Timeline(_layers(depths, state.soils, catalogue))
        sites = _codes(row.site for row in places)
        self._site, self._crop = _column(sites.of_rows), Timeline(_crops(sites, state.crops, catalogue))
        over_time = (self._record, self._place, self._limits, self._curve, self._soil_layer, self._crop)
        self._bounds = np.unique(np.concatenate([timeline.bounds_us for timeline in over_time]))

    def resolve(self, probe_id: Ints, depth_index: Ints, measured_at_us: Ints) -> Resolved:
        """Return what holds for each sample at its instant; all arguments and results have shape (m,)."""
        # Between two bounds nothing changes, so that a stretch of samples is looked up once.
        stretch = self._stretch(measured_at_us)
        first, which = distinct(probe_id, depth_index, stretch)
        told = self._composed(probe_id[first], depth_index[first], measured_at_us[first])
        return Resolved(**{name: column[which] for name, column in vars(told).items()})

    def _stretch(self, at: Ints) -> Ints:
        if not len(at):
            return at
        low, high = np.searchsorted(self._bounds, [at.min(), at.max()], "right")
        return np.searchsorted(self._bounds[low:high], at, "right")

    def _composed(self, probe_id: Ints, depth_index: Ints, at: Ints) -> Resolved:
        record = self._record.at(probe_id, at)
        place = self._place.at(_key(probe_id, depth_index), at)
        limits = np.where(place >= 0, self._place_limits[place], self._own_limits.at(probe_id, at))
        return Resolved(
            probe=self._probe[record],
            placement=self._placement[place],
            transducer=self._curve.at(self._hardware[record], at),
            soil=self._curve.at(self._soil[place], at),
            limits=self._limits.at(np.where(limits >= 0, limits, self._any_limits), at),
            soil_layer=self._soil_layer.at(self._depth[place], at),
            crop=self._crop.at(self._site[place], at),
        )


class _LimitCodes:
    """A number for each set of layers, and what holds under it over time."""

    def __init__(self, file: LimitsFile, catalogue: Catalogue) -> None:
        self._file, self._catalogue = file, catalogue
        self._known: dict[tuple[str | None, ...], int] = {}

    def code(self, texture: str | None, site: str | None, dev_eui: str | None) -> int:
        """Return the number of the layers that concern a placement."""
        return self._known.setdefault(layer_names(self._file, texture, site, dev_eui), len(self._known))

    def timeline(self) -> Timeline:
        """Return the limits in the catalogue by number and instant."""
        return Timeline(
            (code, *span_us(since), self._catalogue.limits.add(limits))
            for (texture, site, dev_eui), code in self._known.items()
            for since, limits in limits_over_time(self._file, texture, site, dev_eui)
        )


class _Curves:
    """A number for each choice of a curve: a step, with a curve's own id or the name that it has to be for."""

    def __init__(self, state: RegistryState, catalogue: Catalogue) -> None:
        self._curves, self._catalogue = state.curves, catalogue
        self._named = {row.curve for row in state.placements}
        self._known: dict[tuple[str, str | None, str], int] = {}

    def code(self, step: str, own_id: str | None, name: str) -> int:
        """Return the number of a choice; where an id is given, no other curve takes its place."""
        return self._known.setdefault((step, own_id, "" if own_id is not None else name), len(self._known))

    def timeline(self) -> Timeline:
        """Return the curves in the catalogue by number and instant: the most preferred of those that have begun."""
        return Timeline(
            (code, since, FOREVER, self._catalogue.curves.add(curve))
            for (step, own_id, name), code in self._known.items()
            for since, curve in _best_over_time(self._candidates(step, own_id, name))
        )

    def _candidates(self, step: str, own_id: str | None, name: str) -> list[Curve]:
        """Return which curves can serve, the least preferred first."""
        of_step = [curve for curve in self._curves if curve.step == step]
        if own_id is not None:
            return sorted((c for c in of_step if c.id == own_id), key=lambda c: c.valid_from)
        # A curve that placements name is theirs; it serves others only where nothing else does.
        able = sorted((c for c in of_step if c.applies_to in (name, "*")), key=lambda c: c.id, reverse=True)
        return sorted(able, key=lambda c: (c.applies_to == name, c.valid_from, c.id not in self._named))


def _best_over_time(candidates: Sequence[Curve]) -> Iterator[tuple[int, Curve]]:
    """Yield each curve that ever holds, and since when; `candidates` come the least preferred first."""
    for since in sorted({curve.valid_from for curve in candidates}):
        yield microseconds(since), next(c for c in reversed(candidates) if c.valid_from <= since)


@dataclass(frozen=True)
class _Codes:
    """The distinct values of a column, and each row's number among them."""

    values: list[Any]
    of_rows: list[int]


def _codes(values: Iterable[Any]) -> _Codes:
    known: dict[Any, int] = {}
    return _Codes(of_rows=[known.setdefault(value, len(known)) for value in values], values=list(known))


def _layers(depths: _Codes, soils: Sequence[SoilRow], catalogue: Catalogue) -> Iterator[tuple[int, int, int, int]]:
    of_site = _by_site(soils)
    for code, (site, depth_cm) in enumerate(depths.values):
        for row in of_site[site]:
            if row.top_cm <= depth_cm < row.bottom_cm:
                yield code, *span_us(row.valid_from, row.valid_to), catalogue.soil_layers.add(row)


def _crops(sites: _Codes, crops: Sequence[CropRow], catalogue: Catalogue) -> Iterator[tuple[int, int, int, int]]:
    of_site = _by_site(crops)
    for code, site in enumerate(sites.values):
        for row in of_site[site]:
            yield code, *span_us(row.valid_from, row.valid_to), catalogue.crops.add(row)


def _by_site(rows: Iterable[Any]) -> Mapping[str, list[Any]]:
    found: dict[str, list[Any]] = defaultdict(list)
    for row in rows:
        found[row.site].append(row)
    return found


def _key(probe_id: Any, depth_index: Any) -> Any:
    return probe_id * 256 + depth_index


def _column(numbers: Iterable[int]) -> Ints:
    """Return a column with one row more, -1: index -1, which stands for no row, finds it."""
    return np.array([*numbers, -1], dtype=np.int64)
