"""Events of a problem's onset and end, as CloudEvents 1.0 in the JSON event format.

Attribute names and rules are the specification's (CloudEvents 1.0.2, from memory): specversion, id, source and type
are required; source and id together tell an event from every other; time is RFC 3339.
"""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from loamline.core.rfc3339 import rfc3339

MEDIA_TYPE = "application/cloudevents+json"
BEGAN, ENDED = "loamline.problem.began", "loamline.problem.ended"


def event(
    *, event_id: str, source: str, kind: str, subject: str, at: datetime, content: dict[str, Any]
) -> dict[str, Any]:
    """Return one event with `content` as its data; `at` is when it was noticed, UTC."""
    return {
        "specversion": "1.0",
        "id": event_id,
        "source": source,
        "type": kind,
        "subject": subject,
        "time": rfc3339(at),
        "datacontenttype": "application/json",
        "data": content,
    }


def as_json(told: dict[str, Any]) -> str:
    """Return an event as it travels: one line, ASCII alone, so that no receiver can mistake its bytes."""
    return json.dumps(told, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
