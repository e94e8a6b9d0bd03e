"""What the `loamline replay` commands say: plans, reports and revisions, as tables and as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from rich.table import Table
from rich.text import Text

from loamline.app.output import rfc3339
from loamline.app.text import plain
from loamline.core.change_report import ChangeReport
from loamline.core.columns import instant
from loamline_schemas.verdicts import Verdict, Zone

#: The causes of a stale reading in words; others stand as they are.
CAUSES = {
    "probe": "the probe's record",
    "placement": "the placement",
    "transducer": "the transducer curve",
    "soil": "the soil curve",
    "limits": "the limits",
    "soil_layer": "the soil layer",
    "crop": "the crop",
    "codec": "the codec",
    "rules": "the rules of this version of loamline",
    "set_aside": "uplinks set aside that a codec reads by now",
}
#: Sites, probes and months shown of a plan; --json has all.
_SHOWN = 12
#: A table's column as wide as its cells: 80 columns hold all.
_BOX = None


def plan_tables(told: Mapping[str, Any]) -> list[Table]:
    """Return a plan, as `Plan.as_fields` gives it, as tables."""
    causes = _counts("cause", {CAUSES.get(name, name): count for name, count in told["causes"].items()})
    parts = (("site", "sites"), ("probe", "probes"), ("month", "months"))
    return [causes, *(_counts(title, told[name]) for title, name in parts if told.get(name))]


def _counts(title: str, counts: Mapping[str, int]) -> Table:
    table = Table(title, "readings", box=_BOX)
    table.columns[1].justify = "right"
    shown = list(counts.items())[:_SHOWN]
    for name, count in shown:
        table.add_row(plain(name or "(in no placement)"), str(count))
    if len(counts) > len(shown):
        table.add_row(f"... and {len(counts) - len(shown)} more", "")
    return table


def report_fields(report: ChangeReport) -> list[dict[str, Any]]:
    """Return a change report for JSON, one object a site, depth and texture."""
    return [
        {
            "site": change.place.site,
            "depth_cm": change.place.depth_cm,
            "texture": change.place.texture,
            "rows": change.rows,
            "shifted": change.shifted,
            "gained": change.gained,
            "lost": change.lost,
            "mean_shift_m3_m3": change.mean_m3_m3,
            "p95_absolute_shift_m3_m3": change.percentile_m3_m3(95),
            "largest_absolute_shift_m3_m3": change.largest_m3_m3 if change.shifted else None,
            "verdicts": _flips(change.verdicts, {int(flag): flag.word for flag in Verdict}),
            "zones": _flips(change.zones, {int(zone): zone.word for zone in Zone}),
            "first_measured_at": _instant(change.first_us),
            "last_measured_at": _instant(change.last_us),
        }
        for change in report.in_order()
    ]


def _flips(flips: Mapping[tuple[int, int], int], words: Mapping[int, str]) -> list[dict[str, Any]]:
    return [
        {"from": words.get(before), "to": words.get(after), "readings": count}
        for (before, after), count in sorted(flips.items())
    ]


def _instant(us: int | None) -> datetime | None:
    return None if us is None else instant(us)


def report_table(report: Sequence[Mapping[str, Any]]) -> Table:
    """Return a change report, as `report_fields` gives it, as a table of shifts."""
    table = Table(
        "place", "readings", "mean shift", "p95", "largest", "what flips", title="shift of water content, m3/m3"
    )
    for column in table.columns[1:5]:
        column.justify = "right"
    for change in report:
        table.add_row(
            _place(change),
            str(change["rows"]),
            _shift(change["mean_shift_m3_m3"], signed=True),
            _shift(change["p95_absolute_shift_m3_m3"]),
            _shift(change["largest_absolute_shift_m3_m3"]),
            _flip_text(change),
        )
    return table


def _place(change: Mapping[str, Any]) -> Text:
    if change["site"] is None:
        return Text("(in no placement)")
    return plain(f"{change['site']}, {change['depth_cm']:g} cm, {change['texture']}")


def _shift(shift_m3_m3: float | None, *, signed: bool = False) -> str:
    if shift_m3_m3 is None:
        return "-"
    return f"{shift_m3_m3:+.4f}" if signed else f"{shift_m3_m3:.4f}"


def _flip_text(change: Mapping[str, Any]) -> Text:
    told = [
        f"{flip['from'] or 'none'} to {flip['to'] or 'none'}: {flip['readings']}"
        for flip in (*change["verdicts"], *change["zones"])
    ]
    counts = ((change["gained"], "gain"), (change["lost"], "lose"))
    told += [f"{count} {word} a figure" for count, word in counts if count]
    return plain("\n".join(told))


def revision_fields(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a revision's row for JSON; its scope as an object."""
    told = dict(row)
    told["scope"] = json.loads(told["scope"]) if isinstance(told["scope"], str) else told["scope"]
    return {"revision": told.pop("revision_id"), **told}


def revision_lines(told: Mapping[str, Any]) -> Table:
    """Return one revision as a table of names and values."""
    table = Table(box=None, show_header=False)
    for name, value in (
        ("revision", told["revision"]),
        ("step", told["step"]),
        ("reason", told["reason"]),
        ("asked by", told["asked_by"]),
        ("asked at", _time(told["asked_at"])),
        ("published at", _time(told["published_at"])),
        ("undone at", _time(told["undone_at"])),
        ("readings changed", "" if told["changed"] is None else told["changed"]),
        ("registry state", told["reference_id"]),
        ("scope", scope_text(told["scope"])),
    ):
        table.add_row(name, plain(value))
    return table


def revisions_table(rows: list[dict[str, Any]]) -> Table:
    """Return all revisions, the oldest first."""
    table = Table("", "step", "changed", "asked at", "by", "reason", "scope")
    for told in rows:
        changed = "" if told["changed"] is None else str(told["changed"])
        cells = (
            told["step"],
            changed,
            _time(told["asked_at"]),
            told["asked_by"],
            told["reason"],
            scope_text(told["scope"]),
        )
        table.add_row(str(told["revision"]), *(plain(cell) for cell in cells))
    return table


def scope_text(scope: Mapping[str, Any]) -> str:
    """Return a scope in words."""
    if not scope:
        return "everything"
    told = [f"{name} {', '.join(scope[name])}" for name in ("probes", "sites", "curves") if scope.get(name)]
    told += [f"{name} {scope[name]}" for name in ("since", "until") if scope.get(name)]
    return "; ".join(told)


def _time(value: Any) -> str:
    return rfc3339(value.replace(microsecond=0)) if isinstance(value, datetime) else value or ""
