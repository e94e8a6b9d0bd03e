"""Water content over time, a panel a depth: with its uncertainty, verdicts by shape and zones by pattern.

The band is one standard uncertainty to either side. Verdicts differ by marker, zones by hatching along the foot of each
panel, so that nothing hangs on colour.
"""

from __future__ import annotations

import textwrap
from datetime import UTC
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import Floats, Ints, floats, whole
from loamline.edges.drawing_style import GREY, INK, PAPER, DrawingError, lines, png, ruled, styled
from loamline_schemas.verdicts import Verdict, Zone

_WIDTH_MM, _PANEL_MM, _WORDS_MM = 190.0, 52.0, 44.0
_LEFT, _RIGHT = 0.1, 0.98
#: More panels than a page holds.
MOST_PANELS = 8
#: Over a longer pause than so many of its usual ones a line is not carried on.
_GAP = 4.0
#: Column that tells the instant, by the resolution that has it.
_INSTANTS = ("measured_at", "hour", "day")
_MARKERS: dict[str, dict[str, Any]] = {
    Verdict.SUSPECT.word: {"marker": "^", "markersize": 5, "markerfacecolor": PAPER},
    Verdict.FAIL.word: {"marker": "x", "markersize": 5},
    Verdict.NOT_EVALUATED.word: {"marker": "o", "markersize": 4, "markerfacecolor": PAPER},
    Verdict.MISSING.word: {"marker": "|", "markersize": 7},
}
_HATCHES = {Zone.DEFICIT.word: "////", Zone.ADEQUATE.word: "", Zone.EXCESS.word: "...."}
#: Share of a panel's height that its zones take.
_STRIP = 0.06
_CAPTION = (
    "Band: one standard uncertainty to either side. Line: readings that neither failed nor are missing; it breaks "
    "where there is none for long. Strip at the foot: zone, by the place's soil and crop. Estimates, no substitute for "
    "local advice."
)


def draw_moisture(readings: pa.Table) -> Any:
    """Return a matplotlib Figure of readings (any resolution), a panel each dev_eui and depth_index.

    Needs the columns dev_eui, depth_index, vwc_m3_m3, verdict and one of measured_at, hour and day; serial, site,
    label, depth_cm, zone and vwc_uncertainty_m3_m3 are used where they are there.

    Raises DrawingError for no readings, for readings that lack a column and for more than MOST_PANELS panels.
    """
    when = _when(readings)
    panels = _panels(readings)
    height_mm = _PANEL_MM * len(panels) + _WORDS_MM
    with styled(_WIDTH_MM, height_mm) as figure:
        grid = {"left": _LEFT, "right": _RIGHT, "bottom": 30.0 / height_mm, "top": 1 - 9.0 / height_mm, "hspace": 0.3}
        drawn = figure.subplots(len(panels), 1, sharex=True, squeeze=False, gridspec_kw=grid)[:, 0]
        for axes, rows in zip(drawn, panels, strict=True):
            _panel(axes, rows, when)
        drawn[-1].set_xlabel("day by the clock of the site" if when == "day" else f"{when.replace('_', ' ')}, UTC")
        _time_axis(drawn[-1])
        figure.align_ylabels(drawn)
        _key(figure, height_mm)
    # A notebook shows what has such a method, whatever backend is set.
    figure._repr_png_ = lambda: png(figure)
    return figure


def _when(readings: pa.Table) -> str:
    found = next((name for name in _INSTANTS if name in readings.column_names), None)
    missing = [name for name in ("dev_eui", "depth_index", "vwc_m3_m3", "verdict") if name not in readings.column_names]
    if found is None or missing:
        lacking = ", ".join(missing) or " or ".join(_INSTANTS)
        raise DrawingError(f"expected readings in m3/m3 to draw, got some without {lacking}; ask with unit='m3/m3'")
    return found


def _panels(readings: pa.Table) -> list[pa.Table]:
    if not readings.num_rows:
        raise DrawingError("expected readings to draw, got none; widen since, until, site or probe")
    names, depths = readings.column("dev_eui").to_pylist(), readings.column("depth_index").to_pylist()
    where: dict[tuple[Any, Any], list[int]] = {}
    for row, key in enumerate(zip(names, depths, strict=True)):
        where.setdefault(key, []).append(row)
    if len(where) > MOST_PANELS:
        raise DrawingError(
            f"expected at most {MOST_PANELS} depths of probes to draw, got {len(where)}; name one by probe= or depth="
        )
    return [readings.take(pa.array(where[key], pa.int64())) for key in sorted(where)]


def _panel(axes: Any, rows: pa.Table, when: str) -> None:
    at = _microseconds(rows, when)
    order = np.argsort(at, kind="stable")
    at, vwc = at[order], floats(whole(rows, "vwc_m3_m3"))[order]
    verdict = np.array(rows.column("verdict").to_pylist(), dtype=object)[order]
    good = ~np.isin(verdict, [Verdict.FAIL.word, Verdict.MISSING.word]) if when == "measured_at" else np.isfinite(vwc)
    (look,) = lines(1)
    x, y = _broken(at, np.where(good, vwc, np.nan))
    if "vwc_uncertainty_m3_m3" in rows.column_names:
        _, half = _broken(at, floats(whole(rows, "vwc_uncertainty_m3_m3"))[order])
        axes.fill_between(x, y - half, y + half, color=GREY, alpha=0.25, linewidth=0)
    axes.plot(x, y, **look)
    alone = _alone(y)
    axes.plot(x[alone], y[alone], linestyle="none", marker=".", markersize=3, color=INK)
    instants = at.astype("datetime64[us]")
    for word, marker in _MARKERS.items():
        here = (verdict == word) & np.isfinite(vwc)
        axes.plot(instants[here], vwc[here], linestyle="none", color=INK, markeredgewidth=0.8, **marker)
    missing = (verdict == Verdict.MISSING.word) & ~np.isfinite(vwc)
    axes.plot(instants[missing], np.full(int(missing.sum()), 1 - _STRIP), linestyle="none", color=INK,
              transform=axes.get_xaxis_transform(), **_MARKERS[Verdict.MISSING.word])  # fmt: skip
    if "zone" in rows.column_names:
        zone = np.array(rows.column("zone").to_pylist(), dtype=object)[order]
        # What failed says nothing of the soil, the zone that was reckoned from it neither.
        _zones(
            axes, at, np.array([told if sound else None for told, sound in zip(zone, good, strict=True)], dtype=object)
        )
    if not np.isfinite(vwc).any():
        axes.text(0.5, 0.5, "no water content", transform=axes.transAxes, ha="center", color=GREY)
        axes.set_yticks([])
    axes.set_ylabel("water content, m³/m³")
    axes.set_title(_title(rows), loc="left", fontsize=10.5, color=INK)
    axes.margins(x=0.01, y=0.16)
    ruled(axes)


def _microseconds(rows: pa.Table, when: str) -> Ints:
    column = whole(rows, when)
    return np.asarray(column.cast(pa.timestamp("us")).cast(pa.int64()).to_numpy(zero_copy_only=False), dtype=np.int64)


def _zones(axes: Any, at: Ints, zone: Any) -> None:
    """Hatch the foot of the panel by zone, each stretch to the next reading or half a usual pause on."""
    half = _spacing(at) // 2
    start = 0
    for row in range(1, len(at) + 1):
        if row < len(at) and zone[row] == zone[start] and at[row] - at[row - 1] <= _GAP * 2 * half:
            continue
        if zone[start] in _HATCHES:
            ends = [np.datetime64(int(at[start]) - half, "us"), np.datetime64(int(at[row - 1]) + half, "us")]
            axes.axvspan(*ends, 0, _STRIP, facecolor=PAPER, edgecolor=GREY, hatch=_HATCHES[zone[start]], linewidth=0.5)
        start = row


def _title(rows: pa.Table) -> str:
    told = {name: rows.column(name)[rows.num_rows - 1].as_py() for name in rows.column_names}
    deep = f"{told['depth_cm']:g} cm" if told.get("depth_cm") is not None else f"depth {told['depth_index']}"
    where = [told.get(name) for name in ("site", "label")]
    words = [deep, *(word for word in where if word), f"probe {told.get('serial') or told['dev_eui']}"]
    text = ", ".join(words)
    return textwrap.shorten("".join(char for char in text if char.isprintable()), 100, placeholder=" …")


def _key(figure: Any, height_mm: float) -> None:
    """Put what the markers and hatches mean, and the cautions, below the panels."""
    from matplotlib.lines import Line2D  # noqa: PLC0415 - half a second, see drawing_style
    from matplotlib.patches import Patch  # noqa: PLC0415

    marks: list[Any] = [
        Line2D([], [], linestyle="none", color=INK, markeredgewidth=0.8, label=word.replace("_", " "), **marker)
        for word, marker in _MARKERS.items()
    ]
    marks += [Patch(facecolor=PAPER, edgecolor=GREY, hatch=hatch, label=word) for word, hatch in _HATCHES.items()]
    figure.legend(
        handles=marks, loc="lower left", bbox_to_anchor=(_LEFT - 0.01, 10.0 / height_mm), ncols=len(marks),
        frameon=False, fontsize=8.5, handletextpad=0.4, columnspacing=1.2,
    )  # fmt: skip
    caption = "\n".join(textwrap.wrap(_CAPTION, 125))
    figure.text(_LEFT, 2.0 / height_mm, caption, color=GREY, fontsize=8.5, va="bottom", linespacing=1.3)


def _broken(at: Ints, values: Floats) -> tuple[Any, Floats]:
    """Return a line with a break in each long pause; instants as datetime64."""
    after = np.flatnonzero(np.diff(at) > _GAP * _spacing(at)) + 1
    return np.insert(at, after, at[after - 1] + 1).astype("datetime64[us]"), np.insert(values, after, np.nan)


def _alone(values: Floats) -> Any:
    """Return the figures with none to either side, which no line shows."""
    none = np.isnan(np.concatenate([[np.nan], values, [np.nan]]))
    return np.flatnonzero(~none[1:-1] & none[:-2] & none[2:])


def _spacing(at: Ints) -> int:
    return int(np.median(np.diff(at))) if len(at) > 1 else 3_600_000_000


def _time_axis(axes: Any) -> None:
    from matplotlib import dates  # noqa: PLC0415 - half a second, see drawing_style

    untyped: Any = dates
    locator = untyped.AutoDateLocator(minticks=3, maxticks=9, tz=UTC)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(untyped.ConciseDateFormatter(locator, tz=UTC))
