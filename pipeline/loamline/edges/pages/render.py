"""Templates: Jinja2, everything escaped, an undefined name an error."""

from __future__ import annotations

from functools import cache
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined

from loamline.core.explaining.words import number
from loamline.core.rfc3339 import rfc3339
from loamline.edges.pages import words
from loamline.edges.right_of_way import give_way


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("loamline.edges.pages"),
        # For every template, whatever its name: names and messages are other people's.
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "figure": words.figure,
        "share": words.share,
        "when": words.when,
        "ago": words.ago,
        "verdict": words.verdict_words,
        "sentence": words.sentence,
        "spaced_hex": words.spaced_hex,
        "number": number,
        "rfc3339": rfc3339,
        "day": words.day,
        "part": lambda text: quote(str(text), safe=""),
    }
    made.globals["units"] = words.UNITS
    return made


def render(template: str, told: dict[str, Any]) -> str:
    """Return a page as HTML."""
    give_way()
    return _environment().get_template(template).render(told)
