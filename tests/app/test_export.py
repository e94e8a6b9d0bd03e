"""`loamline export`: formats, selections, what it refuses, and in which words."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime

import openpyxl
import pyarrow.parquet as pq
import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.readings import SCHEMA


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("suffix", ["csv", "parquet", "xlsx", "senml"])
def test_the_format_follows_from_the_suffix_and_json_tells_what_was_written(stores, loamline, tmp_path, suffix):
    path, out = stores.make([stores.v1(stores.BARLEY, 0, 1850)]), tmp_path / f"readings.{suffix}"
    result = loamline("export", "--store", path, "--out", out, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout) == {"rows": 1, "columns": SCHEMA.names, "out": str(out)}
    assert (
        out.read_bytes()[:4] == {"csv": b"dev_", "parquet": b"PAR1", "xlsx": b"PK\x03\x04", "senml": b'[\n{"'}[suffix]
    )


def test_a_named_format_beats_the_suffix(stores, loamline, tmp_path):
    out = tmp_path / "readings.csv"
    result = loamline("export", "--store", stores.make(), "--out", out, "--format", "parquet")
    assert result.exit_code == 0
    assert pq.read_table(out).num_rows == 0


def test_csv_goes_to_standard_output_and_nothing_else_does(loamline, season_store):
    """What a script pipes on is CSV from the first byte to the last."""
    path = season_store
    result = loamline("export", "--store", path, "--out", "-", "--probe", "s-0001", "--since", "2026-05-02",
                      "--until", "2026-05-02T03:00:00+01:00")  # fmt: skip
    assert result.exit_code == 0
    assert [row["measured_at"] for row in rows_of(result.stdout)] == ["2026-05-02T00:00:00Z", "2026-05-02T01:00:00Z"]


def test_a_probe_is_named_by_dev_eui_or_serial_and_a_site_by_name(stores, loamline, season_store):
    """Upper and lower case are alike."""
    path = season_store

    def probes(*selection: str) -> set[str]:
        return {row["dev_eui"] for row in rows_of(loamline("export", "--store", path, "--out", "-", *selection).stdout)}

    assert probes("--probe", "S-0002") == probes("--probe", stores.PEARS.lower()) == {stores.PEARS}
    assert probes("--site", "pear orchard") == {stores.PEARS, stores.PROFILE}
    assert probes("--site", "North field", "--probe", "S-0002") == set()
    assert len(probes()) == 4


def test_an_unknown_probe_or_site_is_told_with_near_names(loamline, season_store):
    path = season_store
    result = loamline("export", "--store", path, "--out", "-", "--probe", "S-0009")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == (
        "expected the dev_eui or serial of a probe in the store, got 'S-0009'; near it: S-0004, S-0002, S-0001\n"
    )
    result = loamline("export", "--store", path, "--out", "-", "--site", "Nord field")
    assert result.exit_code == 1
    assert result.stderr == "expected a site in the store, got 'Nord field'; near it: North field\n"


def test_a_store_without_readings_gives_a_header_and_success(stores, loamline):
    result = loamline("export", "--store", stores.make(), "--out", "-")
    assert (result.exit_code, result.stdout_bytes) == (0, (",".join(SCHEMA.names) + "\r\n").encode())


def test_an_export_never_takes_the_place_of_the_store(stores, loamline):
    path = stores.make()
    for name in (path, f"{path}.lock", f"{path}.watermark", path.parent / "." / path.name):
        result = loamline("export", "--store", path, "--out", name, "--format", "csv")
        assert result.exit_code == 2
        assert result.stderr == f"expected --out to be another file than the store's own, got {name}\n"
    Store.open(path, writable=False).close()


def test_a_folder_that_is_not_there_is_told(stores, loamline, tmp_path):
    out = tmp_path / "none" / "readings.csv"
    result = loamline("export", "--store", stores.make(), "--out", out)
    assert result.exit_code == 1
    assert result.stderr.startswith(f"expected to write {out}, got: ")
    assert "No such file or directory" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--out", "a.txt"], "expected --format, or --out with the suffix .csv, .parquet, .xlsx or .senml, got a.txt"),
        (["--out", "-", "--format", "xlsx"], "expected --format csv for standard output, got xlsx; give --out a file"),
        (["--out", "-", "--json"], "expected --out FILE beside --json, got -: both would write to standard output"),
    ],
)  # fmt: skip
def test_contradictory_options_are_refused_in_one_sentence(stores, loamline, arguments, sentence):
    result = loamline("export", "--store", stores.make(), *arguments)
    assert (result.exit_code, result.stderr) == (2, sentence + "\n")


@pytest.mark.parametrize("time", ["2026-05-01T10:00:00", "yesterday", "2026-13-01", "1746093600"])
def test_a_time_without_offset_or_sense_is_refused(stores, loamline, time):
    """A time that could mean several instants is no time."""
    result = loamline("export", "--store", stores.make(), "--out", "-", "--since", time)
    assert result.exit_code == 2
    assert f"got '{time}'" in result.stderr


def test_a_store_that_is_absent_or_busy_is_told_in_one_sentence(stores, loamline, tmp_path):
    result = loamline("export", "--store", tmp_path / "none.duckdb", "--out", "-")
    assert result.exit_code == 1
    assert result.stderr.startswith(f"expected a store at {tmp_path / 'none.duckdb'}, found none")
    path = stores.make()
    with Store.open(path):
        result = loamline("export", "--store", path, "--out", "-")
    assert result.exit_code == 1
    assert result.stderr.startswith(f"expected {path} to be free, but process ")


def test_a_spreadsheet_tells_the_places_of_the_selection_and_nobody_else_s(stores, loamline, tmp_path):
    """Who is sent one orchard's figures learns of no other site."""
    path, out = stores.make(stores.season()), tmp_path / "pears.xlsx"
    assert loamline("export", "--store", path, "--out", out, "--site", "Pear orchard").exit_code == 0
    book = openpyxl.load_workbook(out)
    assert {row[2] for row in book["placements"].iter_rows(min_row=2, values_only=True)} == {"Pear orchard"}
    assert "North field" not in str([cell for sheet in book for row in sheet.values for cell in row])


def test_what_senml_can_not_tell_is_said(stores, loamline, tmp_path):
    early = stores.uplink(
        stores.BARLEY, stores.v1(stores.BARLEY, 0, 1850).payload_hex, datetime(1977, 1, 1, tzinfo=UTC)
    )
    out = tmp_path / "readings.senml"
    result = loamline("export", "--store", stores.make([early, stores.v1(stores.BARLEY, 1, 1850)]), "--out", out)
    assert result.exit_code == 0
    assert result.stdout == f"1 readings in {out}\n"
    assert result.stderr == (
        "1 readings from before July 1978 were left out: SenML takes such times for relative ones\n"
    )
