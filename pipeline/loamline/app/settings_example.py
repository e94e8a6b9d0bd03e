"""A commented settings file, made from the settings' models: what each setting means, its unit, bounds and default."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import annotated_types
from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo

from loamline.app.settings_shape import is_list, kinds_of, section_of
from loamline_schemas.settings import Settings

_WIDTH = 100
_UNITS = {"s": "seconds", "seconds": "seconds", "milliseconds": "milliseconds", "minutes": "minutes", "hours": "hours",
          "days": "days", "bytes": "bytes", "kb": "kilobytes", "mb": "megabytes", "gb": "gigabytes",
          "messages": "messages", "percent": "percent"}  # fmt: skip

_HEAD = """\
# The settings of loamline's daemon: `loamline ingest --config THIS_FILE`. What is commented out shows the default, or a
# place for a value. Relative paths are taken from the folder of this file. The environment beats this file
# (LOAMLINE_STORE, LOAMLINE_BROKER__HOST, ...), and the daemon's flags beat both. Keep secrets out of here: in files of
# mode 0600, or in the environment. `loamline config check THIS_FILE` tells every fault at once.
"""


def example_toml(told: Mapping[str, Any]) -> str:
    """Return a TOML file with every setting, in which only those `told` are in force: dotted names to values."""
    return _HEAD + "\n" + "\n".join(_section(Settings, "", told)).rstrip() + "\n"


def _section(model: type[BaseModel], path: str, told: Mapping[str, Any]) -> Iterator[str]:
    """Yield the lines of a section: its plain settings, then the sections in it, as TOML wants it."""
    inner = []
    for name, field in model.model_fields.items():
        kind = section_of(field)
        if kind is not None:
            inner.append((name, field, kind))
        else:
            yield from _setting(name, field, f"{path}{name}", told)
    for name, field, kind in inner:
        yield from _heading(f"{path}{name}", field, kind, told)
        # A list of sections has the settings of the one section before it, which stand there already.
        if not is_list(field):
            yield from _section(kind, f"{path}{name}.", told)


def _heading(where: str, field: FieldInfo, kind: type[BaseModel], told: Mapping[str, Any]) -> Iterator[str]:
    words = field.description or (kind.__doc__ or "").strip().splitlines()[0]
    yield ""
    yield from _comment(_sentence(words))
    in_force = any(name.startswith(f"{where}.") for name in told)
    header = f"[[{where}]]" if is_list(field) else f"[{where}]"
    yield header if in_force else f"# {header}"
    yield ""


def _setting(name: str, field: FieldInfo, where: str, told: Mapping[str, Any]) -> Iterator[str]:
    yield from _comment(" ".join(filter(None, (_sentence(field.description or ""), _bounds(name, field)))))
    if where in told:
        yield f"{name} = {_toml(told[where])}"
    else:
        default = field.get_default(call_default_factory=True)
        yield f"# {name} = {_placeholder(field) if default is None else _toml(default)}"
    yield ""


def _bounds(name: str, field: FieldInfo) -> str:
    """Return unit and bounds in words: "Seconds, 5 to 3600."."""
    kinds = kinds_of(field)
    parts = []
    if kinds & {int, float}:
        unit = _UNITS.get(re.split("_", name)[-1])
        parts += [unit] if unit else []
        parts += [_range(field)] if _range(field) else []
    parts += [f"one of {', '.join(_choices(field.annotation))}"] if _choices(field.annotation) else []
    parts += ["none unless told"] if field.get_default(call_default_factory=True) is None else []
    return _sentence(", ".join(parts))


def _range(field: FieldInfo) -> str:
    least = next((told.ge for told in field.metadata if isinstance(told, annotated_types.Ge)), None)
    over = next((told.gt for told in field.metadata if isinstance(told, annotated_types.Gt)), None)
    most = next((told.le for told in field.metadata if isinstance(told, annotated_types.Le)), None)
    low = f"{least}" if least is not None else f"over {over}" if over is not None else ""
    if low and most is not None:
        return f"{low} to {most}"
    return f"{low} or more" if least is not None else low or (f"at most {most}" if most is not None else "")


def _choices(annotation: Any) -> list[str]:
    if get_origin(annotation) is Literal:
        return [str(one) for one in get_args(annotation)]
    return [one for argument in get_args(annotation) for one in _choices(argument)]


def _placeholder(field: FieldInfo) -> str:
    kinds = kinds_of(field)
    if not (kinds & {int, float}) or kinds & {str, Path, SecretStr}:
        return '"..."'
    least = next((told.ge for told in field.metadata if isinstance(told, annotated_types.Ge)), 1)
    return str(least)


def _toml(value: Any) -> str:
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, bool | int | float):
        return json.dumps(value)
    return json.dumps(str(value), ensure_ascii=False)  # TOML's basic strings escape as JSON's do


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".") if words else ""


def _comment(words: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(words, _WIDTH, break_long_words=False, break_on_hyphens=False)]
