"""What is answered: media types read back by other people's readers, units, conditional requests, gzip, problems."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from typing import Any

import httpx
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.senml import resolve
from loamline.edges.api.content import ARROW, CSV, JSON, PARQUET, READINGS, SENML, TABLES, chosen
from loamline.edges.problem_details import HttpError
from tests.conftest import Stores
from tests.support.read_api import MOVED, Api, problem, served_api, two_growers_store

LISTINGS = ("sites", "probes", "placements", "readings?limit=40", "readings?resolution=hourly&limit=40",
            "readings?unit=percent&limit=40", "readings?unit=plant_available_fraction&limit=40", "latest", "quality",
            "readings?resolution=daily&unit=mm", "fleet", "gateways", "curves")  # fmt: skip


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with served_api(two_growers_store(Stores(tmp_path_factory.mktemp("answers")))) as running:
        yield running


def accepting(api: Api, path: str, kind: str) -> httpx.Response:
    answer = api.get(path, headers={"accept": kind})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].partition(";")[0] == kind
    return answer


# Media types ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", LISTINGS)
def test_parquet_and_an_arrow_stream_hold_what_json_tells(api: Api, path: str) -> None:
    told = accepting(api, path, JSON).json()
    parquet = pq.read_table(io.BytesIO(accepting(api, path, PARQUET).content))
    with pa.ipc.open_stream(accepting(api, path, ARROW).content) as stream:
        arrow = stream.read_all()
    assert arrow.equals(parquet)
    assert arrow.num_rows == len(told["rows"]) > 0
    units = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in arrow.schema}
    assert {name: unit for name, unit in units.items() if unit} == told["units"]
    for name in arrow.column_names:
        if pa.types.is_floating(arrow.schema.field(name).type) or pa.types.is_string(arrow.schema.field(name).type):
            assert arrow.column(name).to_pylist() == [row[name] for row in told["rows"]]


@pytest.mark.parametrize("path", LISTINGS)
def test_csv_holds_what_json_tells(api: Api, path: str) -> None:
    rows = accepting(api, path, JSON).json()["rows"]
    lines = [*csv.DictReader(io.StringIO(accepting(api, path, CSV).text, newline=""))]
    assert lines == [{name: cell(value) for name, value in row.items()} for row in rows]


def cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "; ".join(value)
    return repr(value) if isinstance(value, float) else str(value)


@pytest.mark.parametrize("path", [f"readings?probe={MOVED}&limit=30", "latest"])
def test_senml_holds_the_water_contents(api: Api, path: str) -> None:
    """RFC 8428: names, and instants as seconds since 1970, once resolved (section 4.6)."""
    rows = accepting(api, path, JSON).json()["rows"]
    pack = resolve(accepting(api, path, SENML).json())
    water = [(record["n"], record["v"]) for record in pack if record["n"].endswith("_water-content")]
    assert water == [
        (f"urn:dev:mac:{row['dev_eui'].lower()}_{row['depth_index']}_water-content", row["vwc_m3_m3"])
        for row in rows
        if row["vwc_m3_m3"] is not None
    ]


@pytest.mark.parametrize(
    "path", ["sites", "fleet", "readings?unit=percent", "readings?resolution=hourly", "latest?unit=percent"]
)
def test_senml_of_anything_else_is_not_acceptable(api: Api, path: str) -> None:
    told = problem(api.get(path, headers={"accept": SENML}), 406)
    assert told["expected"] == f"one of {', '.join(TABLES)}"


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        (None, JSON),
        ("*/*", JSON),
        ("text/*", CSV),
        ("text/csv;q=0.5, application/json;q=0.4", CSV),
        ("text/csv;q=0.5, */*;q=0.4", CSV),
        ("application/json;q=0, */*", CSV),
        ("TEXT/CSV ; Q=1", CSV),
        (f"{SENML}, {JSON};q=0.9", SENML),
        ("text/html, application/*;q=0.2", JSON),
        ("text/csv;q=nan, application/json;q=0.1", JSON),
    ],
)
def test_the_media_type_is_the_one_that_is_accepted_most(accept: str | None, kind: str) -> None:
    """RFC 9110, section 12.5.1: the most specific range decides, q=0 refuses."""
    assert chosen(accept, READINGS) == kind


@given(accept=st.text(max_size=80))
def test_any_accept_header_gives_a_media_type_or_a_problem(accept: str) -> None:
    try:
        told = chosen(accept, READINGS)
    except HttpError as refused:
        told = str(refused.status)
    assert told in (*READINGS, "406")


# Units ---------------------------------------------------------------------------------------------------------------


def test_percent_is_a_hundred_times_the_ratio(api: Api) -> None:
    ratio = api.rows("readings", probe=Stores.BARLEY)
    percent = api.rows("readings", probe=Stores.BARLEY, unit="percent")
    assert [row["vwc_percent"] for row in percent] == [pytest.approx(100 * row["vwc_m3_m3"]) for row in ratio]
    assert "vwc_m3_m3" not in percent[0]
    assert "vwc_percent" not in api.rows("readings", unit="plant_available_fraction", limit=1)[0]


def test_the_profile_of_one_depth_is_its_water_content_over_the_root_depth(api: Api) -> None:
    """1 m3/m3 over 0.6 m is 600 mm; the field's probe has one depth, so that the whole profile is as it is there."""
    hours = {row["hour"]: row for row in api.rows("readings", probe=Stores.BARLEY, unit="mm", resolution="hourly")}
    for row in api.rows("readings", probe=Stores.BARLEY):
        if row["verdict"] != "fail":
            assert hours[row["measured_at"]]["storage_mm"] == pytest.approx(600 * row["vwc_m3_m3"])


def test_a_profile_with_a_depth_missing_has_no_storage(api: Api) -> None:
    rows = {row["hour"]: row for row in api.rows("readings", probe=Stores.PROFILE, unit="mm", resolution="hourly")}
    assert rows["2026-05-03T12:00:00Z"]["storage_mm"] is None
    assert rows["2026-05-03T13:00:00Z"]["storage_mm"] is not None


def test_days_are_by_the_clock_of_the_site(api: Api) -> None:
    """Auckland is 12 h ahead of UTC in May: the season's first day there has 12 hours."""
    first = api.rows("readings", probe=Stores.PEARS, resolution="daily")[0]
    assert (first["day"], first["readings"]) == ("2026-05-01", 12)


def test_a_span_holds_its_beginning_and_not_its_end(api: Api) -> None:
    rows = api.rows("readings", probe=MOVED, since="2026-05-01T03:00:00Z", until="2026-05-01T05:00:00Z")
    assert [row["measured_at"] for row in rows] == ["2026-05-01T03:00:00Z", "2026-05-01T04:00:00Z"]
    assert api.rows("readings", probe=Stores.PROFILE, depth_index=1, limit=1)[0]["depth_index"] == 1


def test_quality_counts_every_reading_once(api: Api) -> None:
    (row,) = [row for row in api.rows("quality") if row["site"] == "North field"]
    counts = {name.removeprefix("verdict_"): n for name, n in row.items() if name.startswith("verdict_")}
    told = [reading["verdict"] for reading in api.rows("readings", site="North field")]
    assert counts == {word: told.count(word) for word in counts}
    assert row["readings"] == len(told)


# Conditional requests, gzip, HEAD ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", READINGS)
def test_what_has_not_changed_is_not_sent_again(api: Api, kind: str) -> None:
    """RFC 9110, section 13.1.2: If-None-Match compares weakly, with any of a list, and `*` with whatever there is."""
    first = accepting(api, "latest", kind)
    etag = first.headers["etag"]
    for told in (etag, etag.removeprefix("W/"), f'"x", {etag}', "*"):
        again = api.get("latest", headers={"accept": kind, "if-none-match": told})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)
    changed = api.get("latest", headers={"accept": kind, "if-none-match": '"x"'})
    assert (changed.status_code, changed.headers["etag"]) == (200, etag)


def test_each_media_type_and_each_key_has_an_etag_of_its_own(api: Api) -> None:
    etags = {accepting(api, "latest", kind).headers["etag"] for kind in READINGS}
    assert len(etags) == len(READINGS)
    assert api.get("latest", "north").headers["etag"] not in etags
    assert {"Accept", "Authorization", "Accept-Encoding"} <= {
        name.strip() for name in api.get("latest").headers["vary"].split(",")
    }


def test_the_etag_changes_with_the_readings(stores: Stores) -> None:
    with served_api(two_growers_store(stores)) as api:
        before = api.get("latest", "north").headers["etag"]
        api.store.con.execute("UPDATE reading SET supply_v = 3.3 WHERE measured_at = '2026-05-05 23:00:00Z'")
        assert api.get("latest", "north").headers["etag"] != before


def test_a_long_answer_travels_compressed_where_that_is_accepted(api: Api) -> None:
    plain = api.get("readings", headers={"accept-encoding": "identity"})
    packed = api.get("readings", headers={"accept-encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < int(plain.headers["content-length"]) / 5
    assert packed.json() == plain.json()
    assert packed.headers["etag"] == plain.headers["etag"]


def test_head_tells_the_headers_of_get_without_a_body(api: Api) -> None:
    key = {"authorization": f"Bearer {api.keys['north'].text}", "accept-encoding": "identity"}
    head = httpx.head(f"{api.url}/api/v1/sites", headers=key)
    get = httpx.get(f"{api.url}/api/v1/sites", headers=key)
    assert (head.status_code, head.content) == (200, b"")
    assert dict(head.headers) | {"date": ""} == dict(get.headers) | {"date": ""}


_SINCE = "query parameter since: expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z"
_EUI = "query parameter probe: expected text that matches pattern '^[0-9A-Fa-f]{16}$'"
_UNTIL = "query parameter until: expected an instant after the year 1"
_NUMBER = "path parameter revision_id: expected a valid integer, unable to parse string as an integer"

# Problems ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "status", "detail"),
    [
        ("nothing", 404, "expected a path of the document, got another"),
        ("sites/", 404, "expected a site that this key may see, got another"),
        ("readings?sinc=2026-05-01", 422, "query parameter sinc: expected a parameter of the document, got another"),
        ("readings?since=1777593600", 422, f"{_SINCE}, got '1777593600'"),
        ("readings?limit=0", 422, "query parameter limit: expected greater than or equal to 1, got '0'"),
        ("readings?limit=10001", 422, "query parameter limit: expected less than or equal to 10000, got '10001'"),
        ("readings?probe=7", 422, f"{_EUI}, got '7'"),
        ("readings?unit=mm", 422, "query parameter resolution: expected hourly or daily with the unit mm, got raw"),
        ("latest?unit=mm", 422, "query parameter unit: expected another unit; /readings has mm, got mm"),
        ("gateways?until=0001-01-01T00:00:00Z", 422, f"{_UNTIL}, got 0001-01-01 00:00:00+00:00"),
        ("revisions/x", 422, f"{_NUMBER}, got 'x'"),
        ("revisions/99999999999999999999", 404, "expected a revision that this key may see, got another"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_in_a_sentence(api: Api, path: str, status: int, detail: str) -> None:
    """RFC 9457."""
    told = problem(api.get(path), status)
    assert told["detail"] == detail
    where = f"{told['where']}: " if "where" in told else ""
    assert told["detail"] == f"{where}expected {told['expected']}, got {told['got']}"


def test_a_defect_of_ours_is_told_without_its_inside(stores: Stores) -> None:
    path = two_growers_store(stores)
    with served_api(path) as api:
        api.store.con.execute("DROP TABLE curve")
        told = problem(api.get("curves"), 500)
    assert told["detail"] == "expected to answer, got a defect of ours; the log says more"


def test_json_is_utf_8_and_holds_no_number_that_json_has_not(api: Api) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    for path in LISTINGS:
        json.loads(api.get(path).content.decode(), parse_constant=refuse)
