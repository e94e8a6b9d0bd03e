"""What a thing costs at each size, drawn: a flat line means that nothing grows with size."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure as Drawing

from tests.bench.measure import Cost

_MARKERS = "osD^v"


def draw(costs: Sequence[Cost], out: Path) -> None:
    """Write microseconds against size, both on logarithmic scales; the file's ending says PNG or SVG."""
    curves: dict[str, list[Cost]] = defaultdict(list)
    for cost in costs:
        curves[cost.what].append(cost)
    drawing = Drawing(figsize=(7, 4), layout="constrained")
    axes = drawing.subplots()
    for marker, (what, points) in zip(_MARKERS, sorted(curves.items()), strict=False):
        points.sort(key=lambda cost: cost.size)
        axes.loglog(
            [cost.size for cost in points], [cost.us for cost in points], marker=marker, color="black", label=what
        )
    axes.set_xlabel("how many at once")
    axes.set_ylabel("microseconds each")
    axes.grid(visible=True, which="both", linewidth=0.3)
    if curves:
        axes.legend(frameon=False)
    drawing.savefig(out)
