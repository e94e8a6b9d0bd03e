"""Rows of the registry as a person reads them, in 80 columns: what names a row, what it says, when it holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from loamline.app.output import rfc3339
from loamline.app.text import plain
from loamline.core.registry_rows import NamedRow, RowChange
from loamline.edges.store.registry_history import Version

#: What a table's rows are called on top of them.
TITLES = {
    "site": "sites",
    "probe": "probes",
    "placement": "placements",
    "curve": "curves",
    "limits": "limits",
    "soil": "soil layers",
    "crop": "crops",
}
#: How a field reads where its name would only take room; others are told as name and value.
_PHRASES = {
    "customer": "{}",
    "latitude_deg": "latitude {}",
    "longitude_deg": "longitude {}",
    "time_zone": "{}",
    "serial": "{}",
    "hardware": "hardware {}",
    "made_on": "made {}",
    "air_count": "air {}",
    "water_count": "water {}",
    "count_per_k": "{} per K",
    "depth_index": "depth {}",
    "site": "{}",
    "label": "{}",
    "depth_cm": "{} cm",
    "texture": "{}",
    "deficit_below": "deficit < {}",
    "excess_above": "excess > {}",
    "step": "{}",
    "kind": "{}",
    "domain": "over {}",
    "standard_error": "error {}",
    "top_cm": "{} cm down",
    "bottom_cm": "to {} cm",
    "sand_percent": "sand {} %",
    "clay_percent": "clay {} %",
    "organic_matter_percent": "organic matter {} %",
    "crop": "{}",
}
#: Dates have a column of their own.
_DATES = ("valid_from", "valid_to")
_STYLES = {"added": "green", "ended": "red", "changed": "yellow"}
_WIDEST_NAME = 28


def rows_tables(rows: Iterable[NamedRow]) -> Iterable[Table]:
    """Yield a table a kind of row: its name, its fields, since when and until when it is true."""
    for name, some in groupby(rows, key=lambda row: row.table):
        table = _table(TITLES[name], "which", "what it says", "true (UTC)")
        for row in some:
            table.add_row(_name(row.key), _fields(row.says), _true(row))
        yield table


def changes_tables(changes: Iterable[RowChange]) -> Iterable[Table]:
    """Yield a table a kind of row: what became of it, field by field."""
    for name, some in groupby(changes, key=lambda change: change.table):
        table = _table(TITLES[name], "which", "what became of it")
        for change in some:
            told = plain(change.change, _STYLES[change.change])
            for field, (was, now) in change.fields.items():
                told.append("\n").append_text(_became(change.change, field, was, now))
            since = change.key.get("valid_from")
            name_ = _name(change.key)
            if since is not None:
                name_.append("\n").append_text(plain(f"from {day(since)}"))
            table.add_row(name_, told)
        yield table


def versions_tables(versions: Iterable[Version]) -> Iterable[Table]:
    """Yield a table a kind of row: every version of it, when it is true and when we were told."""
    for name, some in groupby(versions, key=lambda version: version.row.table):
        table = _table(TITLES[name], "which", "what it says", "true (UTC)", "told (UTC)")
        for version in some:
            table.add_row(_name(version.row.key), _fields(version.row.says), _true(version.row), _told(version))
        yield table


def day(instant: datetime) -> str:
    """Return an instant in as few characters as tell it to the minute, else to the second, UTC."""
    utc = instant.astimezone(UTC)
    if (utc.second, utc.microsecond) != (0, 0):
        return rfc3339(utc.replace(microsecond=0)).replace("T", " ").rstrip("Z")
    return f"{utc:%Y-%m-%d}" if (utc.hour, utc.minute) == (0, 0) else f"{utc:%Y-%m-%d %H:%M}"


def _table(title: str, *headings: str) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0), header_style="bold")
    for heading in headings:
        table.add_column(heading, overflow="fold", max_width=_WIDEST_NAME if heading == "which" else None)
    return table


def _name(key: Mapping[str, Any]) -> Text:
    """Return what names a row: the first field bare, the others with their names."""
    first, *others = [(name, value) for name, value in key.items() if name not in _DATES and value not in (None, "")]
    return plain("\n".join([_shown(first[1]), *(_phrase(name, value) for name, value in others)]))


def _fields(says: Mapping[str, Any]) -> Text:
    told = [_phrase(name, value) for name, value in says.items() if name not in _DATES and _told_at_all(value)]
    return plain(", ".join(told))


def _phrase(name: str, value: object) -> str:
    return _PHRASES.get(name, f"{name} {{}}").format(_shown(value))


def _true(row: NamedRow) -> Text:
    since, until = row.key.get("valid_from"), row.says.get("valid_to")
    if since is None:
        return plain("" if "valid_from" not in row.key else "ever")
    return plain(f"{day(since)} on" if until is None else f"{day(since)} to {day(until)}")


def _told(version: Version) -> Text:
    since = f"state {version.first_reference_id}, {day(version.recorded_from)}"
    if version.recorded_until is None or version.last_reference_id is None:
        return plain(f"{since}; in force", "green")
    return plain(f"{since}, to state {version.last_reference_id + 1}, {day(version.recorded_until)}")


def _became(change: str, field: str, was: object, now: object) -> Text:
    if change != "changed":
        told = now if change == "added" else was
        return plain(f"{field} {_shown(told)}" if _told_at_all(told) else f"{field} none")
    return plain(f"{field} {_shown(was)} -> {_shown(now)}")


def _told_at_all(value: object) -> bool:
    return value not in (None, ())


def _shown(value: object) -> str:
    if isinstance(value, datetime):
        return day(value)
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_shown(one) for one in value) + "]"
    return "none" if value is None else str(value)
