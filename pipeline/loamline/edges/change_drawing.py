"""One probe's water content before and after a recalculation, drawn: a panel a depth, one SVG a probe."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.change_report import Place
from loamline.core.columns import Floats, Ints, floats, instants, ints, whole
from loamline.edges.drawing_style import FAINT, GREY, INK, lines, ruled, save, styled

_WIDTH_MM, _PANEL_MM, _WORDS_MM = 190.0, 52.0, 40.0
_LEFT, _RIGHT = 0.1, 0.98
#: Over a longer pause than so many of its usual ones a line is not carried on.
_GAP = 4.0
_CAPTION = (
    "Dashed: as stored. Solid: as a replay under registry state {state} gives it. Where both agree, only the solid "
    "line shows. Shaded: where the verdict changes. A line breaks where there is no figure, or no reading for long."
)


def draw_probe(path: Path, name: str, rows: pa.Table, places: Sequence[Place], state: int) -> None:
    """Draw one probe's `rows` (`preview.Compared`) to a PNG or SVG; raises DrawingError.

    `name` is the probe's; `state` is the number of the registry state that a replay would apply.
    """
    depth = ints(whole(rows, "depth_index"))
    depths = np.unique(depth).tolist()
    height_mm = _PANEL_MM * len(depths) + _WORDS_MM
    with styled(_WIDTH_MM, height_mm) as figure:
        panels = figure.subplots(
            len(depths),
            1,
            sharex=True,
            squeeze=False,
            gridspec_kw={
                "left": _LEFT,
                "right": _RIGHT,
                "bottom": 25.0 / height_mm,
                "top": 1 - 17.0 / height_mm,
                "hspace": 0.28,
            },
        )[:, 0]
        for axes, index in zip(panels, depths, strict=True):
            _panel(axes, rows.filter(pa.array(depth == index)), places, index)
        panels[-1].set_xlabel("measured at, UTC")
        _time_axis(panels[-1])
        figure.align_ylabels(panels)
        title = f"Probe {_shown(name)}: water content before and after a replay"
        figure.text(_LEFT, 1 - 8.0 / height_mm, title, color=INK, fontsize=12.5)
        caption = "\n".join(textwrap.wrap(_CAPTION.format(state=state), 125))
        figure.text(_LEFT, 2.0 / height_mm, caption, color=GREY, fontsize=8.5, va="bottom", linespacing=1.3)
        save(figure, path)


def _panel(axes: Any, rows: pa.Table, places: Sequence[Place], index: int) -> None:
    at = instants(whole(rows, "measured_at"))
    solid, dashed = lines(2)
    flipped = ints(whole(rows, "verdict_before")) != ints(whole(rows, "verdict_after"))
    for start, end in _stretches(at, flipped):
        axes.axvspan(start, end, color=FAINT, alpha=0.7, linewidth=0)
    for side, look in (("before", dashed), ("after", solid)):
        x, y = _broken(at, floats(whole(rows, f"vwc_m3_m3_{side}")))
        alone = _alone(y)
        axes.plot(x, y, **look)
        axes.plot(x[alone], y[alone], linestyle="none", marker=".", markersize=3, color=look["color"])
    axes.set_ylabel("water content, m³/m³")
    axes.set_title(_where(rows, places, index), loc="left", fontsize=10.5, color=INK)
    axes.margins(x=0.01)
    ruled(axes)


def _where(rows: pa.Table, places: Sequence[Place], index: int) -> str:
    place = places[int(ints(whole(rows, "place"))[-1])]
    if place.site is None:
        return f"depth {index}, in no placement"
    site = textwrap.shorten(_shown(place.site), 60, placeholder=" …")
    return f"{place.depth_cm:g} cm, {place.texture}, {site}"


def _shown(text: str) -> str:
    return "".join(character for character in text if character.isprintable())


def _stretches(at: Ints, flipped: Any) -> list[tuple[Any, Any]]:
    """Return where neighbouring readings are flipped, each stretch half a spacing wider to either side."""
    half = _spacing(at) // 2
    found: list[tuple[int, int]] = []
    for instant in at[flipped].tolist():
        if found and instant - half <= found[-1][1]:
            found[-1] = (found[-1][0], instant + half)
        else:
            found.append((instant - half, instant + half))
    return [(np.datetime64(start, "us"), np.datetime64(end, "us")) for start, end in found]


def _broken(at: Ints, vwc_m3_m3: Floats) -> tuple[Any, Floats]:
    """Return the line with a break in each long pause; instants as datetime64."""
    after = np.flatnonzero(np.diff(at) > _GAP * _spacing(at)) + 1
    x = np.insert(at, after, at[after - 1] + 1).astype("datetime64[us]")
    return x, np.insert(vwc_m3_m3, after, np.nan)


def _alone(vwc_m3_m3: Floats) -> Any:
    """Return the figures with none to either side, which no line shows."""
    none = np.isnan(np.concatenate([[np.nan], vwc_m3_m3, [np.nan]]))
    return np.flatnonzero(~none[1:-1] & none[:-2] & none[2:])


def _spacing(at: Ints) -> int:
    return int(np.median(np.diff(at))) if len(at) > 1 else 3_600_000_000


def _time_axis(axes: Any) -> None:
    from matplotlib import dates  # noqa: PLC0415 - half a second, see drawing_style

    untyped: Any = dates
    locator = untyped.AutoDateLocator(maxticks=9, tz=UTC)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(untyped.ConciseDateFormatter(locator, tz=UTC))


def file_name(dev_eui: str) -> str:
    """Return what a probe's drawing is called."""
    return f"{dev_eui}.svg"
