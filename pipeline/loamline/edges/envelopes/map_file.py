"""Envelope maps as TOML files; every fault is told at once: file, where, expected, got."""

from __future__ import annotations

import tomllib
from pathlib import Path

from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.envelope_map import EnvelopeMap

#: A map is a page; what is longer is another file.
MOST_BYTES = 1024 * 1024


class MapError(Exception):
    """A map can't be used; the message says where, what was expected and what came."""


def read_map(path: Path) -> EnvelopeMap:
    """Return the map in a TOML file. Raises MapError."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise MapError(
            f"expected an envelope map at {path}, found none; `loamline envelope suggest` drafts one from a message"
        ) from None
    except OSError as problem:
        raise MapError(f"expected a readable file at {path}, got {problem.strerror}") from None
    if len(content) > MOST_BYTES:
        raise MapError(f"{path}: expected an envelope map of at most {MOST_BYTES} bytes, got more")
    try:
        return parse_map(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise MapError(f"{path}: expected text in UTF-8, got other bytes") from None
    except MapError as problem:
        raise MapError(f"{path}: {problem}") from None


def parse_map(text: str) -> EnvelopeMap:
    """Return the map in a TOML text. Raises MapError."""
    try:
        return EnvelopeMap.model_validate(tomllib.loads(text))
    except ValidationError as problem:
        raise MapError(sentence(problem)) from None
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise MapError(f"expected TOML, got {problem}") from None
