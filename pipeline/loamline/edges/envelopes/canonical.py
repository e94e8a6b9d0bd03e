"""Canonical JSON in: one uplink a message or a line; see `loamline schema uplink`."""

from __future__ import annotations

import json

from pydantic import ValidationError

from loamline.edges.messages import Accepted, Incoming, Rejected
from loamline.edges.sentences import sentence
from loamline_schemas.uplink import Uplink


def read_canonical(content: bytes, source: str) -> Incoming:
    """Return the uplink in `content`, or the whole of it with the reason why there is none. Raises nothing.

    `source` says where it came from: a topic, or a file and line.
    """
    try:
        return Accepted(Uplink.model_validate_json(content), content)
    except ValidationError as problem:
        return Rejected(source, f"{source}: {sentence(problem)}", content)
    except (ValueError, RecursionError) as problem:
        return Rejected(source, f"{source}: expected JSON, got {problem}", content)


def read_message(content: bytes, source: str) -> list[Incoming]:
    """Return the uplinks in one message body: a canonical uplink, or a JSON list of them. Raises nothing.

    Each item of a list stands for itself: one that is no uplink does not spoil the others.
    """
    if not content.lstrip().startswith(b"["):
        return [_read_one(content, source)]
    try:
        items = json.loads(content)
    except (ValueError, RecursionError):
        return [_read_one(content, source)]  # which says what is wrong with it
    if not items:
        return [Rejected(source, f"{source}: expected an uplink or a list of uplinks, got an empty list", content)]
    return [_read_one(json.dumps(item).encode(), f"{source}[{index}]") for index, item in enumerate(items)]


def _read_one(content: bytes, source: str) -> Incoming:
    try:
        return read_canonical(content, source)
    except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
        told = f"{type(problem).__name__}: {problem}"
        return Rejected(source, f"{source}: expected a canonical uplink, got {told}", content)
