"""Exports read back: the same figures in every format, and the same bytes whatever the order of arrival."""

from __future__ import annotations

import csv
import io
import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.core.senml import resolve
from loamline.edges.export import FORMULA_STARTS, Format, _regrouped, write_csv, write_file, write_parquet, write_senml
from loamline.edges.spreadsheet import write_spreadsheet
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import COLUMNS, SCHEMA, Selection, count_readings, readings
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

WRITERS = {
    Format.CSV: write_csv,
    Format.PARQUET: write_parquet,
    Format.XLSX: write_spreadsheet,
    Format.SENML: write_senml,
}


def unwatched(rows: int) -> None:
    """Watch no progress."""


def exported(path: Path, kind: Format, selection: Selection | None = None, batch_rows: int = 32_768) -> bytes:
    """Return the bytes of an export."""
    file = io.BytesIO()
    with Store.open(path, writable=False) as store:
        WRITERS[kind](readings(store, selection or Selection(), batch_rows), file, unwatched)
    return file.getvalue()


def stream_of(rows: list[dict[str, Any]]) -> pa.RecordBatchReader:
    """Return rows as an export's stream; columns that a row lacks are null."""
    return pa.Table.from_pylist(rows, schema=SCHEMA).to_reader(max_chunksize=3)


def csv_rows(content: bytes) -> list[dict[str, Any]]:
    """Return CSV rows typed by SCHEMA: an empty cell is null, but for text, where null and empty look alike."""
    told = []
    for row in csv.DictReader(io.StringIO(content.decode(), newline="")):
        typed: dict[str, Any] = {}
        for field in SCHEMA:
            cell = row[field.name]
            if pa.types.is_string(field.type):
                typed[field.name] = cell
            elif cell == "":
                typed[field.name] = None
            elif pa.types.is_timestamp(field.type):
                assert cell.endswith("Z")
                typed[field.name] = datetime.fromisoformat(cell)
            elif pa.types.is_boolean(field.type):
                typed[field.name] = {"true": True, "false": False}[cell]
            else:
                typed[field.name] = float(cell) if pa.types.is_floating(field.type) else int(cell)
        told.append(typed)
    return told


def without_nulls(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows with empty text for null: in a cell the two look alike."""
    return [{name: "" if value is None else value for name, value in row.items()} for row in rows]


def xlsx_rows(content: bytes) -> list[dict[str, Any]]:
    """Return the rows of sheet `readings`, its dates as UTC, without the column of the site's clock."""
    sheet = openpyxl.load_workbook(io.BytesIO(content))["readings"]
    header, *rows = sheet.iter_rows(values_only=True)
    return [
        {
            name: value.replace(tzinfo=UTC) if isinstance(value, datetime) else value
            for name, value in zip(header, row, strict=True)
            if name != "measured_at_local"
        }
        for row in rows
    ]


def test_csv_parquet_and_spreadsheet_hold_equal_values(season_store):
    """Every figure of every column reads back the same from all three, doubles to the last bit."""
    path = season_store
    table = pq.read_table(io.BytesIO(exported(path, Format.PARQUET))).to_pylist()
    assert len(table) > 400
    assert {row["verdict"] for row in table} == {"pass", "not_evaluated", "suspect", "fail", "missing"}
    assert without_nulls(csv_rows(exported(path, Format.CSV))) == without_nulls(table)
    assert without_nulls(xlsx_rows(exported(path, Format.XLSX))) == without_nulls(table)


def test_rows_are_ordered_by_probe_depth_and_instant_and_have_the_promised_columns(season_store):
    """The columns that outside checks rely on stand first to last, in the documented order of rows."""
    rows = csv_rows(exported(season_store, Format.CSV))
    assert list(rows[0]) == [column.name for column in COLUMNS] == SCHEMA.names
    order = [(row["dev_eui"], row["depth_index"], row["measured_at"]) for row in rows]
    assert order == sorted(order)
    assert len(set(order)) == len(order)
    assert (rows[0]["serial"], rows[0]["site"], rows[0]["label"]) == ("S-0001", "North field", "barley 1")
    assert (rows[0]["firmware"], rows[0]["codec"], rows[0]["soil_curve"]) == ("2.5", "measurement-v1", "topp-1980")


@pytest.mark.parametrize("seed", [1, 2])
def test_the_same_uplinks_in_another_order_and_in_other_batches_give_the_same_bytes(stores, seed):
    """Promise 3, as far as a recipient can see it: internal numbers differ, bytes don't."""
    uplinks = [*stores.season(), stores.uplink(stores.PEARS, "7f00", stores.START, 3)]
    in_order = stores.make(uplinks)
    random.Random(seed).shuffle(uplinks)
    shuffled = stores.make(uplinks[:5], uplinks[5:200], uplinks[200:], uplinks[:50])
    for kind in Format:
        assert exported(in_order, kind) == exported(shuffled, kind, batch_rows=100), kind


def test_a_row_digest_held_in_several_registry_states_gives_each_reading_once(stores):
    """A placement that was changed and changed back stands in two spans under one digest."""
    uplinks = [stores.v1(stores.BARLEY, hour, 1850) for hour in range(6)]
    path = stores.make()
    registry = stores.registry()
    other = registry.placements[0].model_copy(update={"label": "barley, moved"})
    changed = type(registry)(
        registry.sites, registry.probes, (other, *registry.placements[1:]), registry.curves, registry.limits
    )
    with Store.open(path) as store:
        for state, told in ((registry, uplinks[:2]), (changed, uplinks[2:4]), (registry, uplinks[4:])):
            save_state(store, state, "test")
            writer = Writer(store, builtin_codecs())
            writer.commit([stores.accepted(uplink) for uplink in told])
        ((spans,),) = store.con.sql("SELECT count(*) FROM placement WHERE label = 'barley 1'").fetchall()
    assert spans == 2
    rows = csv_rows(exported(path, Format.CSV))
    assert [row["label"] for row in rows] == ["barley 1"] * 2 + ["barley, moved"] * 2 + ["barley 1"] * 2


def test_since_is_included_and_until_is_not(stores):
    """[since, until): two exports that share an end hold each reading once."""
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850) for hour in range(6)])
    cut = stores.START + timedelta(hours=3)
    before = csv_rows(exported(path, Format.CSV, Selection(until=cut)))
    after = csv_rows(exported(path, Format.CSV, Selection(since=cut)))
    assert [row["measured_at"].hour for row in before] == [0, 1, 2]
    assert [row["measured_at"].hour for row in after] == [3, 4, 5]


def test_selections_by_probe_and_site_are_counted_as_they_are_read(stores, season_store):
    """The count that progress and the spreadsheet's limit rest on is the number of rows."""
    path = season_store
    for selection in (
        Selection(),
        Selection(dev_euis=(stores.PEARS,)),
        Selection(site="Pear orchard"),
        Selection(dev_euis=(stores.BARLEY,), site="Pear orchard"),
        Selection(dev_euis=()),
    ):
        rows = csv_rows(exported(path, Format.CSV, selection))
        with Store.open(path, writable=False) as store:
            assert count_readings(store, selection) == len(rows)
        assert {row["site"] for row in rows} <= {selection.site or "Pear orchard", "North field", ""}
    assert rows == []


def test_a_store_without_readings_gives_the_header_alone(stores):
    """An empty result is a result."""
    path = stores.make()
    header = (",".join(SCHEMA.names) + "\r\n").encode()
    assert exported(path, Format.CSV) == header
    assert pq.read_table(io.BytesIO(exported(path, Format.PARQUET))).num_rows == 0
    assert xlsx_rows(exported(path, Format.XLSX)) == []


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d"])
def test_text_that_a_spreadsheet_would_run_is_guarded_in_csv_and_figures_are_not(start):
    """OWASP, CSV injection: such a text cell starts with an apostrophe; a negative figure stays a figure."""
    file = io.BytesIO()
    write_csv(stream_of([{"label": f"{start}1+1", "soil_temperature_degc": -2.5}]), file, unwatched)
    (row,) = csv_rows(file.getvalue())
    assert row["label"] == f"'{start}1+1"
    assert row["soil_temperature_degc"] == -2.5


def test_ordinary_identifiers_are_written_as_they_are():
    """No EUI-64 in hex starts like a formula."""
    file = io.BytesIO()
    write_csv(stream_of([{"dev_eui": f"{first:X}2BB000000000001"} for first in range(16)]), file, unwatched)
    assert [row["dev_eui"] for row in csv_rows(file.getvalue())] == [f"{n:X}2BB000000000001" for n in range(16)]


_HOSTILE = st.text(st.sampled_from("=+-@\t\r\n\uff1d\uff0b\"',; 1A|"), max_size=6)


@given(st.lists(st.fixed_dictionaries({
    "label": st.none() | _HOSTILE,
    "serial": st.none() | _HOSTILE,
    "soil_temperature_degc": st.none() | st.floats(-60, 80),
    "age_minutes": st.none() | st.integers(-5, 5),
}), max_size=5))  # fmt: skip
def test_no_cell_of_a_csv_begins_like_a_formula_unless_it_is_a_figure(rows):
    """OWASP, CSV Injection: what begins with = + - @, tab or line ends; numbers may begin with a minus."""
    file = io.BytesIO()
    write_csv(stream_of(rows), file, unwatched)
    cells = [cell for row in csv.reader(io.StringIO(file.getvalue().decode(), newline="")) for cell in row]
    assert len(cells) == (len(rows) + 1) * len(SCHEMA)
    for cell in cells:
        if cell.startswith(FORMULA_STARTS):
            assert float(cell) < 0 or cell.startswith("-0"), cell


@given(
    st.lists(
        st.tuples(
            st.none() | st.text(st.characters(codec="utf-8"), max_size=12),
            st.none() | st.floats(allow_nan=False, allow_infinity=False),
            st.none() | st.datetimes(timezones=st.just(UTC)),
        ),
        max_size=8,
    )
)
def test_csv_loses_nothing(rows):
    """Any text, double and instant reads back: text with an apostrophe in front where it would be a formula."""
    told = [{"label": label, "vwc_m3_m3": vwc, "measured_at": at} for label, vwc, at in rows]
    file = io.BytesIO()
    assert write_csv(stream_of(told), file, unwatched) == len(rows)
    for (label, vwc, at), row in zip(rows, csv_rows(file.getvalue()), strict=True):
        guarded = label is not None and label.startswith(FORMULA_STARTS)
        assert row["label"] == ("'" + label if guarded else label or "")
        assert row["vwc_m3_m3"] == vwc
        assert row["measured_at"] == at


@given(st.lists(st.integers(0, 9), max_size=12), st.integers(1, 7))
def test_row_groups_are_cut_by_count_alone(sizes, group):
    """However the stream is batched, every group but the last has the asked size, and nothing is lost."""
    numbers = iter(range(1000))
    schema = pa.schema([("n", pa.int64())])
    batches = [pa.record_batch([pa.array([next(numbers) for _ in range(size)], pa.int64())], schema) for size in sizes]
    groups = list(_regrouped(pa.RecordBatchReader.from_batches(schema, batches), group))
    assert [n for table in groups for n in table["n"].to_pylist()] == list(range(sum(sizes)))
    assert all(table.num_rows == group for table in groups[:-1])


def test_parquet_tells_units_types_and_is_compressed_with_zstd(season_store):
    """Units are UCUM codes in each field's metadata; times are UTC timestamps."""
    file = pq.ParquetFile(io.BytesIO(exported(season_store, Format.PARQUET)))
    schema = file.schema_arrow
    assert schema.field("vwc_m3_m3").metadata[b"unit"] == b"m3/m3"
    assert schema.field("soil_temperature_degc").metadata[b"unit"] == b"Cel"
    assert schema.field("measured_at").type == pa.timestamp("us", tz="UTC")
    assert all(field.metadata[b"meaning"] for field in schema)
    chunk = file.metadata.row_group(0).column(0)
    assert chunk.compression == "ZSTD"


def test_uncertainty_fraction_and_zone_stand_beside_the_water_content(stores):
    """Loam by Saxton & Rawls 2006, Table 3: 0.14 and 0.28, so deficit under 0.21 without a crop; Topp et al. 1980.

    Permittivity 20, 14 and 8 give 0.3454, 0.2597992 and 0.1476016 m3/m3; 95 lies outside the curve.
    """
    path = stores.make([stores.v4(stores.PROFILE, hour, [told]) for hour, told in enumerate((20.0, 14.0, 8.0, 95.0))])
    rows = csv_rows(exported(path, Format.CSV))
    assert [row["zone"] for row in rows] == ["excess", "adequate", "deficit", ""]
    expected = [(vwc - 0.14) / 0.14 for vwc in (0.3454, 0.2597992, 0.1476016)]
    assert [float(row["plant_available_fraction"]) for row in rows[:3]] == pytest.approx(expected, rel=1e-9)
    assert [float(row["vwc_uncertainty_m3_m3"]) for row in rows[:3]] == pytest.approx([0.013] * 3, rel=1e-4)
    assert (rows[3]["plant_available_fraction"], rows[3]["vwc_uncertainty_m3_m3"]) == (None, None)


def test_senml_holds_the_figures_of_the_other_formats(season_store):
    """RFC 8428: each record, resolved, is one figure of one reading of the Parquet file; dS/m and dBm are converted."""
    table = pq.read_table(io.BytesIO(exported(season_store, Format.PARQUET))).to_pylist()
    expected = {}
    for row in table:
        name = f"urn:dev:mac:{row['dev_eui'].lower()}_{row['depth_index']}_"
        at = row["measured_at"].timestamp()
        for column, quantity in (("vwc_m3_m3", "water-content"), ("soil_temperature_degc", "soil-temperature"),
                                 ("verdict", "verdict"), ("zone", "zone")):  # fmt: skip
            if row[column] is not None:
                expected[name + quantity, at] = row[column]
    found = {
        (record["n"], record["t"]): record.get("v", record.get("vs"))
        for record in resolve(json.loads(exported(season_store, Format.SENML)))
        if record["n"].rsplit("_", 1)[1] in ("water-content", "soil-temperature", "verdict", "zone")
    }
    assert len(found) > 1500
    assert found == expected


def test_readings_whose_time_senml_can_not_tell_are_left_out_of_it():
    """RFC 8428, section 4.5.3: times below 2**28 s would be relative to the reader's clock."""
    file = io.BytesIO()
    told = [{"dev_eui": "02BB000000000001", "depth_index": 0, "vwc_m3_m3": 0.25, "measured_at": at}
            for at in (datetime(1978, 7, 4, tzinfo=UTC), datetime(1978, 7, 5, tzinfo=UTC))]  # fmt: skip
    assert write_senml(stream_of(told), file, unwatched) == 1
    (record,) = resolve(json.loads(file.getvalue()))
    assert record["t"] == datetime(1978, 7, 5, tzinfo=UTC).timestamp()


def test_a_file_appears_whole_or_not_at_all(tmp_path):
    """Where writing breaks off, what stood there before still stands, and nothing is left beside it."""

    def broken():
        yield from stream_of([{"dev_eui": "02BB000000000001"}])
        raise OSError("No space left on device")

    out = tmp_path / "readings.csv"
    out.write_text("before")
    with pytest.raises(OSError, match="No space left"):
        write_file(pa.RecordBatchReader.from_batches(SCHEMA, broken()), out, Format.CSV, unwatched)
    assert out.read_text() == "before"
    assert list(tmp_path.iterdir()) == [out]
