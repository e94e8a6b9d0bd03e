"""How pages write figures, times and spans: units always, a site's clock first and UTC beside it."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from markupsafe import Markup

from loamline.core.rfc3339 import rfc3339

#: What stands where there is no figure.
NONE = "–"  # noqa: RUF001 - a dash
#: UCUM codes that people don't read.
UNITS = {"m3/m3": "m³/m³", "Cel": "°C", "1": "", "{count}": "", "dS/m": "dS/m"}
_VERDICTS = {
    "pass": "pass",
    "not_evaluated": "not evaluated",
    "suspect": "suspect",
    "fail": "fail",
    "missing": "missing",
}


def verdict_words(word: str) -> str:
    """Return a verdict as prose has it."""
    return _VERDICTS.get(word, word)


def figure(value: float | None, unit: str = "", digits: int = 2) -> str:
    """Return a figure and its unit, a dash where there is none."""
    if value is None or not math.isfinite(value):
        return NONE
    told = f"{value:.{digits}f}".replace("-", "−")  # noqa: RUF001 - a minus sign
    return f"{told} {UNITS.get(unit, unit)}".rstrip()


def share(value: float | None) -> str:
    """Return a share as percent."""
    return NONE if value is None or not math.isfinite(value) else f"{100 * value:.1f} %"


def zone_of(name: str | None) -> ZoneInfo:
    """Return an IANA zone; UTC where there is none of that name."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def when(at: datetime | None, zone: str | None = None) -> Markup:
    """Return an instant by the clock of a place, and UTC beside it."""
    if at is None:
        return Markup("never")
    utc = at.astimezone(UTC)
    # Every part is ours and needs no escaping, and a page has hundreds of them.
    if zone in (None, "UTC"):
        return Markup(f'<time datetime="{rfc3339(utc)}">{utc:%d %b %Y, %H:%M}&nbsp;UTC</time>')  # noqa: S704
    there = utc.astimezone(zone_of(zone))
    beside = f"{utc:%H:%M}" if utc.date() == there.date() else f"{utc:%d %b %H:%M}"
    return Markup(  # noqa: S704
        f'<time datetime="{rfc3339(utc)}">{there:%d %b %Y, %H:%M}&nbsp;{there.tzname() or ""}</time> '
        f'<span class="utc">({beside}&nbsp;UTC)</span>'
    )


def day(at: datetime, zone: str | None = None) -> str:
    """Return the day of an instant by the clock of a place, as 2026-05-01."""
    return at.astimezone(zone_of(zone)).date().isoformat()


def ago(span: timedelta) -> str:
    """Return how long ago in words, rounded."""
    minutes = max(0, round(span / timedelta(minutes=1)))
    if minutes < 120:
        return f"{minutes} minute{'' if minutes == 1 else 's'}"
    hours = round(minutes / 60)
    return f"{hours} hours" if hours < 48 else f"{round(hours / 24)} days"


def spaced_hex(text: str) -> str:
    """Return hex digits in bytes."""
    return " ".join(text[start : start + 2] for start in range(0, len(text), 2))


def sentence(text: str) -> str:
    """Return a part of an explanation as a sentence."""
    told = text.strip()
    return told[:1].upper() + told[1:] + ("" if told.endswith((".", "!", "?")) or not told else ".")
