"""A fleet's radio drawn: probes down; which gateway hears each how well, and on which days uplinks were lost.

Every cell says in figures or in the size of its mark what it says in shade, so that it reads in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from loamline.core.radio_sheet import Sheet
from loamline.edges.drawing_style import FAINT, GREY, INK, PAPER, save, styled

#: Millimetres: a row, a gateway's column, and what stands round the cells.
_ROW, _GATEWAY, _DAYS = 5.8, 9.8, 128.0
_NAMES, _GAP, _RIGHT, _BOTTOM, _TITLE = 52.0, 7.0, 15.0, 30.0, 9.0
_LONGEST_NAME, _LONGEST_GATEWAY = 32, 18
#: Less margin than this fades away in rain, or under a grown crop (common practice, as in `loamline fleet`).
WEAK_MARGIN_DB = 3.0
_SMALL = 8.0
_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class _Place:
    """Where the parts stand, in mm from the lower left corner."""

    width: float
    height: float
    top: float
    matrix: float
    days: float


def draw_radio(path: Path, sheet: Sheet, names: Sequence[str], title: str) -> None:
    """Draw a sheet, its probes by name, to a PNG or SVG; raises DrawingError."""
    rows = max(len(sheet.probes), 1)
    longest = max((min(len(name), _LONGEST_GATEWAY) for name in sheet.gateways), default=0)
    head = max(12.0, 1.75 * longest + 3.0)
    days = _NAMES + _GATEWAY * max(len(sheet.gateways), 1) + _GAP
    top = _BOTTOM + rows * _ROW
    place = _Place(days + _DAYS + _RIGHT, top + head + _TITLE, top, _NAMES, days)
    with styled(place.width, place.height) as figure:
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set(xlim=(0, place.width), ylim=(0, place.height))
        axes.axis("off")
        axes.text(4, place.height - 6.5, _cut(title, 110), fontsize=11.5, va="center")
        for at, name in enumerate(names):
            axes.text(_NAMES - 2.5, _middle(place, at), _cut(name, _LONGEST_NAME), ha="right", va="center", fontsize=9)
        _matrix(axes, place, sheet)
        _calendar(axes, place, sheet)
        _legend(axes, sheet)
        save(figure, path)


def _middle(place: _Place, row: int) -> float:
    return place.top - (row + 0.5) * _ROW


def _matrix(axes: Any, place: _Place, sheet: Sheet) -> None:
    for column, name in enumerate(sheet.gateways):
        x = place.matrix + (column + 0.5) * _GATEWAY
        axes.text(x, place.top + 1.8, _cut(name, _LONGEST_GATEWAY), rotation=90, ha="center", va="bottom", fontsize=9)
        for row in range(len(sheet.probes)):
            only = int(sheet.only[row]) == column
            _link(axes, (x, _middle(place, row)), float(sheet.margin_db[row, column]), float(sheet.share[row, column]))
            if only:
                _frame(axes, (x, _middle(place, row)))


def _link(axes: Any, at: tuple[float, float], margin_db: float, share: float) -> None:
    """Draw one pair's cell: its margin as a figure over a bar as long as its share of the uplinks."""
    x, y = at
    width, height = _GATEWAY - 1.5, _ROW - 1.3
    if np.isnan(share):
        axes.plot([x], [y], marker=".", markersize=1.6, color=GREY)
        return
    weak = margin_db < WEAK_MARGIN_DB
    _box(axes, x - width / 2, y - height / 2, width, height, INK if weak else PAPER, FAINT)
    text = "?" if np.isnan(margin_db) else f"{margin_db:.0f}".replace("-", "\u2212")
    axes.text(x, y + 0.5, text, ha="center", va="center", fontsize=8.5, color=PAPER if weak else INK)
    bar = (width - 1.6) * min(share, 1.0)
    _box(axes, x - width / 2 + 0.8, y - height / 2 + 0.45, width - 1.6, 0.55, GREY if weak else FAINT, None)
    _box(axes, x - width / 2 + 0.8, y - height / 2 + 0.45, bar, 0.55, PAPER if weak else INK, None)


def _frame(axes: Any, at: tuple[float, float]) -> None:
    from matplotlib.patches import Rectangle  # noqa: PLC0415 - only where something is drawn

    width, height = _GATEWAY - 0.5, _ROW - 0.3
    corner = (at[0] - width / 2, at[1] - height / 2)
    axes.add_patch(Rectangle(corner, width, height, facecolor="none", edgecolor=INK, linewidth=1.5))


def _calendar(axes: Any, place: _Place, sheet: Sheet) -> None:
    columns = sheet.received.shape[1]
    width = _DAYS / columns
    for row in range(len(sheet.probes)):
        y = _middle(place, row)
        for column in range(columns):
            x = place.days + (column + 0.5) * width
            _day(axes, (x, y), (width, _ROW), int(sheet.received[row, column]), int(sheet.lost[row, column]))
        ratio = f"{100 * sheet.delivery_ratio[row]:.1f} %"
        axes.text(place.days + _DAYS + 2, y, ratio, ha="left", va="center", fontsize=9)
    axes.text(place.days + _DAYS + 2, place.top + 1.8, "heard", ha="left", va="bottom", fontsize=9)
    step = max(1, round(7 / sheet.days_each)) if columns > 10 else 1
    last = -99.0
    for column in range(0, columns, step):
        day = _EPOCH + timedelta(days=sheet.first_day + column * sheet.days_each)
        x = place.days + column * width
        axes.plot([x, x], [place.top + 0.3, place.top + 1.5], color=INK, linewidth=0.6)
        if x - last >= 17 and x <= place.days + _DAYS - 17:
            axes.text(x, place.top + 1.8, f"{day.day} {day:%b %Y}", ha="left", va="bottom", fontsize=_SMALL)
            last = x


def _day(axes: Any, at: tuple[float, float], size: tuple[float, float], received: int, lost: int) -> None:
    """Draw one probe's day: a frame, a square as large as the share lost, or a stroke where nothing was heard of it."""
    (x, y), (width, height) = at, size
    frame = min(width - 0.25, height - 0.8), height - 0.8
    if width > height:
        frame = width - 0.35, height - 0.8
    _box(axes, x - frame[0] / 2, y - frame[1] / 2, *frame, PAPER, FAINT)
    if received + lost == 0:
        axes.plot(
            [x - 0.32 * frame[0], x + 0.32 * frame[0]],
            [y - 0.32 * frame[1], y + 0.32 * frame[1]],
            color=GREY,
            linewidth=0.6,
        )
        return
    share = np.sqrt(lost / (received + lost))
    if share > 0:
        _box(axes, x - share * frame[0] / 2, y - share * frame[1] / 2, share * frame[0], share * frame[1], INK, None)


def _legend(axes: Any, sheet: Sheet) -> None:
    """Explain the cells, under them, each by one of its kind."""
    y = _BOTTOM - 6.5
    x = 8.0
    for margin, share, only, words in (
        (12.0, 0.8, False, "margin in dB; bar: share of the uplinks that this gateway heard"),
        (1.0, 0.5, False, f"under {WEAK_MARGIN_DB:g} dB"),
        (9.0, 0.9, True, "the only gateway that hears it"),
        (np.nan, np.nan, False, "not heard"),
    ):
        _link(axes, (x, y), margin, share)
        if only:
            _frame(axes, (x, y))
        axes.text(x + 6, y, words, va="center", fontsize=_SMALL)
        x += 6 + 1.22 * len(words) + 8
    y -= 7.5
    each = "day" if sheet.days_each == 1 else f"{sheet.days_each} days"
    x = 8.0
    for received, lost, words in (
        (9, 0, f"{each} (UTC): all uplinks heard"),
        (9, 1, "one in ten lost"),
        (1, 1, "half of them lost"),
        (0, 1, "all lost"),
        (0, 0, "none known of: silent, or not yet there"),
    ):
        _day(axes, (x, y), (_ROW - 1.6, _ROW), received, lost)
        axes.text(x + 4, y, words, va="center", fontsize=_SMALL)
        x += 4 + 1.22 * len(words) + 8
    told = (
        "Lost uplinks are gaps of the frame counter, spread evenly over the time between the two heard. ?: no SNR told."
    )
    axes.text(4, 8.5, told, va="center", fontsize=_SMALL)
    left_out = [
        f"{many} more {what}{'' if many == 1 else 's'}"
        for many, what in zip(sheet.left_out, ("probe", "gateway"), strict=True)
        if many
    ]
    if left_out:
        told = f"No room for {' and '.join(left_out)}: shown are the poorest delivery and the busiest gateways."
        axes.text(4, 4.0, told, va="center", fontsize=_SMALL)


def _box(axes: Any, x: float, y: float, width: float, height: float, fill: str, edge: str | None) -> None:
    from matplotlib.patches import Rectangle  # noqa: PLC0415 - only where something is drawn

    look: Any = {"facecolor": fill, "edgecolor": edge or "none", "linewidth": 0.5 if edge else 0}
    axes.add_patch(Rectangle((x, y), width, height, **look))


def _cut(name: str, longest: int) -> str:
    told = "".join(c for c in name if c.isprintable())
    return told if len(told) <= longest else told[: longest - 1] + "…"
