"""A sheet that SVG is drawn on: texts, lines and boxes in print-like greys, light or dark as the reader's screen is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

#: How wide a letter is at most, as a share of the font size; generous, since the reader's font isn't known.
_MONO, _SANS = 0.61, 0.57

_STYLE = """
.layout .sheet,.layout .box,.layout .tab{fill:#fff}
.layout text{fill:#1c1c1a;font-family:system-ui,'Helvetica Neue',Arial,sans-serif}
.layout .mono{font-family:ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace}
.layout .strong{font-weight:600}
.layout .soft{fill:#5d5d58}
.layout .edge{stroke:#1c1c1a;stroke-width:1;fill:none}
.layout .tick{stroke:#b9b9b2;stroke-width:1}
.layout .frame{stroke:#5d5d58;stroke-width:1;fill:none}
.layout .stripe{stroke:#c9c9c2;stroke-width:1.2}
@media (prefers-color-scheme:dark){
.layout .sheet,.layout .box,.layout .tab{fill:#17181a}
.layout text{fill:#ecece6}
.layout .soft{fill:#a5a59d}
.layout .edge{stroke:#ecece6}
.layout .tick{stroke:#4a4b4d}
.layout .frame{stroke:#a5a59d}
.layout .stripe{stroke:#46484b}
}
"""


def width_of(text: str, size: float, *, mono: bool = False) -> float:
    """Return about how wide a text is, rather too wide than too narrow."""
    return len(text) * size * (_MONO if mono else _SANS)


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Return a text as lines that are no wider than `width`, broken at spaces."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


@dataclass
class Sheet:
    """What has been drawn so far, `width` wide and down to `y`. `name` keeps patterns of several sheets apart."""

    name: str
    width: float
    y: float = 0
    drawn: list[str] = field(default_factory=list)

    def text(self, x: float, y: float, text: str, size: float, classes: str = "", anchor: str = "start") -> None:
        """Write one line, `y` being its baseline; `anchor` is "start", "middle" or "end"."""
        given = f' class="{classes}"' if classes else ""
        self.drawn.append(
            f'<text x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}"{given} text-anchor="{anchor}">{escape(text)}</text>'
        )

    def rect(self, x: float, y: float, width: float, height: float, classes: str, more: str = "") -> None:
        """Draw a rectangle; `more` holds further attributes."""
        self.drawn.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" class="{classes}"{more}/>'
        )

    def striped(self, x: float, y: float, width: float, height: float, way: str) -> None:
        """Draw a striped area; `way` is "rising" or "falling"."""
        self.drawn.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="url(#{self.name}-{way})"/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, classes: str) -> None:
        """Draw a straight line."""
        self.drawn.append(f'<path d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" class="{classes}"/>')

    def insert(self, place: int, draw: Iterable[str]) -> None:
        """Put what lies behind into the drawing where it had come to at `place`."""
        self.drawn[place:place] = list(draw)

    def svg(self, title: str, description: str) -> str:
        """Return the whole as an SVG document; `title` and `description` are for screen readers."""
        height = self.y
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(self.width)} {_n(height)}" '
            f'width="{_n(self.width)}" height="{_n(height)}" class="layout" role="img" '
            f"aria-labelledby={quoteattr(f'{self.name}-title {self.name}-desc')}>"
        )
        return "\n".join(
            [
                head,
                f'<title id="{self.name}-title">{escape(title)}</title>',
                f'<desc id="{self.name}-desc">{escape(description)}</desc>',
                f"<style>{_STYLE}</style>",
                f"<defs>{self._pattern('rising', 'M-2 8L8 -2')}{self._pattern('falling', 'M-2 -2L8 8')}</defs>",
                f'<rect width="{_n(self.width)}" height="{_n(height)}" class="sheet"/>',
                *self.drawn,
                "</svg>\n",
            ]
        )

    def _pattern(self, way: str, stroke: str) -> str:
        return (
            f'<pattern id="{self.name}-{way}" width="6" height="6" patternUnits="userSpaceOnUse">'
            f'<path d="{stroke}" class="stripe"/></pattern>'
        )


def _n(number: float) -> str:
    return f"{number:.1f}".removesuffix(".0")
