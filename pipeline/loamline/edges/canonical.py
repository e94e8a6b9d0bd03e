"""Canonical JSON in: one uplink a message or a line; see `loamline schema uplink`."""

from __future__ import annotations

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
