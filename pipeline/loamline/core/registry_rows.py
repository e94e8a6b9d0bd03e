"""A registry state as rows that a person can tell apart: what names each row, what it says, when it holds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import zip_longest
from typing import Any, Literal, TypeVar

from pydantic import BaseModel

from loamline.core.reference import RegistryState
from loamline_schemas.limits import LimitLayer, begun

#: By the store's name of a table, the fields that name a row in it; no two rows of one state have all of them equal.
KEYS: dict[str, tuple[str, ...]] = {
    "site": ("site",),
    "probe": ("dev_eui", "valid_from"),
    "placement": ("dev_eui", "depth_index", "valid_from"),
    "curve": ("id", "valid_from"),
    "limits": ("layer", "name", "valid_from"),
    "soil": ("site", "top_cm", "bottom_cm", "valid_from"),
    "crop": ("site", "valid_from"),
}
_FIRST = datetime.min.replace(tzinfo=UTC)
Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class NamedRow:
    """One row: its table, the fields that name it and the others; dates that are open are None."""

    table: str
    key: Mapping[str, Any]
    says: Mapping[str, Any]


@dataclass(frozen=True)
class RowChange:
    """What became of one row; `fields` holds, by name, what each field was and is (None: nothing)."""

    table: str
    change: Literal["added", "ended", "changed"]
    key: Mapping[str, Any]
    fields: Mapping[str, tuple[Any, Any]]


def named(table: str, row: BaseModel, **more: Any) -> NamedRow:
    """Return a row of a table; `more` are fields that only the store knows, such as a limit layer's name."""
    told = {**more, **row.model_dump(by_alias=True)}
    if "valid_from" in KEYS[table]:
        told.setdefault("valid_from", None)
    key = {name: told.pop(name) for name in KEYS[table]}
    return NamedRow(table, key, told)


def rows(state: RegistryState) -> list[NamedRow]:
    """Return every row of a state, table by table, in order of what names them."""
    found = [
        *(named("site", row) for row in state.sites),
        *(named("probe", row) for row in state.probes),
        *(named("placement", row) for row in state.placements),
        *(named("curve", row) for row in state.curves),
        # An undated layer that sets nothing is what a file without it has: no row that anyone wrote.
        *(
            limit_row(layer, name, told)
            for layer, name, every in _limit_layers(state)
            for told in every
            if told.thresholds() or told.valid_from
        ),
        *(named("soil", row) for row in state.soils),
        *(named("crop", row) for row in state.crops),
    ]
    order = list(KEYS)
    return sorted(found, key=lambda row: (order.index(row.table), sortable(row.key)))


def limit_row(layer: str, name: str, told: LimitLayer) -> NamedRow:
    """Return a layer of limits, only with the thresholds that it sets."""
    key = {"layer": layer, "name": name, "valid_from": told.valid_from}
    return NamedRow("limits", key, told.thresholds())


def sortable(key: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return what rows of one table are ordered by: an open beginning comes first."""
    return tuple(_FIRST if value is None else value for value in key.values())


def true_at(state: RegistryState, instant: datetime) -> RegistryState:
    """Return the rows of a state that hold at one instant; sites always do."""
    file = state.limits
    return replace(
        state,
        probes=_latest(state.probes, instant, lambda row: row.dev_eui),
        placements=tuple(row for row in state.placements if _holds(row, instant)),
        curves=_latest(state.curves, instant, lambda row: row.id),
        limits=file.model_copy(
            update={
                "limits": _begun(file.limits, instant),
                **{
                    layer: {name: told for name, every in of_name.items() if (told := _begun(every, instant))}
                    for layer, of_name in (("texture", file.texture), ("site", file.site), ("probe", file.probe))
                },
            }
        ),
        soils=tuple(row for row in state.soils if _holds(row, instant)),
        crops=tuple(row for row in state.crops if _holds(row, instant)),
    )


def differences(before: RegistryState, after: RegistryState) -> list[RowChange]:
    """Return what was added, ended and changed from one state to another, in order of table and name."""
    old, new = _by_name(rows(before)), _by_name(rows(after))
    order = list(KEYS)
    found = []
    for name in sorted({*old, *new}, key=lambda name: (order.index(name[0]), name[1])):
        # A state that was never checked may hold a name twice: what is equal is no change, the rest in order.
        gone = [row for row in old.get(name, []) if row not in new.get(name, [])]
        come = [row for row in new.get(name, []) if row not in old.get(name, [])]
        found += [_change(one, two) for one, two in zip_longest(gone, come)]
    return found


def _change(before: NamedRow | None, after: NamedRow | None) -> RowChange:
    known = before or after
    assert known is not None  # noqa: S101 - zip_longest ends with the longer list
    was, now = before.says if before else {}, after.says if after else {}
    fields = {
        name: (was.get(name), now.get(name)) for name in dict.fromkeys([*was, *now]) if was.get(name) != now.get(name)
    }
    change: Literal["added", "ended", "changed"] = "changed" if before and after else "added" if after else "ended"
    return RowChange(known.table, change, known.key, fields)


def _by_name(told: Iterable[NamedRow]) -> dict[tuple[str, tuple[Any, ...]], list[NamedRow]]:
    found: dict[tuple[str, tuple[Any, ...]], list[NamedRow]] = defaultdict(list)
    for row in told:
        found[row.table, sortable(row.key)].append(row)
    return found


def _limit_layers(state: RegistryState) -> Iterator[tuple[str, str, tuple[LimitLayer, ...]]]:
    file = state.limits
    yield "limits", "", file.limits
    for layer, of_name in (("texture", file.texture), ("site", file.site), ("probe", file.probe)):
        for name, every in of_name.items():
            yield layer, name, every


def _holds(row: Any, instant: datetime) -> bool:
    return bool(row.valid_from <= instant and (row.valid_to is None or instant < row.valid_to))


def _latest(told: Iterable[Model], instant: datetime, key: Callable[[Any], Hashable]) -> tuple[Model, ...]:
    """Return of each key the row that began last and not after the instant."""
    found: dict[Hashable, Any] = {}
    for row in sorted(told, key=lambda row: getattr(row, "valid_from", None) or _FIRST):
        if (getattr(row, "valid_from", None) or _FIRST) <= instant:
            found[key(row)] = row
    return tuple(found.values())


def _begun(layers: Iterable[LimitLayer], instant: datetime) -> tuple[LimitLayer, ...]:
    return tuple(layer for layer in layers if begun(layer) <= instant)[-1:]
