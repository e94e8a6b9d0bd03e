"""Curves drawn side by side: what each gives over its own domain, and below, how far each stands from the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np

from loamline.core.columns import Floats
from loamline.core.curves.comparison import outputs, whole_domain
from loamline.core.curves.kinds import standard_error
from loamline.edges.drawing_style import GREY, INK, PAPER, lines, ruled, save, spread, styled
from loamline_schemas.curves import Curve

_WIDTH_MM, _HEIGHT_MM = 190.0, 150.0
#: The left edge of the panels, as a share of the drawing's width, and their labels', as one of the panels' own.
_LEFT, _LABELS = 0.1, -0.11
#: The share of the width that is left to the curves' names.
_NAMES = 0.25
_SAMPLES = 801
#: Longer names are cut: the table beside the drawing has them whole.
_LONGEST_NAME = 23
AXES = {
    "soil": ("relative permittivity Ka", "water content, m³/m³"),
    "transducer": ("relative count x, 0 in air and 1 in water", "relative permittivity Ka"),
}


@dataclass(frozen=True)
class _End:
    """Where a curve's line ends on the right, and the line itself, increasing in x."""

    name: str
    curve: Curve
    look: dict[str, Any]
    drawn_x: Floats
    drawn_y: Floats

    @classmethod
    def of(cls, name: str, curve: Curve, look: dict[str, Any], line: tuple[Floats, Floats]) -> Self | None:
        """Return the end of a line, None where nothing of it is drawn."""
        drawn = ~np.isnan(line[1])
        return cls(name, curve, look, line[0][drawn], line[1][drawn]) if drawn.any() else None

    @property
    def x(self) -> float:
        return float(self.drawn_x[-1])

    @property
    def y(self) -> float:
        return float(self.drawn_y[-1])


def draw_comparison(path: Path, names: Sequence[str], curves: Sequence[Curve], soil_temperature_degc: float) -> None:
    """Draw 2 curves or more of one step, by distinct names, to a PNG or SVG; raises DrawingError."""
    looks = lines(len(curves))
    with styled(_WIDTH_MM, _HEIGHT_MM) as figure:
        upper, lower = figure.subplots(
            2,
            1,
            sharex=True,
            height_ratios=(2.3, 1),
            gridspec_kw={"left": _LEFT, "right": 1 - _NAMES, "bottom": 0.115, "top": 0.93, "hspace": 0.12},
        )
        low, high = whole_domain(curves)
        lower.set_xlim(low - 0.02 * (high - low), high + 0.01 * (high - low))
        drawn = [_sampled(curve, curves[0], soil_temperature_degc) for curve in curves]
        for curve, look, (x, y, _) in zip(curves, looks, drawn, strict=True):
            _line(upper, x, y, look)
            _band(upper, curve, x, y, look)
        for look, (x, _, differing) in zip(looks[1:], drawn[1:], strict=True):
            _line(lower, x, differing, look)
        error = standard_error(curves[0])
        lower.axhline(0, color=looks[0]["color"], linewidth=looks[0]["linewidth"])
        if error is not None:
            lower.axhspan(-error, error, color=looks[0]["color"], alpha=0.09, linewidth=0)
        ends = [_End.of(*told) for told in zip(names, curves, looks, [(x, y) for x, y, _ in drawn], strict=True)]
        _name_lines(upper, [end for end in ends if end], line_height=0.092, with_error=True)
        apart = [(x, differing) for x, _, differing in drawn]
        ends = [_End.of(*told) for told in zip(names[1:], curves[1:], looks[1:], apart[1:], strict=True)]
        _name_lines(lower, [end for end in ends if end], line_height=0.15, with_error=False)
        _words(figure, upper, lower, curves, soil_temperature_degc)
        save(figure, path)


def _sampled(curve: Curve, first: Curve, degc: float) -> tuple[Floats, Floats, Floats]:
    """Return inputs over a curve's own domain, its outputs, and those less the first's, NaN where that has none."""
    x = np.linspace(*curve.domain, _SAMPLES)
    mine, its = outputs([curve, first], x, degc)
    return x, mine, mine - its


def _line(axes: Any, x: Floats, y: Floats, look: dict[str, Any]) -> None:
    """Draw a line, and where it begins and ends, a bar: beyond those there is no figure."""
    axes.plot(x, y, solid_capstyle="butt", **look)
    drawn = np.flatnonzero(~np.isnan(y))
    if len(drawn):
        ends = drawn[[0, -1]]
        axes.plot(x[ends], y[ends], linestyle="none", marker="|", markersize=8, mew=1.3, color=look["color"])


def _band(axes: Any, curve: Curve, x: Floats, y: Floats, look: dict[str, Any]) -> None:
    error = standard_error(curve)
    if error is not None:
        axes.fill_between(x, y - error, y + error, color=look["color"], alpha=0.09, linewidth=0)


def _name_lines(axes: Any, ends: Sequence[_End], *, line_height: float, with_error: bool) -> None:
    """Write each curve's name beside the panel, as high as its line ends, with a thin leader from there.

    Where a line ends early as the uppermost or lowermost, the room beside its end is free, as curves rise, and
    the name stands there.
    """
    bottom, top = axes.get_ylim()
    left, right = axes.get_xlim()
    width = right - left
    near, far = right + 0.012 * width, right + 0.066 * width
    beside = _beside(ends, right - 0.08 * width) if with_error else {}
    others = [end for end in ends if end.name not in beside]
    for end in ends:
        if end.name in beside:
            across, up, ha = (-6, 13, "right") if beside[end.name] == "above" else (9, -8, "left")
            _name(axes, (end.x, end.y), (across, up), end, ha=ha, with_error=with_error)
    places = spread([end.y for end in others], line_height * (top - bottom), bottom, top)
    for place, end in zip(places, others, strict=True):
        axes.plot([end.x, near], [end.y, place], color=GREY, linewidth=0.4, clip_on=False, zorder=1)
        axes.plot([near, far], [place, place], clip_on=False, **end.look)
        _name(axes, (far, place), (4, 0), end, ha="left", with_error=with_error)


def _beside(ends: Sequence[_End], early: float) -> dict[str, str]:
    """Return which curves end early with nothing above, or nothing below, by name; at most one of each."""
    found: dict[str, str] = {}
    for end in ends:
        there = [np.interp(end.x, one.drawn_x, one.drawn_y) for one in ends if one.x >= end.x and one is not end]
        if end.x > early or not there:
            continue
        side = "above" if end.y > max(there) else "below" if end.y < min(there) else ""
        if side and side not in found.values():
            found[end.name] = side
    return found


def _name(
    axes: Any, at: tuple[float, float], offset: tuple[float, float], end: _End, *, ha: str, with_error: bool
) -> None:
    name = end.name if len(end.name) <= _LONGEST_NAME else end.name[: _LONGEST_NAME - 1] + "…"
    error = standard_error(end.curve) if with_error else None
    told: dict[str, Any] = {"textcoords": "offset points", "annotation_clip": False, "ha": ha}
    axes.annotate(
        "".join(c for c in name if c.isprintable()),
        at,
        xytext=(offset[0], offset[1] - (0 if error is None else 3.5)),
        va="center" if error is None else "bottom",
        color=end.look["color"],
        **told,
    )
    if error is not None:
        unit = " m³/m³" if end.curve.step == "soil" else ""
        below = (offset[0], offset[1] - 3)
        axes.annotate(f"± {error:.3g}{unit}", at, xytext=below, va="top", color=GREY, fontsize=8.5, **told)


def _words(figure: Any, upper: Any, lower: Any, curves: Sequence[Curve], degc: float) -> None:
    across, up = AXES[curves[0].step]
    for axes in (upper, lower):
        ruled(axes)
        axes.set_facecolor(PAPER)
    upper.tick_params(labelbottom=False)
    upper.set_ylabel(up)
    lower.set_ylabel("less the first" + (", m³/m³" if curves[0].step == "soil" else ""))
    lower.set_xlabel(across)
    for axes in (upper, lower):
        axes.yaxis.set_label_coords(_LABELS, 0.5)
    lower.locator_params(axis="y", nbins=6)
    told = "Bars end a curve's domain."
    if any(standard_error(curve) is not None for curve in curves):
        told += " Bands are one standard error wide to either side."
    if any(curve.kind == "mixing" for curve in curves):
        told += f" Mixing model at {degc:g} °C."
    figure.text(_LEFT, 0.018, told, color=GREY, fontsize=8.5)
    title = "Soil curves" if curves[0].step == "soil" else "Transducer curves"
    figure.text(_LEFT, 0.957, title, color=INK, fontsize=12.5)
