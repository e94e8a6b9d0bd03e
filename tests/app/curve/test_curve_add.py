"""`loamline curve add`: an entry is appended, and the rest of the file stays byte for byte."""

import json
import re
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.edges.curves_file import curve_toml
from loamline_schemas.curves import Curve, CurveFile
from loamline_schemas.digest import content_digest
from tests.app.curve.given import CURVES, NEXT, OF_BED_A, as_json
from tests.core.curve_builder import EVERY_KIND


def test_a_curve_is_added_and_the_rest_of_the_file_stays_byte_for_byte(loamline, folder):
    done = loamline(
        *("curve", "add", "--dir", folder, *OF_BED_A, "--kind", "malicki1996", "--bulk-density", 1.35),
        *("--source", 'a "ring" of 2026', "--standard-error", 0.015, "--domain", 2.5, 40),
    )
    assert done.exit_code == 0, done.stderr
    assert (folder / "curves.toml").read_text() == CURVES + (
        '\n[[curve]]\nid = "bed-a"\nstep = "soil"\nkind = "malicki1996"\ndomain = [2.5, 40]\nfor = "loam"\n'
        "valid_from = 2026-05-01T00:00:00Z\nstandard_error = 0.015\n"
        'source = "a \\"ring\\" of 2026"\nbulk_density_g_cm3 = 1.35\n'
    )
    line = CURVES.count("\n") + 2
    assert done.stdout.startswith(f"added bed-a as line {line} of {folder / 'curves.toml'}. ")
    assert done.stdout.endswith(NEXT.format(folder=folder))


def test_the_folder_loads_with_every_kind_added(loamline, folder, points, tmp_path):
    options = {
        "topp1980": (),
        "ledieu1986": (),
        "malicki1996": ("--bulk-density", 1.2),
        "mixing": ("--porosity", 0.45, "--solid-permittivity", 3.9, "--exponent", 0.46),
        "polynomial": ("--coefficients", "-0.053, 0.0292, -5.5e-4, 4.3e-6", "--domain", 2, 60),
        "table": ("--points", points()),
    }
    for kind, more in options.items():
        done = loamline("curve", "add", "--dir", folder, "--id", f"of {kind}", "--kind", kind, *OF_BED_A[2:], *more)
        assert done.exit_code == 0, done.stderr
    loaded = loamline("registry", "load", folder, "--store", tmp_path / "soil.duckdb", "--json")
    assert json.loads(loaded.stdout)["tables"]["curve"]["added"] == 2 + len(options)


def test_a_transducer_curve_may_be_added_for_a_hardware(loamline, folder):
    told = as_json(
        loamline,
        *("add", "--dir", folder, "--id", "bench-c", "--step", "transducer", "--kind", "polynomial"),
        *("--coefficients", "1,20,38", "--domain", 0, 1, "--for", "C", "--valid-from", "2026-03-01"),
    )
    assert told["curve"]["formula"] == "Ka = 1 + 20 x + 38 x^2"
    assert (folder / "curves.toml").read_text().endswith(told["toml"])
    assert (folder / "curves.toml").read_text().splitlines()[told["line"] - 1] == "[[curve]]"


@pytest.mark.parametrize(
    ("before", "between"),
    [("", ""), ("# none yet", "\n\n"), ("# none yet\n", "\n"), ("# none yet\r\n", "\r\n"), ("\ufeff", "")],
)
def test_the_entry_keeps_to_the_ways_of_the_file(loamline, folder, before, between):
    (folder / "curves.toml").write_bytes(before.encode())
    done = loamline("curve", "add", "--dir", folder, *OF_BED_A, "--kind", "topp1980")
    assert done.exit_code == 0, done.stderr
    after = (folder / "curves.toml").read_bytes().decode()
    assert after.startswith(f"{before}{between}[[curve]]")
    assert ("\r\n" in before) == ("\r\n" in after)
    assert not re.search(r"(?<!\r)\n", after) or "\r\n" not in after


ADD = ("add", "--dir", "FOLDER", *OF_BED_A)


@pytest.mark.parametrize(
    ("options", "code", "told"),
    [
        (
            ("--kind", "malicki1996", "--bulk-density", -1),
            2,
            "bulk_density_g_cm3: expected greater than or equal to 0.2, got -1.0",
        ),
        (("--kind", "malicki1996"), 2, "expected bulk_density_g_cm3 for kind malicki1996, got none"),
        (
            ("--kind", "polynomial", "--coefficients", "0,0.03,-0.0005", "--domain", 2, 60),
            2,
            "expected a curve that increases all over its domain [2.0, 60.0], got one that turns at 30",
        ),
        (
            ("--kind", "polynomial", "--coefficients", "0,0.01"),
            2,
            "domain: expected [low, high], between which the curve was fitted, got nothing",
        ),
        (
            ("--kind", "polynomial", "--coefficients", "0;1", "--domain", 2, 60),
            2,
            "--coefficients: expected numbers separated by commas, such as 0.018,0.0272,-4e-4, got '0;1'",
        ),
        (
            ("--kind", "guess"),
            2,
            (
                "kind: expected one of 'topp1980', 'ledieu1986', 'malicki1996', 'mixing', 'polynomial' or 'table', "
                "got 'guess'"
            ),
        ),
        (("--kind", "topp1980", "--for", "mud"), 1, 'for: expected "*" or one of the 12 USDA texture classes'),
        (
            ("--kind", "topp1980", "--id", "topp-1980", "--valid-from", "2026-03-01"),
            1,
            "id: expected one 'topp-1980' from 2026-03-01T00:00:00+00:00 on, got another in line 2",
        ),
    ],
)
def test_what_loading_would_refuse_is_refused_in_its_words(refused, folder, options, code, told):
    exit_code, sentence = refused(*(folder if word == "FOLDER" else word for word in ADD), *options)
    assert exit_code == code
    assert sentence.startswith(told)
    assert sentence.endswith("; nothing was written")


def test_a_file_with_a_fault_of_its_own_takes_no_curve(refused, folder):
    (folder / "curves.toml").write_text(CURVES.replace('kind = "topp1980"', 'kind = "topp"'))
    code, told = refused("add", "--dir", folder, *OF_BED_A, "--kind", "topp1980")
    assert code == 1
    assert told.startswith("curves.toml:2: kind: expected one of 'topp1980', ")


def test_a_folder_without_the_file_says_how_to_begin(loamline, tmp_path):
    done = loamline("curve", "add", "--dir", tmp_path, *OF_BED_A, "--kind", "topp1980")
    assert done.stderr.strip() == (
        f"expected curves.toml in {tmp_path}, found none; make an empty one to begin with; nothing was written"
    )


@pytest.mark.parametrize("curve", EVERY_KIND, ids=lambda curve: curve.id)
def test_an_entry_reads_back_as_the_same_curve(curve):
    (read,) = CurveFile.model_validate(tomllib.loads(curve_toml(curve))).curve
    assert content_digest(read) == content_digest(curve)


@given(name=st.text(min_size=1, max_size=20), source=st.text(max_size=40))
@settings(suppress_health_check=[HealthCheck.too_slow])
def test_any_name_and_source_read_back(name, source):
    told = {"id": name, "step": "soil", "kind": "topp1980", "valid_from": "2026-05-01T00:00:00Z", "source": source}
    curve = Curve.model_validate(told)
    assert CurveFile.model_validate(tomllib.loads(curve_toml(curve))).curve == (curve,)
