"""A fitted curve drawn with the points it was fitted to, and below, what each point misses it by."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from loamline.core.curves.fitting import Fit
from loamline.edges.curve_drawing import AXES
from loamline.edges.drawing_style import GREY, INK, PAPER, lines, ruled, save, styled
from loamline.edges.laboratory_points import LaboratoryPoints

_WIDTH_MM, _HEIGHT_MM = 160.0, 150.0
_SAMPLES = 801
#: The left edge of the panels, as a share of the drawing's width, and their labels', as one of the panels' own.
_LEFT, _LABELS = 0.135, -0.125


def draw_fit(path: Path, fit: Fit, points: LaboratoryPoints, title: str) -> None:
    """Draw points, curve and residuals to a PNG or SVG; raises DrawingError."""
    x = np.linspace(*fit.domain, _SAMPLES)
    y = fit.evaluate(x)
    error = fit.standard_error_m3_m3
    (look, other) = lines(2)
    with styled(_WIDTH_MM, _HEIGHT_MM) as figure:
        upper, lower = figure.subplots(
            2,
            1,
            sharex=True,
            height_ratios=(2.3, 1),
            gridspec_kw={"left": _LEFT, "right": 0.975, "bottom": 0.148, "top": 0.925, "hspace": 0.12},
        )
        upper.plot(x, y, **look)
        for axes in (upper, lower):
            for end in fit.domain:
                axes.axvline(end, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)))
        lower.axhline(0, color=INK, linewidth=0.9)
        if error is not None:
            upper.fill_between(x, y - error, y + error, color=INK, alpha=0.1, linewidth=0)
            lower.axhspan(-error, error, color=INK, alpha=0.1, linewidth=0)
        _points(upper, points.permittivity, points.vwc_m3_m3, other["color"])
        lower.vlines(points.permittivity, 0, fit.residuals_m3_m3, color=other["color"], linewidth=0.8)
        _points(lower, points.permittivity, fit.residuals_m3_m3, other["color"])
        told = ~np.isnan(fit.left_out_m3_m3)
        lower.plot(
            points.permittivity[told],
            fit.left_out_m3_m3[told],
            linestyle="none",
            marker="_",
            markersize=7,
            mew=1,
            color=GREY,
        )
        _words(figure, upper, lower, fit, title)
        save(figure, path)


def _points(axes: Any, x: Any, y: Any, ink: str) -> None:
    axes.plot(x, y, linestyle="none", marker="o", markersize=4.6, mew=1.1, mfc=PAPER, color=ink, clip_on=False)


def _words(figure: Any, upper: Any, lower: Any, fit: Fit, title: str) -> None:
    across, up = AXES["soil"]
    for axes in (upper, lower):
        ruled(axes)
    upper.tick_params(labelbottom=False)
    upper.set_ylabel(up)
    lower.set_ylabel("less the curve, m³/m³")
    lower.set_xlabel(across)
    for axes in (upper, lower):
        axes.yaxis.set_label_coords(_LABELS, 0.5)
    reach = 1.08 * max(abs(one) for one in lower.get_ylim())
    lower.set_ylim(-reach, reach)
    figure.text(_LEFT, 0.955, "".join(c for c in title if c.isprintable()), fontsize=12.5)
    # Soil curves rise to the right, so that this corner is free.
    told = {"ha": "right", "va": "bottom", "linespacing": 1.5, "bbox": {"facecolor": PAPER, "linewidth": 0, "pad": 2}}
    upper.text(0.965, 0.06, _summary(fit), transform=upper.transAxes, **told)
    bands = " Bands: one standard error to either side." if fit.standard_error_m3_m3 is not None else ""
    footer = (
        "Circles: the points. Dashes below: how far each point is from a curve made without it.\n"
        f"Dotted: the ends of the curve's domain.{bands}"
    )
    figure.text(_LEFT, 0.015, footer, color=GREY, fontsize=8.5, linespacing=1.35)


def _summary(fit: Fit) -> str:
    many = len(fit.residuals_m3_m3)
    what = f"polynomial of degree {fit.degree}" if fit.coefficients else f"table of {len(fit.points)} permittivities"
    lines_ = [f"{what}, {many} points"]
    if fit.standard_error_m3_m3 is not None:
        freedom = f" ({fit.degrees_of_freedom} degrees of freedom)" if fit.coefficients else ""
        lines_.append(f"standard error {fit.standard_error_m3_m3:.3g} m³/m³{freedom}")
    if fit.coefficients and fit.leave_one_out_error_m3_m3 is not None:
        lines_.append(f"leave-one-out error {fit.leave_one_out_error_m3_m3:.3g} m³/m³")
    return "\n".join(lines_)
