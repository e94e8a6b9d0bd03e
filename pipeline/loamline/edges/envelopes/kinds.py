"""Which envelope is meant by a kind: `canonical`, `ts002`, `phypayload`, a map's TOML file, or a map's name."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.envelopes.map_file import MapError, read_map
from loamline.edges.envelopes.mapped import mapped_reader
from loamline.edges.topic_dev_eui import agreeing_with_topic

if TYPE_CHECKING:
    from loamline.edges.keys_file import Keys

BUILT_IN = ("canonical", "ts002", "phypayload")
_SUFFIX = ".toml"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*", re.ASCII)
#: How a rejected message notes that it was read by a map.
_RECORDED = "map "
#: And that its DevEUI had to be that of a level of its topic: what failed that must not pass when it is read again.
_AT_LEVEL = re.compile(r"(.+), DevEUI at topic level ([1-9][0-9]?)", re.ASCII)


class EnvelopeKindError(Exception):
    """A kind that nothing can be read as; the message says what was expected, what came and what to do."""


def envelope_reader(kind: str, *, keys: Keys | None, maps_dir: Path | None) -> EnvelopeReader:
    """Return the reader of a kind of envelope, `kind` as the settings and `--envelope` tell it; no `keys`: none known.

    Raises EnvelopeKindError.
    """
    if kind == "canonical":
        return read_message
    # Their libraries take long to load, and most uses need neither.
    if kind == "ts002":
        from loamline.edges.envelopes.ts002 import ts002_reader  # noqa: PLC0415

        return ts002_reader(keys or _no_keys())
    if kind == "phypayload":
        from loamline.edges.envelopes.phypayload import phypayload_reader  # noqa: PLC0415

        return phypayload_reader(keys or _no_keys())
    if kind.endswith(_SUFFIX):
        return _mapped(Path(kind))
    return _named(kind, maps_dir)


def recorded_kind(kind: str, dev_eui_level: int | None = None) -> str:
    """Return how a rejected message notes the envelope `kind` of the settings, and the topic level with the DevEUI."""
    noted = kind if kind in BUILT_IN else _RECORDED + (Path(kind).stem if kind.endswith(_SUFFIX) else kind)
    return noted if dev_eui_level is None else f"{noted}, DevEUI at topic level {dev_eui_level}"


def recorded_reader(kind: str | None, *, keys: Keys | None, maps_dir: Path | None) -> EnvelopeReader:
    """Return the reader of a kind as `recorded_kind` notes it; None is canonical.

    Raises EnvelopeKindError.
    """
    if kind is not None and (agreed := _AT_LEVEL.fullmatch(kind)):
        return agreeing_with_topic(recorded_reader(agreed[1], keys=keys, maps_dir=maps_dir), int(agreed[2]), kind)
    if kind is not None and kind.startswith(_RECORDED):
        return _named(kind.removeprefix(_RECORDED), maps_dir)
    return envelope_reader(kind or "canonical", keys=keys, maps_dir=maps_dir)


def as_recorded(reader: EnvelopeReader, kind: str) -> EnvelopeReader:
    """Return a reader of another kind, under the condition on the topic that the recorded `kind` has."""
    agreed = _AT_LEVEL.fullmatch(kind)
    return agreeing_with_topic(reader, int(agreed[2]), kind) if agreed else reader


def _no_keys() -> Keys:
    from loamline.edges.keys_file import Keys  # noqa: PLC0415

    return Keys.none()


def _named(name: str, maps_dir: Path | None) -> EnvelopeReader:
    expected = f"one of {', '.join(BUILT_IN)}, a map's {_SUFFIX} file"
    if not _NAME.fullmatch(name):
        raise EnvelopeKindError(f"envelope: expected {expected}, or a map's name, got {name!r}")
    if maps_dir is None:
        raise EnvelopeKindError(
            f"envelope: expected {expected}, or the name of a map in the folder of maps, got {name!r} and no such "
            "folder; name it (maps_dir in the settings, --maps)"
        )
    path = maps_dir / (name + _SUFFIX)
    if not path.is_file():
        known = sorted(found.stem for found in maps_dir.glob("*" + _SUFFIX))
        held = f"it holds {', '.join(known)}" if known else "it holds no map"
        raise EnvelopeKindError(f"envelope: expected {expected}, or a map in {maps_dir}, got {name!r}; {held}")
    return _mapped(path)


def _mapped(path: Path) -> EnvelopeReader:
    try:
        return mapped_reader(read_map(path), path.stem)
    except MapError as problem:
        raise EnvelopeKindError(str(problem)) from None
