"""What a feed's messages hold: canonical JSON of readings, or SenML packs, one a reading or one for many. Pure.

A receiver that keeps the last that it got of each (dev_eui, depth_index, measured_at), and drops what is told as
withdrawn, holds what the store holds.

JSON: the fields of a reading as the read API tells them, and

- `corrected`: this key was told before, or may have been, with another figure;
- `revision`: the revision that the figure comes from, or that was taken back to it; null for none;
- `revision_undone`: that revision was taken back;
- `withdrawn`: there is no such reading any more; of the reading's fields only the key is told.

SenML has these as records of the same base name and time: `corrected`, `revision-undone` and `withdrawn` (`vb`) where
they are true, `revision` (`v`) where there is one.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from loamline.core.rfc3339 import rfc3339
from loamline.core.senml import MEDIA_TYPE as SENML_MEDIA_TYPE
from loamline.core.senml import QUANTITIES, has_time, pack_text, records_of
from loamline_schemas.feed_settings import FeedForm, FeedPer

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MEDIA_TYPES = {FeedForm.JSON: "application/json", FeedForm.SENML: SENML_MEDIA_TYPE}


@dataclass(frozen=True)
class Telling:
    """One reading as a feed tells it; `reading` has the columns of an export by name, None where it is withdrawn.

    `change`: the number of the change that has it told again, 0 for the first time.
    """

    dev_eui: str
    depth_index: int
    measured_at: datetime
    reading: Mapping[str, Any] | None
    change: int = 0
    corrected: bool = False
    revision: int | None = None
    undone: bool = False


@dataclass(frozen=True)
class Message:
    """A message's body and its id: the same for the same change, and another for any other."""

    message_id: str
    body: bytes


def messages_of(tellings: Sequence[Telling], form: FeedForm, per: FeedPer, feed: str) -> list[Message]:
    """Return the messages that tell all of `tellings`, in their order; `feed` tells this feed's ids from any other's.

    SenML can't tell times before July 1978: such readings are left out of it.
    """
    told = [one for one in tellings if form is FeedForm.JSON or has_time(_us(one.measured_at))]
    parts = [told] if per is FeedPer.BATCH and told else [[one] for one in told]
    return [_message(part, form, per, feed) for part in parts]


def _message(part: Sequence[Telling], form: FeedForm, per: FeedPer, feed: str) -> Message:
    if form is FeedForm.SENML:
        text = "".join(pack_text(record for one in part for record in _records(one)))
    else:
        rows = [_fields(one) for one in part]
        content = {"readings": rows} if per is FeedPer.BATCH else rows[0]
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # A figure that returns is another message than when it was told first: a receiver may drop ids that it knows.
    seed = "\n".join([feed, ",".join(str(one.change) for one in part), text])
    return Message(hashlib.sha256(seed.encode()).hexdigest()[:32], text.encode())


def _fields(one: Telling) -> dict[str, Any]:
    key = {"dev_eui": one.dev_eui, "depth_index": one.depth_index, "measured_at": one.measured_at}
    fields = {name: _json(value) for name, value in (one.reading or key).items()}
    return {
        **fields,
        "corrected": one.corrected,
        "revision": one.revision,
        "revision_undone": one.undone,
        "withdrawn": one.reading is None,
    }


def _records(one: Telling) -> list[dict[str, Any]]:
    nothing = {quantity.column: None for quantity in QUANTITIES}
    more = [{"n": name, "vb": True} for name, so in _marks(one) if so]
    if one.revision is not None:
        more.append({"n": "revision", "v": one.revision})
    key = {"dev_eui": one.dev_eui, "depth_index": one.depth_index}
    # The verdict stands in for a withdrawn reading, which has none, so that the base fields are made in one place.
    figures = {"verdict": ""} if one.reading is None else {name: _finite(value) for name, value in one.reading.items()}
    records = records_of({**nothing, **key, **figures}, _us(one.measured_at))
    base = {name: value for name, value in records[0].items() if name in ("bn", "bt")}
    rest = [{name: value for name, value in record.items() if name not in base} for record in records]
    told = [*(rest if one.reading is not None else []), *more]
    return [{**base, **told[0]}, *told[1:]]


def _marks(one: Telling) -> list[tuple[str, bool]]:
    return [("corrected", one.corrected), ("revision-undone", one.undone), ("withdrawn", one.reading is None)]


def _json(value: Any) -> Any:
    if isinstance(value, datetime):
        return rfc3339(value)
    return _finite(value)


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _us(at: datetime) -> int:
    since = at - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
