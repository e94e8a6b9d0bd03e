"""What the registry says of one sample: rows looked up in lists, one sample at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from loamline.core.reference import RegistryState
from loamline_schemas.curves import Curve
from loamline_schemas.digest import content_digest
from loamline_schemas.limits import LimitLayer, Limits

EVER, FOREVER = -(1 << 63), (1 << 63) - 1


def microseconds(instant: datetime) -> int:
    """Return an instant as microseconds since 1970."""
    return int(instant.replace(microsecond=0).timestamp()) * 1_000_000 + instant.microsecond


class Held(NamedTuple):
    """A row, its content digest, and from when to when it holds (end excluded), microseconds since 1970."""

    row: Any
    digest: str
    from_us: int
    to_us: int


class Found(NamedTuple):
    """What holds for one sample; None where the registry has none."""

    record: Held | None
    placement: Held | None
    transducer: Held | None
    soil: Held | None
    limits: Held
    layer: Held | None
    crop: Held | None


@dataclass(frozen=True)
class _Layer:
    """The same thresholds over time: those that a layer sets, with their instants."""

    from_us: int
    thresholds: Mapping[str, Any]


class Registry:
    """One state of the registry; `dev_eui_of` names the probes by the store's number."""

    def __init__(self, state: RegistryState, dev_eui_of: Mapping[int, str]) -> None:
        self._dev_eui_of = dev_eui_of
        self._records = _by(state.probes, lambda row: row.dev_eui)
        self._placements = _by(state.placements, lambda row: (row.dev_eui, row.depth_index))
        self._soils = _by(state.soils, lambda row: row.site)
        self._crops = _by(state.crops, lambda row: row.site)
        self._curves = [_held(curve) for curve in state.curves]
        self._named = {row.curve for row in state.placements}
        file = state.limits
        self._everywhere = _layers(file.limits)
        self._by_name = [
            {name: _layers(told) for name, told in of_name.items()} for of_name in (file.texture, file.site, file.probe)
        ]
        self._chosen: dict[tuple[str, str | None, str], list[Held]] = {}
        self._limits: dict[tuple[int, ...], Held] = {}

    def found(self, probe_id: int, depth_index: int, at_us: int) -> Found:
        """Return what holds for a sample at its instant."""
        dev_eui = self._dev_eui_of.get(probe_id)
        record = _latest(self._records.get(dev_eui, ()), at_us)
        placement = _latest(self._placements.get((dev_eui, depth_index), ()), at_us)
        transducer = None if record is None else self._curve("transducer", None, record.row.hardware, at_us)
        if placement is None:
            # Its own limits count for a probe that is registered at all, whichever record of it has begun.
            limits = self.limits(None, None, dev_eui if dev_eui in self._records else None, at_us)
            return Found(record, None, transducer, None, limits, None, None)
        place = placement.row
        within = [
            held for held in self._soils.get(place.site, ()) if held.row.top_cm <= place.depth_cm < held.row.bottom_cm
        ]
        return Found(
            record,
            placement,
            transducer,
            self._curve("soil", place.curve, place.texture, at_us),
            self.limits(place.texture, place.site, dev_eui, at_us),
            _latest(within, at_us),
            _latest(self._crops.get(place.site, ()), at_us),
        )

    def limits(self, texture: str | None, site: str | None, dev_eui: str | None, at_us: int) -> Held:
        """Return the thresholds: global < texture < site < probe, and of each the latest that has begun."""
        picked = [_begun(self._everywhere, at_us)]
        for of_name, name in zip(self._by_name, (texture, site, dev_eui), strict=True):
            picked.append(_begun(of_name[name], at_us) if name in of_name else None)
        key = tuple(0 if layer is None else id(layer) for layer in picked)
        if key not in self._limits:
            told: dict[str, Any] = {}
            for layer in picked:
                told |= layer.thresholds if layer is not None else {}
            limits = Limits.model_validate(told)
            self._limits[key] = Held(limits, content_digest(limits), EVER, FOREVER)
        return self._limits[key]

    def _curve(self, step: str, own_id: str | None, name: str, at_us: int) -> Held | None:
        """Return the best of the curves that can serve and have begun."""
        key = (step, own_id, name)
        if key not in self._chosen:
            able = [held for held in self._curves if held.row.step == step and _serves(held.row, own_id, name)]
            # The best first: made for this very name, the newest, named by no placement, the first by id.
            able.sort(key=lambda held: held.row.id)
            able.sort(
                key=lambda held: (
                    (held.row.applies_to == name, held.from_us, held.row.id not in self._named)
                    if own_id is None
                    else held.from_us
                ),
                reverse=True,
            )
            self._chosen[key] = able
        return next((held for held in self._chosen[key] if held.from_us <= at_us), None)


def _serves(curve: Curve, own_id: str | None, name: str) -> bool:
    return curve.id == own_id if own_id is not None else curve.applies_to in (name, "*")


def _by(rows: Iterable[Any], key: Any) -> dict[Any, list[Held]]:
    """Return rows by key, the newest first."""
    found: dict[Any, list[Held]] = defaultdict(list)
    for row in rows:
        found[key(row)].append(_held(row))
    for held in found.values():
        held.sort(key=lambda one: one.from_us)
        held.reverse()
    return dict(found)


def _held(row: Any) -> Held:
    valid_from, valid_to = getattr(row, "valid_from", None), getattr(row, "valid_to", None)
    return Held(
        row,
        content_digest(row),
        EVER if valid_from is None else microseconds(valid_from),
        FOREVER if valid_to is None else microseconds(valid_to),
    )


def _latest(newest_first: Iterable[Held], at_us: int) -> Held | None:
    """Return the row that began last, if it still holds: one that began later ends the one before."""
    for held in newest_first:
        if held.from_us <= at_us:
            return held if at_us < held.to_us else None
    return None


def _layers(told: Iterable[LimitLayer]) -> list[_Layer]:
    return [
        _Layer(EVER if layer.valid_from is None else microseconds(layer.valid_from), layer.thresholds())
        for layer in told
    ]


def _begun(layers: list[_Layer], at_us: int) -> _Layer | None:
    begun = [layer for layer in layers if layer.from_us <= at_us]
    return begun[-1] if begun else None
