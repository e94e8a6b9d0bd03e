"""`/readings` and `/latest`: samples after calibration and checks, or means of them, in the unit that is asked for."""

from __future__ import annotations

from datetime import timedelta
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import Field

from loamline.core.moisture_units import MoistureUnit, in_unit
from loamline.core.reading_summaries import Period, summary_schema
from loamline.edges.api.asking import OfReadings, PageQuery
from loamline.edges.api.content import READINGS, TABLES
from loamline.edges.api.document import listing
from loamline.edges.api.parameters import ProbeName, SiteName, SpanQuery
from loamline.edges.api.probes import check_known
from loamline.edges.problem_details import HttpError
from loamline.edges.store.api_pages import After, Page, schema_of
from loamline.edges.store.api_profile import profile_columns, profile_page
from loamline.edges.store.api_readings import Wanted, latest_page, readings_page
from loamline.edges.store.api_summaries import summaries_page
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import SCHEMA

router = APIRouter(tags=["readings"])
_TABLE_UNITS = (MoistureUnit.VOLUME_SHARE, MoistureUnit.PERCENT, MoistureUnit.FRACTION)
_SHAPES = (
    *(
        in_unit(told.empty_table(), unit).schema
        for told in (SCHEMA, *map(summary_schema, Period))
        for unit in _TABLE_UNITS
    ),
    *(schema_of(profile_columns(period)) for period in Period),
)


class Resolution(StrEnum):
    """Each reading, or means of an hour of UTC, or of a day by the clock of the site."""

    RAW = "raw"
    HOURLY = "hourly"
    DAILY = "daily"


Depth = Annotated[int | None, Field(ge=0, le=15, description="one depth of the probes, 0 the shallowest")]


class ReadingQuery(SpanQuery):
    """Which readings, how fine, in which unit."""

    probe: ProbeName = None
    site: SiteName = None
    depth_index: Depth = None
    resolution: Annotated[
        Resolution, Field(description="each reading, or means of an hour (UTC) or a day (of the site)")
    ] = Resolution.RAW
    unit: Annotated[
        MoistureUnit,
        Field(
            description="water as m3/m3, in percent of the volume, as the fraction of what plants can draw, or in mm "
            "from the surface to the root depth (by the hour or the day, of all depths together)"
        ),
    ] = MoistureUnit.VOLUME_SHARE

    def check(self) -> None:
        """Raise HttpError (422) where parameters don't go together."""
        if self.unit is MoistureUnit.MM and self.resolution is Resolution.RAW:
            raise HttpError(422, "hourly or daily with the unit mm", "raw", "query parameter resolution")
        if self.unit is MoistureUnit.MM and self.depth_index is not None:
            raise HttpError(422, "no depth with the unit mm, which is of all", "one", "query parameter depth_index")


class LatestQuery(PageQuery):
    """Of which probes, and in which unit."""

    probe: ProbeName = None
    site: SiteName = None
    days: Annotated[float, Field(gt=0, le=3660, description="not older than so many days")] = 30.0
    unit: Annotated[MoistureUnit, Field(description="as for readings; not mm")] = MoistureUnit.VOLUME_SHARE


@router.get("/readings", summary="Readings, by probe, depth and time", **listing(*_SHAPES, offered=READINGS))
def readings(asked: OfReadings, query: Annotated[ReadingQuery, Query()]) -> Response:
    """Readings in a span, or their means; SenML of raw readings in m3/m3 alone."""
    query.check()
    wanted = Wanted(asked.customer, query.probe, query.site, query.depth_index, query.since, query.until)
    raw = query.resolution is Resolution.RAW

    def read(store: Store, after: After | None, limit: int) -> Page:
        check_known(store, asked.customer, query.probe, query.site)
        if raw:
            page = readings_page(store, wanted, after, limit)
        elif query.unit is MoistureUnit.MM:
            return profile_page(store, wanted, Period(query.resolution), after, limit)
        else:
            page = summaries_page(store, wanted, Period(query.resolution), after, limit)
        return Page(in_unit(page.rows, query.unit), page.after)

    offered = READINGS if raw and query.unit is MoistureUnit.VOLUME_SHARE else TABLES
    return asked.page(query, (str, int) if query.unit is MoistureUnit.MM else (str, int, int), read, offered)


@router.get("/latest", summary="The newest reading of each depth", **listing(*_SHAPES[:3], offered=READINGS))
def latest(asked: OfReadings, query: Annotated[LatestQuery, Query()]) -> Response:
    """The newest reading of each depth of each probe, of the last days."""
    if query.unit is MoistureUnit.MM:
        raise HttpError(422, "another unit; /readings has mm", query.unit, "query parameter unit")
    since = asked.service.now() - timedelta(days=query.days)
    wanted = Wanted(asked.customer, query.probe, query.site, since=since)

    def read(store: Store, after: After | None, limit: int) -> Page:
        check_known(store, asked.customer, query.probe, query.site)
        page = latest_page(store, wanted, after, limit)
        return Page(in_unit(page.rows, query.unit), page.after)

    return asked.page(query, (str, int), read, READINGS if query.unit is MoistureUnit.VOLUME_SHARE else TABLES)
