"""Content digests: the name by which a curve, placement or codec can be cited for ever."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel


def canonical_json(content: BaseModel | Mapping[str, Any]) -> str:
    """Return `content` as JSON with sorted keys and no spaces: equal content gives equal text."""
    plain = content.model_dump(mode="json", by_alias=True) if isinstance(content, BaseModel) else content
    return json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def content_digest(content: BaseModel | Mapping[str, Any]) -> str:
    """Return the first 16 hex digits of the SHA-256 over `canonical_json(content)`."""
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()[:16]
