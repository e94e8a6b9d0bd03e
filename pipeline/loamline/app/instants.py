"""Times on the command line: read as RFC 3339, and told as how long ago."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import typer

from loamline.app.output import CommandError, rfc3339


def instant(text: str) -> datetime:
    """Return a UTC instant from RFC 3339, or from a bare date as its midnight in UTC; typer.BadParameter else."""
    try:
        if len(text) == len("2026-05-01"):
            day = date.fromisoformat(text)
            return datetime(day.year, day.month, day.day, tzinfo=UTC)
        told = datetime.fromisoformat(text)
    except ValueError:
        told = None
    if told is None or told.tzinfo is None:
        raise typer.BadParameter(
            f"expected RFC 3339 such as 2026-05-01T10:00:00Z, or a date such as 2026-05-01, got {text!r}"
        )
    try:
        return told.astimezone(UTC)
    except OverflowError:
        raise typer.BadParameter(f"expected an instant in the years 1 to 9999, got {text!r}") from None


def check_span(since: datetime | None, until: datetime | None) -> None:
    """Raise CommandError, exit code 2, where `--since` and `--until` leave no instant between them."""
    if since is not None and until is not None and since >= until:
        raise CommandError(f"expected --since before --until, got {rfc3339(since)} and {rfc3339(until)}", 2)


def ago(passed: timedelta) -> str:
    """Return a span of time as a person says it, for instance `3 h ago`; `in 3 h` where it lies ahead."""
    minutes = round(abs(passed).total_seconds() / 60)
    if minutes < 1:
        return "now"
    if minutes < 100:
        amount = f"{minutes} min"
    elif minutes < 48 * 60:
        amount = f"{round(minutes / 60)} h"
    else:
        amount = f"{round(minutes / 1440)} d"
    return f"{amount} ago" if passed > timedelta(0) else f"in {amount}"
