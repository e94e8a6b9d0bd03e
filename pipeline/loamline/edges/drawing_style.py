"""How this project's drawings look: as in a printed paper, in black and few inks, readable without colour.

Lines differ by pattern as well as ink and carry their names at their ends; axes say quantity and unit; the paper is
white, so that a drawing can go into a report. Nothing here keeps state: Figure objects are made without pyplot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from itertools import cycle, islice
from pathlib import Path
from typing import Any

FORMATS = (".png", ".svg")
#: Dots per inch of a PNG.
_DPI = 200
_SCREEN_DPI = 110
_INCH_MM = 25.4
INK, GREY, FAINT, PAPER = "#1a1a1a", "#6b6b6b", "#d9d9d9", "#ffffff"
#: Inks that people of any colour vision tell apart, after Okabe & Ito 2008, darkened for lines on white.
_INKS = ("#1a1a1a", "#0b5d94", "#b8480b", "#00735a", "#8a4a78", "#7a6a00")
#: Dashes in points, on and off by turns; the first line is solid.
_DASHES: tuple[tuple[float, ...], ...] = (
    (),
    (6.0, 2.0),
    (1.2, 1.6),
    (7.0, 1.6, 1.2, 1.6),
    (3.2, 1.4),
    (9.0, 3.0, 3.0, 3.0),
)
_SETTINGS: Any = {
    # The second family has the characters that the first has not.
    "font.family": ["STIXGeneral", "DejaVu Sans"],
    "mathtext.fontset": "stix",
    "font.size": 10.5,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    # The same drawing gives the same file.
    "svg.hashsalt": "loamline",
    "svg.fonttype": "path",
}


class DrawingError(Exception):
    """A drawing that can't be written; the message says what was expected, what came and what to do."""


def check_format(path: Path) -> None:
    """Raise DrawingError where a file's name tells no format that drawings have."""
    if path.suffix.lower() not in FORMATS:
        raise DrawingError(f"expected a file name ending in {' or '.join(FORMATS)}, got {path.name!r}")


@contextmanager
def styled(width_mm: float, height_mm: float) -> Iterator[Any]:
    """Yield an empty figure of that size; what is drawn on it inside the block has this style."""
    # Half a second, for nothing where nothing is drawn.
    import matplotlib as mpl  # noqa: PLC0415 - see above
    from matplotlib.figure import Figure  # noqa: PLC0415

    with mpl.rc_context(_SETTINGS):
        yield Figure(figsize=(width_mm / _INCH_MM, height_mm / _INCH_MM), facecolor=PAPER)


def save(figure: Any, path: Path) -> None:
    """Write a figure as PNG or SVG, as its name says; raises DrawingError. To be called inside `styled`."""
    check_format(path)
    # A date in the file would make two of the same drawing differ.
    metadata = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": "loamline"}
    try:
        figure.savefig(path, format=path.suffix.lower()[1:], dpi=_DPI, metadata=metadata)
    except OSError as problem:
        raise DrawingError(f"expected a file that can be written, got {path}: {problem.strerror}") from None


def png(figure: Any) -> bytes:
    """Return a figure as PNG at the resolution of a screen, for a notebook."""
    import matplotlib as mpl  # noqa: PLC0415 - half a second, see styled

    content = BytesIO()
    with mpl.rc_context(_SETTINGS):
        figure.savefig(content, format="png", dpi=_SCREEN_DPI, metadata={"Software": "loamline"})
    return content.getvalue()


def lines(many: int) -> list[dict[str, Any]]:
    """Return colour, dashes and width of so many lines; 6 differ in both ink and pattern, 36 in one of them."""
    inks = islice(cycle(_INKS), many)
    return [
        {
            "color": ink,
            "linestyle": (0, dashes) if (dashes := _DASHES[(at + at // len(_INKS)) % len(_DASHES)]) else "solid",
            "linewidth": 1.4 if at == 0 else 1.2,
        }
        for at, ink in enumerate(inks)
    ]


def ruled(axes: Any) -> None:
    """Rule faint lines across an axis at its ticks, as on graph paper."""
    axes.grid(visible=True, color=FAINT, linewidth=0.45)


def spread(wanted: Sequence[float], least_gap: float, low: float, high: float) -> list[float]:
    """Return places as near to the wanted ones as lets them stand `least_gap` apart between low and high.

    Order is kept. Where there is no room for all, they stand as far apart as there is.
    """
    if not wanted:
        return []
    gap = min(least_gap, (high - low) / max(len(wanted) - 1, 1))
    order = sorted(range(len(wanted)), key=lambda at: wanted[at])
    # Neighbours that would touch share a block, which stands about the middle of what its members want.
    blocks: list[list[int]] = []
    starts: list[float] = []
    for at in order:
        blocks.append([at])
        starts.append(_start(blocks[-1], wanted, gap, low, high))
        while len(blocks) > 1 and starts[-2] + len(blocks[-2]) * gap > starts[-1]:
            last = blocks.pop()
            blocks[-1] += last
            starts.pop()
            starts[-1] = _start(blocks[-1], wanted, gap, low, high)
    placed = [0.0] * len(wanted)
    for block, start in zip(blocks, starts, strict=True):
        for nth, at in enumerate(block):
            placed[at] = start + nth * gap
    return placed


def _start(block: Sequence[int], wanted: Sequence[float], gap: float, low: float, high: float) -> float:
    middle = sum(wanted[at] - nth * gap for nth, at in enumerate(block)) / len(block)
    return min(max(middle, low), high - (len(block) - 1) * gap)
