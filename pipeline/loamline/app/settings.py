"""The daemon's settings from their three layers: TOML file, then environment, then flags."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict
from pydantic_settings.exceptions import SettingsError
from pydantic_settings.sources import EnvSettingsSource

from loamline.app.output import CommandError
from loamline.edges.sentences import findings
from loamline_schemas.settings import Settings

ENVIRONMENT_PREFIX = "LOAMLINE_"
_SECRET = re.compile("password|secret|token", re.IGNORECASE)


class _Environment(BaseSettings, Settings):
    """The settings' shape, as environment variables name it: LOAMLINE_STORE, LOAMLINE_BROKER__HOST, ..."""

    model_config = SettingsConfigDict(env_prefix=ENVIRONMENT_PREFIX, env_nested_delimiter="__", extra="forbid")


def load_settings(path: Path | None, overrides: Mapping[str, Any]) -> Settings:
    """Return the settings of the TOML file at `path`, overridden by the environment, overridden by `overrides`.

    `overrides` is nested like the file and may hold None for what is not given. Raises CommandError, exit code 2,
    with a sentence a fault: where it was told, which setting, expected, got.
    """
    layers = {
        f"in {path}": _toml(path) if path is not None else {},
        "in the environment": _environment(),
        "in the flags": _given(overrides),
    }
    merged: dict[str, Any] = {}
    for layer in layers.values():
        merged = _merge(merged, layer)
    try:
        return Settings.model_validate(merged)
    except ValidationError as problem:
        lines = [
            f"settings{_teller(layers, where)}: {where + ': ' if where else ''}expected {expected}"
            + (f", got {'something else' if _is_secret(where, got) else got}" if got else "")
            for where, expected, got in findings(problem)
        ]
        raise CommandError("\n".join(lines), 2) from None


def _is_secret(where: str, got: str) -> bool:
    """Return whether what was told for a setting must not be shown: a secret by name, or one inside a section."""
    return bool(_SECRET.search(where) or "whsec_" in got or (got[:1] in ("{", "[", "(") and _SECRET.search(got)))


def _toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as problem:
        raise CommandError(f"expected a settings file at {path}, got {problem.strerror}", 2) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise CommandError(f"{path}: expected TOML, got {problem}", 2) from None


def _environment() -> dict[str, Any]:
    try:
        return EnvSettingsSource(_Environment)()
    except SettingsError as problem:
        told = f"{problem}: {problem.__cause__}" if problem.__cause__ else str(problem)
        raise CommandError(f"environment: expected JSON for a list or section, got {told}", 2) from None


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
            value = value.get(part) if isinstance(value, dict) else value
        if value is not None and value != {}:
            told.append((name, isinstance(value, dict)))
    in_parts = any(is_part for _, is_part in told)
    return f" {told[-1][0]}" if told and not (in_parts and len(told) > 1) else ""
