"""Which curve somebody means by a word: a curve of a registry, one of its versions, or one from the literature."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

from loamline_schemas.curves import Curve

#: Published soil curves that need no registry, by the word for each; Malicki's takes its bulk density after "@".
PUBLISHED = ("topp1980", "ledieu1986", "malicki1996@DENSITY")
_MALICKI = re.compile(r"malicki1996@(\d+(?:\.\d+)?)", re.ASCII)
_EVER = datetime(1970, 1, 1, tzinfo=UTC)


class UnknownCurveError(ValueError):
    """A word that names no curve; the message says what was expected, what came and what to do."""


def versions_of(word: str, curves: Sequence[Curve]) -> list[Curve]:
    """Return the versions that ID or ID@TIME means, by their beginning; none where the curves have no such.

    The time is RFC 3339, or a date as its midnight in UTC, and is when that version begins.
    """
    ordered = sorted(curves, key=lambda curve: (curve.id, curve.valid_from))
    found = [curve for curve in ordered if curve.id == word]
    if found or "@" not in word:
        return found
    name, _, time = word.rpartition("@")
    return [curve for curve in ordered if curve.id == name and time in _ways_to_say(curve.valid_from)]


def meant(word: str, curves: Sequence[Curve]) -> Curve:
    """Return the curve that a word means: the latest version of a registry's curve, else a published one.

    Raises UnknownCurveError; a pydantic ValidationError where a published curve can't have that parameter.
    """
    if found := versions_of(word, curves):
        return found[-1]
    told = {"id": word, "step": "soil", "valid_from": _EVER}
    if word in ("topp1980", "ledieu1986"):
        return Curve.model_validate({**told, "kind": word})
    if density := _MALICKI.fullmatch(word):
        return Curve.model_validate({**told, "kind": "malicki1996", "bulk_density_g_cm3": float(density[1])})
    known = ", ".join(dict.fromkeys(curve.id for curve in sorted(curves, key=lambda curve: curve.id)))
    registry = f"the registry's {known}" if known else "a registry's (none was named, or it has no curves)"
    raise UnknownCurveError(
        f"expected a curve, {registry}, or a published one ({', '.join(PUBLISHED)}), got {word!r}; "
        "ID@TIME names the version that begins then"
    )


def _ways_to_say(instant: datetime) -> set[str]:
    utc = instant.astimezone(UTC)
    text = utc.isoformat()
    ways = {text, text.replace("+00:00", "Z")}
    return ways | ({f"{utc:%Y-%m-%d}"} if text.endswith("T00:00:00+00:00") else set())
