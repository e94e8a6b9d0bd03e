"""`loamline.open`: the same answers from a file as from a daemon's read API, as Arrow, pandas and polars, and drawings.

The API is the real one on a real port, with a key that the store holds.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow as pa
import pytest

import loamline
from loamline.app.notebook import NotebookError, NotebookStore
from loamline.edges.api.app import make_api
from loamline.edges.api.auth import new_key
from loamline.edges.api.serving import serve_in_thread
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline.edges.store.readings import SCHEMA, Selection, readings
from loamline_schemas.key_tables import Scope

QUESTIONS = [
    {},
    {"probe": "s-0002"},
    {"site": "Pear orchard", "depth": 1},
    {"since": "2026-05-02", "until": datetime(2026, 5, 3, 12, tzinfo=UTC)},
    {"resolution": "hourly", "probe": "02bb000000000001"},
    {"resolution": "daily", "unit": "percent"},
    {"unit": "plant_available_fraction", "until": date(2026, 5, 2)},
    {"unit": "mm", "resolution": "hourly", "probe": "S-0004"},
    {"unit": "mm", "resolution": "daily", "site": "Pear orchard"},
]


@pytest.fixture(scope="module")
def at_rest(season_store) -> NotebookStore:
    """Return the season, opened from its file."""
    return loamline.open(season_store)


@pytest.fixture(scope="module")
def served(season_store, tmp_path_factory) -> Iterator[NotebookStore]:
    """Yield a copy of the season, opened from the address of a read API."""
    path = tmp_path_factory.mktemp("served") / "store.duckdb"
    path.write_bytes(Path(season_store).read_bytes())
    key = new_key()
    with Store.open(path) as store:
        now = datetime(2026, 6, 1, tzinfo=UTC)
        add_key(store, key_id=key.key_id, digest=key.digest, customer=None, scopes=[Scope.OPERATOR], note="", now=now)
        serving = serve_in_thread(make_api(StoreReader(store)), port=0)
        try:
            yield loamline.open(serving.url, key=key.text)
        finally:
            serving.stop()


def test_without_conditions_all_readings_come_as_the_export_has_them(at_rest, season_store) -> None:
    with Store.open(season_store, writable=False) as store:
        expected = readings(store, Selection()).read_all()
    found = at_rest.readings()
    assert found.arrow().equals(expected, check_metadata=True)
    assert len(found) == expected.num_rows > 400
    assert (found.units["vwc_m3_m3"], found.units["soil_temperature_degc"]) == ("m3/m3", "Cel")
    assert "site" not in found.units
    assert found.meanings["depth_cm"] == "depth below the surface"


@pytest.mark.parametrize("question", QUESTIONS, ids=str)
def test_a_daemon_answers_as_its_file_does(at_rest, served, question) -> None:
    """Over HTTP, in pages, with a key: the same rows, units and order."""
    expected, found = at_rest.readings(**question).arrow(), served.readings(**question).arrow()
    assert expected.num_rows > 0
    assert found.equals(expected)
    assert [field.metadata[b"unit"] for field in found.schema] == [field.metadata[b"unit"] for field in expected.schema]


@pytest.mark.parametrize("name", ["sites", "probes", "placements"])
def test_a_daemon_tells_of_the_registry_as_its_file_does(at_rest, served, name) -> None:
    expected, found = getattr(at_rest, name)().arrow(), getattr(served, name)().arrow()
    assert expected.num_rows >= 2
    assert found.equals(expected)


def test_more_readings_than_a_page_holds_come_in_several(stores) -> None:
    """The API gives 10 000 rows a page at most."""
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850) for hour in range(10_050)])
    key = new_key()
    with Store.open(path) as store:
        now = datetime(2026, 6, 1, tzinfo=UTC)
        add_key(store, key_id=key.key_id, digest=key.digest, customer="c", scopes=[Scope.READINGS], note="", now=now)
        serving = serve_in_thread(make_api(StoreReader(store)), port=0)
        try:
            assert len(loamline.open(serving.url, key=key.text).readings()) == 10_050
        finally:
            serving.stop()


def test_conditions_narrow_readings_and_units_rename_their_columns(at_rest) -> None:
    found = at_rest.readings(probe="S-0004", depth=1, since="2026-05-02", unit="percent").arrow()
    assert set(found.column("dev_eui").to_pylist()) == {"02BB000000000004"}
    assert set(found.column("depth_index").to_pylist()) == {1}
    assert min(found.column("measured_at").to_pylist()) == datetime(2026, 5, 2, tzinfo=UTC)
    plain = at_rest.readings(probe="S-0004", depth=1, since="2026-05-02").arrow()
    assert found.column("vwc_percent").to_pylist() == [
        None if vwc is None else vwc * 100.0 for vwc in plain.column("vwc_m3_m3").to_pylist()
    ]
    assert found.schema.field("vwc_percent").metadata[b"unit"] == b"%"
    assert [name for name in found.column_names if "m3_m3" in name] == []


def test_pandas_and_polars_hold_what_arrow_holds(at_rest) -> None:
    question = at_rest.readings(resolution="daily")
    frame, polars = question.pandas(), question.polars()
    expected = question.arrow().to_pydict()
    assert frame["vwc_m3_m3"].dropna().tolist() == [vwc for vwc in expected["vwc_m3_m3"] if vwc is not None]
    assert frame["day"].dt.date.tolist() == expected["day"]
    assert frame.attrs["units"]["vwc_m3_m3"] == "m3/m3"
    assert polars.to_dict(as_series=False) == expected


@pytest.mark.parametrize("name", ["pandas", "polars"])
def test_a_library_that_is_absent_is_told_with_the_way_out(at_rest, name, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, name, None)  # what Python has for a module that can't be imported
    with pytest.raises(NotebookError) as refused:
        getattr(at_rest.sites(), name)()
    assert str(refused.value) == (
        f"expected {name} to be installed, found none: `pip install {name}`, or take .arrow(), which needs no more"
    )


@pytest.mark.parametrize(
    ("question", "sentence"),
    [
        ({"probe": "S-0009"}, "expected the dev_eui or serial of a probe in the store, got 'S-0009'; near it: S-0004"),
        ({"site": "Nord field"}, "expected a site in the store, got 'Nord field'; near it: North field"),
        ({"resolution": "weekly"}, "resolution: expected raw, hourly, daily, got 'weekly'"),
        ({"unit": "%"}, "unit: expected m3/m3, percent, plant_available_fraction, mm, got '%'"),
        ({"unit": "mm"}, "resolution: expected hourly or daily beside unit='mm', got raw"),
        ({"unit": "mm", "resolution": "daily", "depth": 0}, "depth: expected none beside unit='mm', which is of"),
        ({"depth": 10.0}, "depth: expected a depth_index such as 0, the shallowest, got 10.0"),
        ({"depth": True}, "depth: expected a depth_index such as 0, the shallowest, got True"),
        ({"since": "yesterday"}, "since: expected RFC 3339 such as 2026-05-01T10:00:00Z, or a date such as 2026-05-01"),
        ({"until": datetime(2026, 5, 1)}, "until: expected RFC 3339 such as 2026-05-01T10:00:00Z"),  # noqa: DTZ001
    ],
)  # fmt: skip
def test_a_question_that_can_not_be_answered_is_told_in_a_sentence(at_rest, question, sentence) -> None:
    with pytest.raises(NotebookError) as refused:
        at_rest.readings(**question)
    assert str(refused.value).startswith(sentence)


def test_an_unknown_serial_is_told_by_a_daemon_too(served) -> None:
    with pytest.raises(NotebookError) as refused:
        served.readings(probe="S-0009")
    assert str(refused.value).startswith("expected the dev_eui or serial of a probe that the key sees, got 'S-0009'")


def test_the_daemon_can_open_the_store_while_a_notebook_has_it(stores) -> None:
    """The file is open only while a question is answered."""
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850)])
    notebook = loamline.open(path)
    assert len(notebook.readings()) == 1
    with Store.open(path):
        with pytest.raises(NotebookError) as refused:
            notebook.readings()
        assert str(refused.value).startswith(f"expected {path} to be free, but process ")
    assert len(notebook.readings()) == 1


def test_what_can_not_be_opened_is_told(tmp_path, season_store) -> None:
    with pytest.raises(NotebookError, match=r"expected a store at .*none\.duckdb, found none"):
        loamline.open(tmp_path / "none.duckdb")
    with pytest.raises(NotebookError, match="expected no key for a file"):
        loamline.open(season_store, key="k")
    with pytest.raises(NotebookError, match="expected a URL such as http://localhost:8460, got 'http://'"):
        loamline.open("http://")


def test_a_wrong_key_is_told_and_no_key_is_ever_shown(served) -> None:
    address = repr(served).split("'")[1]
    key = "loamline_00000000_" + "0" * 64
    wrong = loamline.open(address, key=key)
    with pytest.raises(NotebookError, match=r"got 401: .*give the key that `loamline key` made") as refused:
        wrong.sites()
    assert key not in str(refused.value) + repr(wrong)


@pytest.mark.parametrize("question", [{"site": "Pear orchard"}, {"resolution": "daily"}, {"resolution": "hourly"}])
def test_a_drawing_has_a_panel_a_depth_with_line_band_and_verdicts(at_rest, question) -> None:
    figure = at_rest.plot(**question)
    keys = {(row["dev_eui"], row["depth_index"]) for row in at_rest.readings(**question).arrow().to_pylist()}
    panels = figure.axes
    assert len(panels) == len(keys)
    titles = [axes.get_title(loc="left") for axes in panels]
    assert "15 cm, Pear orchard, row 9, probe S-0004" in titles
    assert all(axes.collections for axes in panels if "Pear" in axes.get_title(loc="left"))  # the band
    assert figure._repr_png_()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_drawing_marks_each_verdict_at_its_reading_and_draws_no_line_through_failures(at_rest) -> None:
    rows = at_rest.readings(probe="S-0002").arrow().to_pylist()
    (axes,) = at_rest.plot(probe="S-0002").axes
    drawn = {str(line.get_marker()): line for line in axes.lines}
    for marker, verdict in (("x", "fail"), ("^", "suspect")):
        told = [row["vwc_m3_m3"] for row in rows if row["verdict"] == verdict and row["vwc_m3_m3"] is not None]
        assert told
        assert drawn[marker].get_ydata().tolist() == told
    failed = {row["vwc_m3_m3"] for row in rows if row["verdict"] == "fail"} - {None}
    kept = {row["vwc_m3_m3"] for row in rows if row["verdict"] not in ("fail", "missing")} - {None}
    line = set(axes.lines[0].get_ydata().tolist())
    assert kept <= line
    assert not (failed - kept) & line


def test_what_can_not_be_drawn_is_told(at_rest, stores) -> None:
    with pytest.raises(NotebookError, match="expected readings to draw, got none"):
        at_rest.plot(since="2030-01-01")
    with pytest.raises(NotebookError, match="ask with unit='m3/m3'"):
        at_rest.plot(unit="percent")
    told = [stores.v1(f"02BB0000000000{number:02X}", 0, 1850) for number in range(0x10, 0x19)]
    with pytest.raises(NotebookError, match="expected at most 8 depths of probes to draw, got 9"):
        loamline.open(stores.make(told)).plot()


def test_importing_loamline_imports_nothing_heavy() -> None:
    """A script that only asks for the version should not wait for Arrow or DuckDB."""
    told = (
        "import sys, loamline; print([name for name in ('pyarrow', 'duckdb', 'numpy', 'typer') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_empty_answer_has_its_columns(at_rest) -> None:
    assert at_rest.readings(since="2030-01-01").arrow().schema.equals(SCHEMA)
    assert isinstance(at_rest.readings(since="2030-01-01", resolution="daily").arrow(), pa.Table)
