"""Downloads of the pages: the bytes of `loamline export`, of what the key may see and no more, without JavaScript."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pyarrow.parquet as pq
import pytest

from loamline.edges.api.auth import new_key
from loamline.edges.export import Format, write_file
from loamline.edges.pages.download import MOST_READINGS, Writing
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.placements import surroundings
from loamline.edges.store.reading_api import NotNowError
from loamline.edges.store.readings import Selection, readings
from loamline_schemas.key_tables import Scope
from loamline_schemas.registry import PlacementRow
from tests.support.report_pages import MINE, NOW, STRANGER, THEIRS, Served, hostile_registry, served_pages

DAYS = {"since": "2026-05-02", "through": "2026-05-03"}
#: The same days by the clock of Prague, as instants.
SINCE, UNTIL = datetime(2026, 5, 1, 22, tzinfo=UTC), datetime(2026, 5, 3, 22, tzinfo=UTC)
PRAGUE = {"zone": "Europe/Prague"}


@contextmanager
def session(served: Served, key: str) -> Iterator[httpx.Client]:
    """Yield somebody who signed in."""
    with httpx.Client(base_url=served.url, timeout=60) as client:
        answer = client.post("/sign-in", data={"key": key}, headers={"origin": served.url})
        assert answer.status_code == 303
        yield client


@pytest.fixture
def signed_in(keyed_report: Served) -> Iterator[Any]:
    """Return a function that gives a client with the session of one of the keys."""
    with ExitStack() as stack:
        yield lambda word: stack.enter_context(session(keyed_report, keyed_report.keys[word]))


def rows_of(answer: httpx.Response) -> list[dict[str, str]]:
    assert answer.status_code == 200, answer.text
    return list(csv.DictReader(io.StringIO(answer.text)))


@pytest.mark.parametrize("kind", list(Format))
@pytest.mark.parametrize("what", ["site", "probe", "fleet"])
def test_a_download_has_the_bytes_of_an_export(open_report: Served, kind: Format, what: str, tmp_path: Path) -> None:
    chosen = {"site": {"site": THEIRS}, "probe": {"probe": open_report.stores.PROFILE}, "fleet": {}}[what]
    answer = httpx.get(
        f"{open_report.url}/download", params={**chosen, **DAYS, **PRAGUE, "format": kind.value}, timeout=60
    )
    wanted = Selection(
        dev_euis=(open_report.stores.PROFILE,) if what == "probe" else None,
        site=THEIRS if what == "site" else None,
        since=SINCE,
        until=UNTIL,
    )
    about = surroundings(open_report.store, wanted)
    rows = write_file(readings(open_report.store, wanted), tmp_path / "there", kind, lambda _: None, about)
    assert (answer.status_code, rows > 40) == (200, True)
    assert answer.content == (tmp_path / "there").read_bytes()
    name = {"site": "Orchard-script-alert-2-script-a-b", "probe": open_report.stores.PROFILE, "fleet": "fleet"}[what]
    told = answer.headers["content-disposition"]
    assert told.startswith(f'attachment; filename="{name}-2026-05-02-2026-05-03.{kind}"')
    assert answer.headers["cache-control"] == "no-store"


def test_both_days_count_by_the_clock_of_the_place(open_report: Served) -> None:
    told = {"probe": open_report.stores.PROFILE, "since": "2026-05-02", "through": "2026-05-02", "format": "csv"}
    for zone, first in (("Europe/Prague", "2026-05-01T22:00:00Z"), ("UTC", "2026-05-02T00:00:00Z")):
        rows = rows_of(httpx.get(f"{open_report.url}/download", params={**told, "zone": zone}, timeout=60))
        at = sorted({row["measured_at"] for row in rows})
        last = datetime.fromisoformat(first) + timedelta(hours=23)
        assert (at[0], datetime.fromisoformat(at[-1])) == (first, last)


def test_a_customer_has_its_own_site_and_probes_alone(keyed_report: Served, signed_in: Any) -> None:
    """What is another's is told as what is not there."""
    mine, stores = signed_in("mine"), keyed_report.stores
    own = rows_of(mine.get("/download", params={"site": MINE, **DAYS, "format": "csv"}))
    assert {(row["site"], row["dev_eui"]) for row in own} == {(MINE, stores.BARLEY)}
    unknown = mine.get("/download", params={"site": "nowhere", **DAYS, "format": "csv"})
    foreign = mine.get("/download", params={"site": THEIRS, **DAYS, "format": "csv"})
    assert (unknown.status_code, foreign.status_code) == (404, 404)
    assert "No such site" in foreign.text
    for dev_eui in (stores.PEARS, stores.PROFILE, STRANGER, "02FF000000000000"):
        for kind in Format:
            answer = mine.get("/download", params={"probe": dev_eui, **DAYS, "format": kind.value})
            assert (answer.status_code, "content-disposition" in answer.headers) == (404, False)


def test_all_at_once_is_for_an_operator(signed_in: Any) -> None:
    told = {**DAYS, "format": "csv"}
    assert {row["site"] for row in rows_of(signed_in("operator").get("/download", params=told))} >= {MINE, THEIRS}
    for word in ("mine", "theirs", "figures only"):
        assert signed_in(word).get("/download", params=told).status_code == 404
        assert 'action="/download"' not in signed_in(word).get("/").text
    assert 'action="/download"' in signed_in("operator").get("/").text


def test_a_key_without_readings_is_offered_none_and_has_none(keyed_report: Served) -> None:
    made = new_key()
    add_key(
        keyed_report.store,
        key_id=made.key_id,
        digest=made.digest,
        customer="Theirs & co",
        scopes=(Scope.FLEET,),
        note="fleet",
        now=NOW,
    )
    with session(keyed_report, made.text) as client:
        assert client.get("/download", params={"site": THEIRS, **DAYS, "format": "csv"}).status_code == 403
        assert 'action="/download"' not in client.get(f"/sites/{quote(THEIRS, safe='')}").text
        assert 'action="/download"' not in client.get(f"/probes/{keyed_report.stores.PEARS}").text


def test_without_a_session_it_leads_to_the_sign_in(keyed_report: Served) -> None:
    answer = httpx.get(f"{keyed_report.url}/download", params={**DAYS, "format": "csv"}, timeout=60)
    assert (answer.status_code, answer.headers["location"], answer.content) == (303, "/sign-in", b"")


@pytest.fixture
def moved(stores: Any) -> Iterator[Served]:
    """Pages of a store whose probe went from their site to ours on the second day, under names that are formulas."""
    registry = hostile_registry(stores.registry())
    (there,) = [row for row in registry.placements if row.dev_eui == stores.PEARS]
    begun = stores.START + timedelta(hours=24)
    told = {**there.model_dump(), "site": MINE, "label": "=HYPERLINK(1)", "valid_from": begun}
    rows = (*registry.placements, PlacementRow(**told))
    path = stores.make(
        [stores.v1(stores.PEARS, hour, 1500 + hour % 3) for hour in range(48)],
        registry=replace(registry, placements=rows),
    )
    with served_pages(path, stores) as (_, keyed):
        yield keyed


def test_of_a_probe_that_moved_each_customer_has_its_own_time_and_place(moved: Served) -> None:
    told = {"probe": moved.stores.PEARS, "since": "2026-05-01", "through": "2026-05-09"}
    begun = (moved.stores.START + timedelta(hours=24)).isoformat().replace("+00:00", "Z")
    for word, site, foreign in (("mine", MINE, THEIRS), ("theirs", THEIRS, MINE)):
        with session(moved, moved.keys[word]) as client:
            rows = rows_of(client.get("/download", params={**told, "format": "csv"}))
            assert len(rows) == 24
            assert {row["site"] for row in rows} == {site}
            assert all((row["measured_at"] >= begun) == (word == "mine") for row in rows)
            book = zipfile.ZipFile(io.BytesIO(client.get("/download", params={**told, "format": "xlsx"}).content))
            texts = "".join(book.read(name).decode() for name in book.namelist() if name.endswith(".xml"))
            assert _in_xml(site) in texts
            assert _in_xml(foreign) not in texts
            parquet = client.get("/download", params={**told, "format": "parquet"}).content
            assert set(pq.read_table(io.BytesIO(parquet)).column("site").to_pylist()) == {site}


def _in_xml(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def test_no_cell_is_a_formula(moved: Served) -> None:
    told = {"probe": moved.stores.PEARS, "since": "2026-05-01", "through": "2026-05-09"}
    with session(moved, moved.keys["mine"]) as client:
        rows = rows_of(client.get("/download", params={**told, "format": "csv"}))
        assert {row["label"] for row in rows} == {"'=HYPERLINK(1)"}
        book = zipfile.ZipFile(io.BytesIO(client.get("/download", params={**told, "format": "xlsx"}).content))
        assert not [name for name in book.namelist() if "sheets" in name and b"<f>" in book.read(name)]


@pytest.mark.parametrize(
    ("told", "status", "sentence"),
    [
        ({"site": MINE, **DAYS}, 400, "Expected csv, parquet, xlsx, senml as format"),
        ({"site": MINE, **DAYS, "format": "exe"}, 400, "got “exe”"),
        ({"site": MINE, "probe": STRANGER, **DAYS, "format": "csv"}, 400, "Expected one of site and probe"),
        ({"site": MINE, "since": "2026-05-02", "format": "csv"}, 400, "for through"),
        ({"site": MINE, "since": "<b>", "through": "2026-05-02", "format": "csv"}, 400, "got “&lt;b&gt;”"),
        ({"site": MINE, "since": "0001-01-01", "through": "2026-05-02", "format": "csv"}, 400, "for since"),
        ({"site": MINE, "since": "2026-05-03", "through": "2026-05-02", "format": "csv"}, 400, "not before the first"),
    ],
)
def test_what_can_not_be_meant_is_told_on_a_page(
    open_report: Served, told: dict[str, str], status: int, sentence: str
) -> None:
    answer = httpx.get(f"{open_report.url}/download", params=told, timeout=60)
    assert (answer.status_code, sentence in answer.text) == (status, True), answer.text
    assert "content-disposition" not in answer.headers


def test_a_file_that_would_be_too_long_is_refused_with_what_to_do(
    open_report: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = {"probe": open_report.stores.PROFILE, "since": "2026-05-02", "through": "2026-05-02", "zone": "UTC"}
    monkeypatch.setitem(MOST_READINGS, Format.CSV, 47)
    answer = httpx.get(f"{open_report.url}/download", params={**told, "format": "csv"}, timeout=60)
    assert (answer.status_code, "Expected at most 47 readings" in answer.text) == (400, True)
    monkeypatch.setitem(MOST_READINGS, Format.CSV, 48)
    assert len(rows_of(httpx.get(f"{open_report.url}/download", params={**told, "format": "csv"}, timeout=60))) == 48


def test_so_many_files_are_written_at_a_time_and_no_page_waits_for_them(
    open_report: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = Writing(at_once=1)
    with busy.turn(), pytest.raises(NotNowError, match="fewer downloads"), busy.turn():
        pass
    with busy.turn():
        pass

    def away(_found: object) -> object:
        raise NotNowError("expected fewer downloads at a time, got one more than may be written")

    monkeypatch.setattr("loamline.edges.pages.app.answer_with", away)
    told = {"site": MINE, **DAYS, "format": "csv"}
    answer = httpx.get(f"{open_report.url}/download", params=told, timeout=60)
    assert (answer.status_code, "Try again in a moment" in answer.text) == (503, True)


@pytest.mark.parametrize("path", [f"/sites/{quote(MINE, safe='')}", "/probes/{barley}", "/"])
def test_the_form_gives_a_file_in_a_browser_without_javascript(
    chromium: Any, open_report: Served, path: str, tmp_path: Path
) -> None:
    context = chromium.new_context(java_script_enabled=False, accept_downloads=True)
    try:
        page = context.new_page()
        page.goto(open_report.url + path.format(barley=open_report.stores.BARLEY))
        form = page.get_by_role("region", name="Download")
        assert form.get_by_label("Through").input_value() >= "2026-05-05"
        form.get_by_label("From").fill("2026-05-02")
        form.get_by_label("Through").fill("2026-05-03")
        form.get_by_label("Format").select_option("csv")
        with page.expect_download() as begun:
            form.get_by_role("button", name="Download").click()
        begun.value.save_as(tmp_path / "told.csv")
        assert begun.value.suggested_filename.endswith("-2026-05-02-2026-05-03.csv")
        rows = list(csv.DictReader(io.StringIO((tmp_path / "told.csv").read_text())))
        assert len({row["measured_at"] for row in rows}) > 40
        assert {row["measured_at"][:10] for row in rows} <= {"2026-05-01", "2026-05-02", "2026-05-03"}
    finally:
        context.close()
