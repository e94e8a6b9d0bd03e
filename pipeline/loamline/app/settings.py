"""The daemon's settings from their three layers: TOML file, then environment, then flags."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict
from pydantic_settings.exceptions import SettingsError
from pydantic_settings.sources import EnvSettingsSource

from loamline.app.output import CommandError
from loamline.app.settings_shape import beside
from loamline.edges.sentences import findings
from loamline_schemas.settings import Settings

ENVIRONMENT_PREFIX = "LOAMLINE_"
_SECRET = re.compile("password|secret|token", re.IGNORECASE)


class _Environment(BaseSettings, Settings):
    """The settings' shape, as environment variables name it: LOAMLINE_STORE, LOAMLINE_BROKER__HOST, ..."""

    model_config = SettingsConfigDict(env_prefix=ENVIRONMENT_PREFIX, env_nested_delimiter="__", extra="forbid")


@dataclass(frozen=True)
class Told:
    """What the layers tell together: the settings, or every fault, a sentence each; and what each layer tells."""

    settings: Settings | None
    faults: list[str]
    layers: dict[str, dict[str, Any]]

    def teller(self, where: str) -> str:
        """Return which layer told the setting at a dotted path, such as "in the environment"; empty where none did."""
        return _teller(self.layers, where).strip()


def load_settings(path: Path | None, overrides: Mapping[str, Any]) -> Settings:
    """Return the settings of the TOML file at `path`, overridden by the environment, overridden by `overrides`.

    `overrides` is nested like the file and may hold None for what is not given. Relative paths in the file are taken
    from the folder that it lies in. Raises CommandError, exit code 2, with a sentence a fault: where it was told,
    which setting, expected, got.
    """
    told = look_at_settings(path, overrides)
    if told.settings is None or told.faults:
        raise CommandError("\n".join(told.faults), 2)
    return told.settings


def look_at_settings(path: Path | None, overrides: Mapping[str, Any] | None = None) -> Told:
    """Return the same as `load_settings`, with every fault of every layer in place of an error."""
    faults: list[str] = []
    layers: dict[str, dict[str, Any]] = {}
    told: tuple[tuple[str, Callable[[], dict[str, Any]]], ...] = (
        (f"in {path}", lambda: {} if path is None else _toml(path)),
        ("in the environment", _environment),
        ("in the flags", lambda: _given(overrides or {})),
    )
    for name, read in told:
        try:
            layers[name] = read()
        except CommandError as problem:
            layers[name] = {}
            faults.append(str(problem))
    merged: dict[str, Any] = {}
    for layer in layers.values():
        merged = _merge(merged, layer)
    settings, found = _settings(merged, layers)
    return Told(None if faults or found else settings, faults + found, layers)


def _settings(merged: dict[str, Any], layers: dict[str, dict[str, Any]]) -> tuple[Settings | None, list[str]]:
    """Return the settings, or every fault of them.

    Two settings that contradict each other are only compared where each is sound by itself; so what is not is left
    out, and the rest looked at again. A sentence about what was left out tells nothing new then.
    """
    faults: list[str] = []
    left_out: set[str] = set()
    while True:
        try:
            return Settings.model_validate(merged), faults
        except ValidationError as problem:
            found = findings(problem)
        fresh = [told for told in found if not left_out & set(re.findall(r"\w+", f"{told[1]} {told[2]}"))]
        faults += [line for told in fresh for line in _sentences(*told, _teller(layers, told[0]))]
        rest = merged
        for where, _, _ in found:
            rest = _without(rest, where.split(".")) if where else rest
            left_out.add(where.rpartition(".")[2])
        if rest == merged:
            return None, faults
        merged = rest


def _sentences(where: str, expected: str, got: str, teller: str) -> list[str]:
    told = f"expected {expected}" + (f", got {'something else' if _is_secret(where, got) else got}" if got else "")
    return [f"settings{teller}: {where + ': ' if where else ''}{line}" for line in told.split("\n")]


def _without(held: Any, parts: Sequence[str]) -> Any:
    """Return what is held without the part at a path; what names no part of it, a validator's word, stops there."""
    if isinstance(held, dict) and parts[0] in held:
        inner = _without(held[parts[0]], parts[1:]) if parts[1:] else None
        kept = {name: value for name, value in held.items() if name != parts[0]}
        return {**kept, parts[0]: inner} if inner is not None and inner != held[parts[0]] else kept
    if isinstance(held, list | tuple) and parts[0].isdecimal() and int(parts[0]) < len(held):
        number = int(parts[0])
        inner = _without(held[number], parts[1:]) if parts[1:] else None
        return [*held[:number], *([inner] if inner is not None and inner != held[number] else []), *held[number + 1 :]]
    return held


def _is_secret(where: str, got: str) -> bool:
    """Return whether what was told for a setting must not be shown: a secret by name, or one inside a section."""
    return bool(_SECRET.search(where) or "whsec_" in got or (got[:1] in ("{", "[", "(") and _SECRET.search(got)))


def _toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return beside(tomllib.load(file), Settings, path.parent)
    except OSError as problem:
        raise CommandError(f"expected a settings file at {path}, got {problem.strerror}", 2) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise CommandError(f"{path}: expected TOML, got {problem}", 2) from None


def _environment() -> dict[str, Any]:
    source = EnvSettingsSource(_Environment)
    try:
        found: dict[str, Any] = source()
    except SettingsError as problem:
        told = f"{problem}: {problem.__cause__}" if problem.__cause__ else str(problem)
        raise CommandError(f"environment: expected JSON for a list or section, got {told}", 2) from None
    return found


def _given(layer: Mapping[str, Any]) -> dict[str, Any]:
    kept = {name: _given(value) if isinstance(value, Mapping) else value for name, value in layer.items()}
    return {name: value for name, value in kept.items() if value is not None and value != {}}


def _merge(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    merged = dict(under)
    for name, value in over.items():
        held = merged.get(name)
        merged[name] = _merge(held, value) if isinstance(held, dict) and isinstance(value, dict) else value
    return merged


def _teller(layers: dict[str, dict[str, Any]], where: str) -> str:
    """Return which layer told the setting at the dotted path; empty where none did, or several told a part each."""
    told = []
    for name, layer in layers.items():
        value: Any = layer
        for part in where.split(".") if where else ():
            value = _part_of(value, part)
        if value is not None and value != {}:
            told.append((name, isinstance(value, dict)))
    in_parts = any(is_part for _, is_part in told)
    return f" {told[-1][0]}" if told and not (in_parts and len(told) > 1) else ""


def _part_of(held: Any, part: str) -> Any:
    if isinstance(held, list) and part.isdecimal():
        return held[int(part)] if int(part) < len(held) else None
    return held.get(part) if isinstance(held, dict) else held
