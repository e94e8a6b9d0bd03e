"""The settings' shape, read off their models: which setting is a section, which names files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

#: Tells how messages are read; a map's file is named by its suffix.
_ENVELOPE, _MAP_SUFFIX = "envelope", ".toml"


def section_of(field: FieldInfo) -> type[BaseModel] | None:
    """Return the model of a section, or of each section of a list; None for a plain setting."""
    return next((kind for kind in _kinds(field.annotation) if issubclass(kind, BaseModel)), None)


def is_list(field: FieldInfo) -> bool:
    """Return whether a setting holds several values."""
    return tuple in _kinds(field.annotation)


def names_files(field: FieldInfo) -> bool:
    """Return whether a setting is the path of a file or folder, or a list of such."""
    return section_of(field) is None and any(issubclass(kind, Path) for kind in _kinds(field.annotation))


def kinds_of(field: FieldInfo) -> set[type]:
    """Return the types that a setting's annotation is made of."""
    return set(_kinds(field.annotation))


def beside(told: dict[str, Any], model: type[BaseModel], folder: Path) -> dict[str, Any]:
    """Return a file's settings with relative paths taken from the folder that the file lies in.

    What has another form than `model` wants stays as it is: it is told as a fault later.
    """
    return {name: _placed(name, value, model.model_fields.get(name), folder) for name, value in told.items()}


def _placed(name: str, value: Any, field: FieldInfo | None, folder: Path) -> Any:
    if field is None:
        return value
    if isinstance(value, list):
        return [_placed(name, one, field, folder) for one in value]
    section = section_of(field)
    if section is not None and isinstance(value, dict):
        return beside(value, section, folder)
    if isinstance(value, str) and (names_files(field) or (name == _ENVELOPE and value.endswith(_MAP_SUFFIX))):
        return str(folder / value)
    return value


def flat(settings: BaseModel, before: str = "") -> Iterator[tuple[str, FieldInfo, Any]]:
    """Yield every setting in force: dotted name, field, value; sections that are not told are left out."""
    for name, field in type(settings).model_fields.items():
        value = getattr(settings, name)
        if isinstance(value, BaseModel):
            yield from flat(value, f"{before}{name}.")
        elif section_of(field) is not None:
            for number, one in enumerate(value or ()):
                yield from flat(one, f"{before}{name}.{number}.")
        else:
            yield before + name, field, value


def _kinds(annotation: Any) -> Iterator[type]:
    origin = getattr(annotation, "__origin__", annotation)
    if isinstance(origin, type):
        yield origin
    for argument in get_args(annotation):
        yield from _kinds(argument)
