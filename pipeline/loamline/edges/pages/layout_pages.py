"""Codec layouts: where each field of a payload stands and what it means, drawn and as a table, from its declaration."""

from __future__ import annotations

from markupsafe import Markup

from loamline.edges.pages.asked import Asked, Page, missing
from loamline_codecs.layout_drawing import as_svg
from loamline_codecs.layout_markdown import match_in_words
from loamline_codecs.layout_table import CONVENTION, table
from loamline_codecs.lengths import length_in_words


def show_all(asked: Asked) -> Page:
    """Return the list of codecs."""
    rows = [(codec, match_in_words(codec.match), length_in_words(codec)) for codec in asked.codecs.codecs]
    return Page("layouts.html.jinja", "Codec layouts", {"codecs": rows})


def show(asked: Asked) -> Page:
    """Return one codec's layout. Raises PageError (404) for an unknown one."""
    name = asked.path["name"]
    try:
        codec = asked.codecs.by_name(name)
    except KeyError:
        raise missing("codec", name, "The page on codec layouts lists them.") from None
    told = {
        "codec": codec,
        "match": match_in_words(codec.match),
        "length": length_in_words(codec),
        # Our own drawing, whose texts are escaped by who draws it.
        "svg": Markup(as_svg(codec)),  # noqa: S704 - see above
        "rows": table(codec),
        "convention": CONVENTION,
    }
    return Page("layout.html.jinja", codec.name, told)
