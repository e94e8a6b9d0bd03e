"""Thresholds by layer, global < texture < site < probe, and over time: of each layer the latest that has begun."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from loamline_schemas.limits import LimitLayer, Limits, LimitsFile, begun

#: Texture, site and dev_eui, None where the limits say nothing of it.
LayerNames = tuple[str | None, str | None, str | None]
_FIRST = datetime.min.replace(tzinfo=UTC)
_LAST = datetime.max.replace(tzinfo=UTC)


def layer_names(file: LimitsFile, texture: str | None, site: str | None, dev_eui: str | None) -> LayerNames:
    """Return which layers of `file` concern a placement: equal names have equal limits at every instant."""
    return (
        texture if texture in file.texture else None,
        site if site in file.site else None,
        dev_eui if dev_eui in file.probe else None,
    )


def resolve_limits(
    file: LimitsFile, texture: str | None, site: str | None, dev_eui: str | None, at: datetime | None = None
) -> Limits:
    """Return the thresholds that hold for one placement at an instant, without one those that began last.

    Raises pydantic's ValidationError where layers contradict each other.
    """
    told: dict[str, object] = {}
    for layers in _layers(file, layer_names(file, texture, site, dev_eui)):
        in_time = [layer for layer in layers if begun(layer) <= (at or _LAST)]
        told |= in_time[-1].thresholds() if in_time else {}
    return Limits.model_validate(told)


def limits_over_time(
    file: LimitsFile, texture: str | None, site: str | None, dev_eui: str | None
) -> list[tuple[datetime | None, Limits]]:
    """Return each set of thresholds that ever holds for a placement, and since when (None: ever), in order.

    Raises pydantic's ValidationError where layers contradict each other at any time.
    """
    names = layer_names(file, texture, site, dev_eui)
    since = {layer.valid_from for layers in _layers(file, names) for layer in layers}
    starts = [None, *sorted(start for start in since if start is not None)]
    return [(start, resolve_limits(file, *names, start or _FIRST)) for start in starts]


def _layers(file: LimitsFile, names: LayerNames) -> list[Sequence[LimitLayer]]:
    texture, site, dev_eui = names
    return [
        file.limits,
        file.texture[texture] if texture is not None else (),
        file.site[site] if site is not None else (),
        file.probe[dev_eui] if dev_eui is not None else (),
    ]
