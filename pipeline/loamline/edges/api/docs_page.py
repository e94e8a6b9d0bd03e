"""A page that shows the OpenAPI document: made here, with nothing fetched from elsewhere and no script."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, Template, select_autoescape

#: Nothing but the page itself and the style in it.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


def docs_page(document: dict[str, Any]) -> str:
    """Return the page as HTML."""
    operations = [{"path": path, **told["get"]} for path, told in document["paths"].items() if "get" in told]
    return _template().render(document=document, operations=operations)


@cache
def _template() -> Template:
    environment = Environment(autoescape=select_autoescape(default=True), trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(files(__package__).joinpath("docs_page.html.jinja").read_text(encoding="utf-8"))
