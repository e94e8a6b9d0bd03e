"""Hourly and daily summaries: against plain reckoning row by row, whatever batches the readings come in."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.reading_summaries import NEEDED, Period, summaries, summary_schema
from loamline_schemas.columns import INSTANT
from loamline_schemas.verdicts import GRAVEST_FIRST

START = datetime(2026, 3, 28, 20, 0, tzinfo=UTC)
ZONES = {"Quinta": "Europe/Lisbon", "Hillside": "Asia/Kolkata"}
_KINDS = {"depth_index": pa.uint8(), "measured_at": INSTANT}
_TEXT = {"dev_eui", "serial", "site", "label", "verdict"}
SCHEMA = pa.schema([(name, _KINDS.get(name, pa.string() if name in _TEXT else pa.float64())) for name in NEEDED])
GRAVITY = {verdict.word: rank for rank, verdict in enumerate(GRAVEST_FIRST)}


def reading(probe: int, minutes: int, vwc: float | None, verdict: str, site: str | None = "Quinta") -> dict[str, Any]:
    return {
        "dev_eui": f"02BB00000000000{probe}",
        "serial": None,
        "site": site,
        "label": "a",
        "depth_index": 0,
        "depth_cm": 10.0,
        "measured_at": START + timedelta(minutes=minutes),
        "vwc_m3_m3": vwc,
        "vwc_uncertainty_m3_m3": None if vwc is None else 0.01,
        "soil_temperature_degc": 10 + minutes / 60,
        "supply_v": 3.6 - minutes / 10_000,
        "verdict": verdict,
    }


def summary(rows: list[dict[str, Any]], period: Period, batch: int = 1000) -> list[dict[str, Any]]:
    table = pa.Table.from_pylist(rows, schema=SCHEMA)
    tables = list(summaries(table.to_batches(max_chunksize=batch), period, ZONES))
    return pa.concat_tables([summary_schema(period).empty_table(), *tables]).to_pylist()


def test_a_day_goes_by_the_clock_of_the_site() -> None:
    """Readings of 23 and 24 UTC on the day before summer time are of two days in Lisbon, of one in Kolkata."""
    at = [180, 240]  # 23:00 and 24:00 UTC
    rows = [reading(1, m, 0.2, "pass") for m in at] + [reading(2, m, 0.2, "pass", "Hillside") for m in at]
    assert [(row["site"], f"{row['day']}", row["readings"]) for row in summary(rows, Period.DAILY)] == [
        ("Quinta", "2026-03-28", 1),
        ("Quinta", "2026-03-29", 1),
        ("Hillside", "2026-03-29", 2),
    ]


@pytest.mark.parametrize("bad", ["fail", "missing"])
def test_what_failed_is_in_no_mean_but_in_the_verdict(bad) -> None:
    rows = [reading(1, 0, 0.2, "pass"), reading(1, 15, 0.9, bad), reading(1, 30, 0.3, "suspect")]
    (row,) = summary(rows, Period.HOURLY)
    assert (row["readings"], row["counted"]) == (3, 2)
    assert row["vwc_m3_m3"] == pytest.approx(0.25)
    assert (row["vwc_min_m3_m3"], row["vwc_max_m3_m3"]) == (0.2, 0.3)
    assert row["vwc_uncertainty_m3_m3"] == pytest.approx(0.01)
    assert row["verdict"] == ("fail" if bad == "fail" else "suspect")


def test_a_day_of_failures_alone_has_a_row_without_figures() -> None:
    (row,) = summary([reading(1, 0, 0.9, "fail")], Period.DAILY)
    assert (row["readings"], row["counted"], row["vwc_m3_m3"], row["soil_temperature_degc"]) == (1, 0, None, None)


def test_no_readings_give_no_rows() -> None:
    assert summary([], Period.DAILY) == []


@given(
    st.lists(
        st.tuples(
            st.integers(1, 3),
            st.integers(0, 4000),
            st.none() | st.floats(0, 0.6),
            st.sampled_from([verdict.word for verdict in GRAVEST_FIRST]),
        ),
        max_size=30,
        unique_by=lambda told: told[:2],
    ),
    st.integers(1, 9),
    st.sampled_from(Period),
)
def test_every_summary_equals_one_reckoned_row_by_row_in_whatever_batches(told, batch, period) -> None:
    rows = [reading(*each) for each in sorted(told, key=lambda each: each[:2])]
    groups: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        local = row["measured_at"].astimezone(ZoneInfo("Europe/Lisbon"))
        hour = row["measured_at"].replace(minute=0)
        groups[row["dev_eui"], local.date() if period is Period.DAILY else hour].append(row)
    found = summary(rows, period, batch)
    when = "day" if period is Period.DAILY else "hour"
    assert [(row["dev_eui"], row[when]) for row in found] == list(groups)
    for row, group in zip(found, groups.values(), strict=True):
        good = [other for other in group if other["verdict"] not in ("fail", "missing")]
        figures = [other["vwc_m3_m3"] for other in good if other["vwc_m3_m3"] is not None]
        assert (row["readings"], row["counted"]) == (len(group), len(good))
        assert row["vwc_m3_m3"] == (pytest.approx(sum(figures) / len(figures)) if figures else None)
        assert row["vwc_min_m3_m3"] == min(figures, default=None)
        assert row["supply_v"] == min(other["supply_v"] for other in group)
        assert row["verdict"] == min((other["verdict"] for other in group), key=GRAVITY.__getitem__)
