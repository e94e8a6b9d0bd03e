"""`loamline curve fit`: laboratory points to a curve that loads."""

import tomllib

import numpy as np
import pytest

from loamline_schemas.curves import CurveFile
from loamline_schemas.digest import content_digest
from tests.app.curve.given import CURVES, MAGIC, NEXT, OF_BED_A, POINTS, as_json


def test_a_fit_tells_residuals_errors_and_an_entry_that_loads(loamline, points):
    told = as_json(loamline, "fit", points(), "--degree", 3, *OF_BED_A)
    x, y = np.array([[float(cell) for cell in row.split(",")[1:]] for row in POINTS.split()[1:]]).T
    reference = np.polynomial.Polynomial.fit(x, y, 3)
    residuals = y - reference(x)
    np.testing.assert_allclose(told["curve"]["parameters"]["coefficients"], reference.convert().coef, rtol=1e-9)
    np.testing.assert_allclose([point["residual_m3_m3"] for point in told["points"]], residuals, atol=1e-12)
    assert told["degrees_of_freedom"] == 7
    assert told["residual_standard_error_m3_m3"] == pytest.approx(np.sqrt(residuals @ residuals / 7), rel=1e-9)
    assert told["leave_one_out_error_m3_m3"] > told["residual_standard_error_m3_m3"]
    assert (told["file"], told["line"]) == (None, None)
    (entry,) = CurveFile.model_validate(tomllib.loads(told["toml"])).curve
    assert entry.domain == (2.9, 41.0)
    assert entry.source == "polynomial of degree 3 fitted to 11 laboratory points of bed-a.csv"
    # Rounded up to five decimals.
    assert 0 <= (entry.standard_error or 0) - told["residual_standard_error_m3_m3"] < 1e-5
    assert content_digest(entry) == told["curve"]["digest"]


def test_the_entry_is_printed_as_it_would_be_appended(loamline, folder, points):
    printed = loamline("curve", "fit", points(), *OF_BED_A)
    assert printed.exit_code == 0
    done = loamline("curve", "fit", points(), *OF_BED_A, "--append-to", folder)
    entry = (folder / "curves.toml").read_text().removeprefix(CURVES + "\n")
    assert entry.startswith('[[curve]]\nid = "bed-a"\n')
    assert printed.stdout.endswith(f"\n{entry}\n")
    assert done.stdout.endswith(NEXT.format(folder=folder))


def test_a_fitted_curve_serves_readings_after_loading(loamline, folder, points, tmp_path):
    loamline("curve", "fit", points(), "--kind", "table", *OF_BED_A, "--append-to", folder)
    loamline("registry", "load", folder, "--store", tmp_path / "soil.duckdb")
    (shown,) = as_json(loamline, "show", "bed-a", "--store", tmp_path / "soil.duckdb")
    assert len(shown["used_by"]) == 1
    assert shown["parameters"]["points"][0] == [2.9, 0.02]


def test_without_a_degree_each_is_told_and_the_best_taken(loamline, points):
    done = loamline("curve", "fit", points(), *OF_BED_A)
    lines = [line for line in done.stdout.splitlines() if line.startswith("degree ")]
    assert [line.endswith(", taken") for line in lines] == [False, False, True]


def test_without_a_time_the_entry_begins_today_and_says_so(loamline, points):
    done = loamline("curve", "fit", points())
    assert done.stdout.splitlines()[-1] == "valid_from is today, as no --valid-from says since when the curve is true"


def test_points_without_scatter_tell_no_standard_error(loamline, points):
    exact = "permittivity,vwc_m3_m3\n" + "".join(f"{x},{x / 100}\n" for x in range(5, 50, 5))
    told = as_json(loamline, "fit", points(exact), *OF_BED_A)
    assert told["curve"]["standard_error"] is None
    done = loamline("curve", "fit", points(exact), *OF_BED_A)
    assert "readings by this curve would have no uncertainty" in done.stdout


@pytest.mark.parametrize("suffix", list(MAGIC))
@pytest.mark.parametrize("kind", ["polynomial", "table"])
def test_a_fit_is_drawn(loamline, points, tmp_path, suffix, kind):
    out = tmp_path / f"fit{suffix}"
    done = loamline("curve", "fit", points(), "--kind", kind, "--out", out)
    assert done.exit_code == 0, done.stderr
    assert out.read_bytes().startswith(MAGIC[suffix])


BAD_ROWS = """permittivity,vwc_m3_m3
2.9,0.02
0.5,0.05
six,0.11

8,15
11
15,nan
"""


def test_every_bad_row_is_told_with_its_line(refused, points):
    code, told = refused("fit", points(BAD_ROWS))
    assert code == 1
    assert told.splitlines() == [
        "bed-a.csv:3: permittivity: expected a relative permittivity of 1 to 1000, got '0.5'",
        "bed-a.csv:4: permittivity: expected a relative permittivity of 1 to 1000, got 'six'",
        "bed-a.csv:6: vwc_m3_m3: expected a water content of 0 to 1 m3/m3, got '15'; per cent are divided by 100",
        "bed-a.csv:7: expected 2 cells, as in the header, got 1",
        "bed-a.csv:8: vwc_m3_m3: expected a water content of 0 to 1 m3/m3, got 'nan'",
    ]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("2.9,0.02\n", "bed-a.csv:1: permittivity: expected this column in the header, once, got 2.9, 0.02"),
        ("", "bed-a.csv:1: permittivity: expected this column in the header, once, got an empty line"),
        ("permittivity,vwc_m3_m3\n", "bed-a.csv:2: expected a point, got the end of the file"),
        ('permittivity,vwc_m3_m3\n"2.9,0.1\n', "bed-a.csv:2: expected comma-separated values (RFC 4180), got"),
    ],
)
def test_a_file_that_holds_no_points_is_told(refused, points, content, told):
    code, sentence = refused("fit", points(content))
    assert code == 1
    assert sentence.splitlines()[0].startswith(told)


def test_a_file_that_is_not_there_is_told(refused, tmp_path):
    code, told = refused("fit", tmp_path / "none.csv")
    assert (code, told) == (1, f"{tmp_path / 'none.csv'}: expected a CSV file of laboratory points, got none")


def test_a_curve_that_turns_is_refused_and_nothing_is_written(refused, folder, points, tmp_path):
    turning = "permittivity,vwc_m3_m3\n2,0.02\n10,0.2\n20,0.35\n30,0.34\n40,0.3\n"
    out = tmp_path / "turning.png"
    code, told = refused("fit", points(turning), "--degree", 2, *OF_BED_A, "--append-to", folder, "--out", out)
    assert code == 1
    assert "got a polynomial of degree 2 that turns at 28.01; degree 1 increases." in told
    assert told.endswith("; nothing was written")
    assert not out.exists()


def test_a_curve_that_the_folder_refuses_leaves_no_drawing(refused, folder, points, tmp_path):
    out = tmp_path / "fit.png"
    options = ("--id", "topp-1980", "--valid-from", "2026-03-01", "--append-to", folder, "--out", out)
    code, told = refused("fit", points(), *options)
    assert code == 1
    assert told.startswith("id: expected one 'topp-1980' from ")
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--kind", "spline"), "--kind: expected polynomial or table, got 'spline'"),
        (
            ("--kind", "table", "--degree", 2),
            "expected no --degree with --kind table, got one: a table goes through its points",
        ),
        (
            ("--append-to", "registry", "--id", "bed-a"),
            "expected --id and --valid-from with --append-to, got no --valid-from; nothing was written",
        ),
        (
            ("--out", "fit.pdf"),
            "--out: expected a file name ending in .png or .svg, got 'fit.pdf'; nothing was written",
        ),
    ],
)
def test_options_that_make_no_sense_are_told(refused, points, options, told):
    assert refused("fit", points(), *options) == (2, told)
