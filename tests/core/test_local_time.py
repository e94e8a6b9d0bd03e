"""Wall-clock time against the standard library, which reads the same time zone database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.local_time import local_by_site, local_us

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ZONES = ["UTC", "Europe/Lisbon", "Asia/Kolkata", "Asia/Kathmandu", "Australia/Lord_Howe", "America/St_Johns"]


def microseconds(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1)


@given(
    st.lists(st.datetimes(datetime(1975, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC)), max_size=5),  # noqa: DTZ001
    st.sampled_from(ZONES),
)
def test_every_instant_is_told_as_the_standard_library_tells_it(instants, zone) -> None:
    """Half hours, quarters and summer time of half an hour among the zones."""
    found = local_us(np.array([microseconds(at) for at in instants], dtype=np.int64), zone)
    told = [at.astimezone(ZoneInfo(zone)).replace(tzinfo=UTC) for at in instants]
    assert found.tolist() == [microseconds(at) for at in told]


@pytest.mark.parametrize(("utc", "local"), [("2026-03-29T00:59:59", "00:59:59"), ("2026-03-29T01:00:00", "02:00:00")])
def test_summer_time_begins_at_its_instant(utc, local) -> None:
    """Lisbon, last Sunday of March, 01:00 UTC (common practice in the European Union)."""
    at = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    (found,) = local_us(np.array([microseconds(at)]), "Europe/Lisbon").tolist()
    assert f"{EPOCH + timedelta(microseconds=found):%H:%M:%S}" == local


def test_each_row_goes_by_its_own_site_and_by_utc_where_there_is_none() -> None:
    at = np.full(4, microseconds(datetime(2026, 7, 1, 12, tzinfo=UTC)), dtype=np.int64)
    found = local_by_site(at, pa.array(["a", None, "b", "strange"]), {"a": "Asia/Kolkata", "b": "Europe/Lisbon"})
    assert ((found - at) / 3.6e9).tolist() == [5.5, 0, 1, 0]
