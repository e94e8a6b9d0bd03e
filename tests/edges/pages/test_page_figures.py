"""What the pages tell is what is stored: bounded rows, no peak lost, every verdict seen, times by the site's clock."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, datetime, timedelta
from html import unescape

import httpx
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.reference import RegistryState
from loamline.edges.pages import words
from loamline.edges.pages.site_page import WETTING_M3_M3, wettings
from loamline.edges.store.api_readings import Wanted
from loamline.edges.store.connection import Store
from loamline.edges.store.page_series import (
    MOST_STRETCHES,
    counted,
    newest_reading,
    series,
    stretch_hours,
)
from loamline.edges.store.page_water import DepthStretch, water_of
from loamline.edges.store.profiles import Span, site_hours
from loamline.edges.store.radio import microseconds
from loamline.edges.store.registry import insert, save_state
from loamline_schemas.columns import Table
from loamline_schemas.tables import PROVENANCE, READING
from loamline_schemas.verdicts import Verdict
from tests.support.registry_rows import SITES, probe_row
from tests.support.report_pages import Served

_DRAWN = "02BB0000000000D0"
_BAD = (int(Verdict.FAIL), int(Verdict.MISSING))


@pytest.fixture(scope="module")
def season(season_store):
    with Store.open(season_store, writable=False) as store:
        yield store


@given(st.floats(0.1, 400))
def test_a_span_of_up_to_a_year_has_no_more_stretches_than_a_chart_has_room_for(days: float) -> None:
    since = datetime(2026, 1, 1, tzinfo=UTC)
    until = since + timedelta(days=days)
    hours = stretch_hours(since, until)
    assert days * 24 / hours <= MOST_STRETCHES
    assert hours == 1 or hours % 2 == 0 or hours == 3


@pytest.mark.parametrize("days", [5, 30, 365])
def test_no_peak_and_no_verdict_is_lost_however_long_a_stretch_is(season: Store, stores, days: int) -> None:
    """Least and greatest over all stretches are those of the readings that count; the gravest verdict is kept."""
    until = stores.START + timedelta(days=5)
    for dev_eui in (stores.BARLEY, stores.PEARS, stores.PROFILE):
        wanted = Wanted(dev_eui=dev_eui, since=until - timedelta(days=days), until=until)
        found = series(season, wanted)
        stored = season.con.execute(
            "SELECT depth_index, vwc_m3_m3, verdict_flag FROM reading JOIN probe_identity USING (probe_id) "
            "WHERE dev_eui = ?",
            [dev_eui],
        ).fetchall()
        assert sum(row.readings for row in found) == len(stored)
        for depth in {row[0] for row in stored}:
            of = [row for row in found if row.depth_index == depth]
            good = [vwc for index, vwc, flag in stored if index == depth and flag not in _BAD and vwc is not None]
            lows = [row.vwc_min_m3_m3 for row in of if row.vwc_min_m3_m3 is not None]
            highs = [row.vwc_max_m3_m3 for row in of if row.vwc_max_m3_m3 is not None]
            assert (min(lows, default=None), max(highs, default=None)) == (
                min(good, default=None),
                max(good, default=None),
            )
            worst = {Verdict(flag).word for index, _, flag in stored if index == depth}
            assert ("fail" in worst) == any(row.gravest == "fail" for row in of)
            assert ("suspect" in worst) <= any(row.gravest in ("fail", "suspect") for row in of)
        assert counted(found) == Counter(Verdict(flag).word for *_, flag in stored)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A store of one probe whose readings a test puts there."""
    with Store.open(tmp_path_factory.mktemp("drawn") / "drawn.duckdb", create=True) as store:
        save_state(store, RegistryState(sites=SITES, probes=(probe_row(_DRAWN),)), "test")
        insert(store, PROVENANCE, pa.Table.from_pylist([_filled(PROVENANCE)], schema=PROVENANCE.schema))
        yield store


@given(
    st.lists(
        st.tuples(
            st.integers(0, 1),
            st.integers(0, 365 * 24 * 3600 - 1),
            st.none() | st.floats(0, 1, width=32),
            st.sampled_from(Verdict),
        ),
        unique_by=lambda row: row[:2],
        max_size=40,
    ),
    st.sampled_from((7, 30, 90, 365)),
)
def test_a_stretch_keeps_extremes_and_the_gravest_verdict_of_whatever_lies_in_it(drawn: Store, rows, days: int) -> None:
    until = datetime(2026, 5, 1, tzinfo=UTC)
    since = until - timedelta(days=days)
    told = [(depth, since + timedelta(seconds=at * days // 365), vwc, flag) for depth, at, vwc, flag in rows]
    told = [*{row[:2]: row for row in told}.values()]
    drawn.con.execute("DELETE FROM reading")
    for depth, at, vwc, flag in told:
        _put(drawn, depth, at, vwc, flag)
    found = series(drawn, Wanted(dev_eui=_DRAWN, since=since, until=until))
    hour_us = stretch_hours(since, until) * 3_600_000_000
    gravest_first = (Verdict.FAIL, Verdict.SUSPECT, Verdict.MISSING, Verdict.NOT_EVALUATED, Verdict.PASS)
    expected = {}
    for depth, at, vwc, flag in told:
        expected.setdefault((depth, microseconds(at) // hour_us), []).append((at, vwc, flag))
    assert len(found) == len(expected)
    for row in found:
        mine = expected[row.depth_index, microseconds(row.at) // hour_us]
        counts = [vwc for _, vwc, flag in mine if flag not in _BAD and vwc is not None]
        assert (row.readings, row.at) == (len(mine), min(at for at, _, _ in mine))
        assert (row.vwc_min_m3_m3, row.vwc_max_m3_m3) == (min(counts, default=None), max(counts, default=None))
        at, vwc, flag = min(mine, key=lambda one: (gravest_first.index(one[2]), -one[0].timestamp()))
        assert (row.gravest, row.gravest_at, row.gravest_vwc_m3_m3) == (flag.word, at, vwc)


def _put(store: Store, depth: int, at: datetime, vwc: float | None, flag: Verdict) -> None:
    mine = {"depth_index": depth, "measured_at": at, "heard_at": at, "vwc_m3_m3": vwc, "verdict_flag": int(flag)}
    row = _filled(READING) | mine
    insert(store, READING, pa.Table.from_pylist([row], schema=READING.schema))


def _filled(table: Table) -> dict[str, object]:
    """Return a row with something in each column that needs something."""
    kinds = {column.name: "1" if pa.types.is_string(column.arrow) else 1 for column in table.columns if column.required}
    return {name: kinds.get(name) for name in table.names}


def test_the_newest_reading_is_the_stored_one(season: Store, stores) -> None:
    assert newest_reading(season, Wanted(dev_eui=stores.PEARS)) == stores.START + timedelta(hours=119)
    assert newest_reading(season, Wanted(dev_eui=stores.PEARS, until=stores.START)) is None
    for likely in (stores.START + timedelta(days=days) for days in (0, 4, 900)):
        found = newest_reading(season, Wanted(dev_eui=stores.PEARS), [likely, stores.START])
        assert found == stores.START + timedelta(hours=119), "wherever it is looked for first"
    assert newest_reading(season, Wanted(dev_eui="02BB00000000ABCD")) is None


def test_the_storage_of_a_site_is_that_of_the_profile_command(season: Store, stores) -> None:
    """Two ways to the same figure: the page's stretches of one hour, and `loamline profile`."""
    until = stores.START + timedelta(days=5)
    wanted = Wanted(site="Pear orchard", since=stores.START, until=until)
    told = {row.at: row.storage_mm for row in water_of(season, wanted).storage}
    counting = (Verdict.PASS, Verdict.NOT_EVALUATED, Verdict.SUSPECT)
    rows = site_hours(season, Span("Pear orchard", stores.START, until), counting).read_all().to_pylist()
    expected = {row["hour"]: row["storage_mm"] for row in rows if row["storage_mm"] is not None}
    assert len(expected) > 50
    assert told == pytest.approx(expected)


def test_storage_over_longer_stretches_is_the_mean_of_their_hours(stores) -> None:
    """A probe that misses no hour and no depth, over 30 days: stretches of two hours."""
    hours = 24 * 10
    told = [stores.v4(stores.PROFILE, hour, [12 + hour % 7 / 5, 20.5 + hour % 3]) for hour in range(hours)]
    with Store.open(stores.make(told)) as store:
        until = stores.START + timedelta(hours=hours)
        wanted = Wanted(site="Pear orchard", since=until - timedelta(days=30), until=until)
        storage = water_of(store, wanted).storage
        span = Span("Pear orchard", stores.START, until)
        rows = site_hours(store, span, (Verdict.PASS, Verdict.NOT_EVALUATED)).read_all().to_pylist()
    by_hour = {row["hour"]: row["storage_mm"] for row in rows}
    assert len(storage) == hours / 2
    for row in storage:
        assert row.storage_mm == pytest.approx((by_hour[row.at] + by_hour[row.at + timedelta(hours=1)]) / 2)


@pytest.mark.parametrize("days", [5, 30, 365])
def test_a_site_counts_its_verdicts_and_keeps_the_extremes_of_each_depth(season: Store, stores, days: int) -> None:
    until = stores.START + timedelta(days=5)
    wanted = Wanted(site="Pear orchard", since=until - timedelta(days=days), until=until)
    water = water_of(season, wanted)
    flags = season.con.execute(
        "SELECT verdict_flag FROM reading JOIN provenance USING (provenance_id) "
        "JOIN (SELECT DISTINCT digest, site FROM placement) ON digest = placement_digest WHERE site = 'Pear orchard'"
    ).fetchall()
    assert water.verdicts == Counter(Verdict(flag).word for (flag,) in flags)
    stored = season.con.execute(
        "SELECT depth_cm, count(*), min(vwc_m3_m3), max(vwc_m3_m3), sum(vwc_m3_m3) FROM reading "
        "JOIN provenance USING (provenance_id) JOIN placement ON digest = placement_digest "
        "WHERE site = ? AND verdict_flag NOT IN (?, ?) AND vwc_m3_m3 IS NOT NULL GROUP BY 1",
        ["Pear orchard", *_BAD],
    ).fetchall()
    assert {row.depth_cm for row in water.depths} == {depth for depth, *_ in stored}
    for depth, count, low, high, total in stored:
        of = [row for row in water.depths if row.depth_cm == depth]
        assert sum(row.readings for row in of) == count
        assert min(row.vwc_min_m3_m3 for row in of) == low
        assert max(row.vwc_max_m3_m3 for row in of) == high
        assert sum(row.readings * row.vwc_mean_m3_m3 for row in of) == pytest.approx(total)


def stretches(*means: float) -> list[DepthStretch]:
    start = datetime(2026, 5, 1, tzinfo=UTC)
    return [
        DepthStretch(10.0, start + timedelta(hours=n), 1, 1, told, told, told, None) for n, told in enumerate(means)
    ]


def test_a_rise_within_a_day_is_one_wetting_from_its_foot_to_its_top() -> None:
    (told,) = wettings(10.0, stretches(0.20, 0.20, 0.20, 0.23, 0.26, 0.25, 0.25))
    assert (told.low, told.high) == (0.20, 0.26)
    assert (told.since.hour, told.until.hour) == (0, 4)


def test_a_slow_rise_and_a_fall_are_no_wetting() -> None:
    slow = [0.20 + 0.9 * WETTING_M3_M3 * hour / 24 for hour in range(24)]
    assert wettings(10.0, stretches(*slow)) == []
    assert wettings(10.0, stretches(0.30, 0.25, 0.20, 0.15)) == []


def test_two_rises_with_a_drying_between_are_two() -> None:
    dry = [0.20] * 30
    assert len(wettings(10.0, stretches(*dry, 0.25, *([0.25] * 30), *dry, 0.25))) == 2


@given(st.lists(st.floats(0, 0.6), min_size=1, max_size=80))
def test_every_wetting_rises_by_what_it_takes(means: list[float]) -> None:
    for told in wettings(10.0, stretches(*means)):
        assert told.high - told.low >= WETTING_M3_M3
        assert told.since < told.until


def test_times_are_told_by_the_sites_clock_with_utc_beside() -> None:
    """Both sides of the change from summer time (2025-10-26T01:00Z in the EU), and another day than in UTC."""
    told = [
        re.sub(r"<[^>]+>", "", unescape(str(words.when(datetime(2025, 10, 26, hour, 30, tzinfo=UTC), "Europe/Prague"))))
        for hour in (0, 1, 23)
    ]
    assert [text.replace("\xa0", " ") for text in told] == [
        "26 Oct 2025, 02:30 CEST (00:30 UTC)",
        "26 Oct 2025, 02:30 CET (01:30 UTC)",
        "27 Oct 2025, 00:30 CET (26 Oct 23:30 UTC)",
    ]
    assert 'datetime="2025-10-26T00:30:00Z"' in words.when(datetime(2025, 10, 26, 0, 30, tzinfo=UTC), "Europe/Prague")


def test_a_zone_that_nobody_knows_is_told_in_utc() -> None:
    assert "UTC" in words.when(datetime(2025, 10, 26, tzinfo=UTC), "../etc/passwd")


def test_a_page_tells_the_same_figure_as_the_store_and_that_it_derives_it_again(open_report: Served) -> None:
    ((vwc, u),) = open_report.store.con.execute(
        "SELECT vwc_m3_m3, vwc_uncertainty_m3_m3 FROM reading JOIN probe_identity USING (probe_id) "
        "WHERE dev_eui = ? AND measured_at = '2026-05-03 02:00:00+00'",
        [open_report.stores.BARLEY],
    ).fetchall()
    path = f"/probes/{open_report.stores.BARLEY}/reading?at=2026-05-03T02:00:00Z&depth=0"
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", httpx.get(open_report.url + path, timeout=60).text))
    spread = "" if u is None else f" ± {u:.3f}"
    assert f"Depth 0, 10 cm: {vwc:.3f} m³/m³{spread}" in text
    assert "equals the stored one" in text


def test_the_fleet_page_tells_what_is_wrong_since_when_why_and_what_to_do(open_report: Served) -> None:
    text = unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", httpx.get(open_report.url, timeout=60).text)))
    assert re.search(r"\d of 4 probes need", text)
    for word in ("not registered", "set aside", "failing"):
        assert word in text
    assert "1 uplink that no codec reads, in 7 days" in text
    assert "Read the sentence beside each uplink" in text
    assert text.count("To do") >= 4


def test_every_page_says_that_figures_are_estimates(open_report: Served) -> None:
    for path in open_report.paths():
        text = httpx.get(open_report.url + path, timeout=60).text
        assert "Every figure is an estimate with an uncertainty, and no substitute for local agronomic advice" in text
