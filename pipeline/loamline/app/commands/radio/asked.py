"""What the verbs of `loamline radio` are asked for, and the report that answers it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import duckdb
import typer

from loamline.app.instants import instant
from loamline.app.opening import open_store
from loamline.app.output import CommandError, rfc3339
from loamline.core.radio_report import RadioReport
from loamline.edges.store.names import UnknownNameError, find_site
from loamline.edges.store.radio import Named, Span, named_probes, radio_report, span_of

StoreOption = Annotated[Path, typer.Option(help="the DuckDB file")]
SiteOption = Annotated[str | None, typer.Option(help="only probes that are placed at this site at the end")]
SinceOption = Annotated[
    datetime | None, typer.Option(parser=instant, metavar="TIME", help="heard after this, UTC; by default 30 days")
]
UntilOption = Annotated[
    datetime | None, typer.Option(parser=instant, metavar="TIME", help="heard until this, UTC; by default the newest")
]
#: Days that are looked at where nobody says from when.
DAYS = 30.0


@dataclass(frozen=True)
class Answer:
    """A report, its span and the probes that it is about."""

    span: Span
    probes: dict[int, Named]
    report: RadioReport


def answer(store: Path, since: datetime | None, until: datetime | None, site: str | None) -> Answer:
    """Return the report that was asked for; CommandError where it can't be made."""
    with open_store(store) as opened:
        try:
            name = None if site is None else find_site(opened, site)
            span = span_of(opened, since, until, DAYS)
            if span is None:
                raise CommandError(
                    f"expected uplinks in {store}, found none; `loamline import` or `ingest` brings some"
                )
            if span.since >= span.until:
                raise CommandError(
                    f"expected --since before {rfc3339(span.until)}, got {rfc3339(span.since)}; --until sets the end", 2
                )
            probes = named_probes(opened, span.until, name)
            return Answer(span, probes, radio_report(opened, span, probes))
        except UnknownNameError as problem:
            raise CommandError(str(problem)) from problem
        except duckdb.Error as problem:
            raise CommandError(f"expected to read {store}, got: {str(problem).splitlines()[0]}") from problem
