"""`loamline curve`: curves listed, shown, added, compared and fitted, from a folder, a store or no registry."""

import json
import re
import tomllib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.core.curves.published import LEDIEU_1986, TOPP_1980
from loamline.edges.curves_file import curve_toml
from loamline_schemas.curves import Curve, CurveFile
from loamline_schemas.digest import content_digest
from tests.app.test_registry_command import FOLDER
from tests.core.curve_builder import EVERY_KIND

CURVES = (
    "# ours; one space too  many\n"
    + FOLDER["curves.toml"]
    + """
[[curve]]
id = "bench-b"   # of the bench
step = "transducer"
kind = "polynomial"
coefficients = [1, 18, 40]
domain = [0, 1]
for = "B"
valid_from = 2026-03-01T00:00:00Z
"""
)
POINTS = """sample,permittivity,vwc_m3_m3
a,2.9,0.02
b,4,0.055
c,6.1,0.11

d,8,0.15
e,11,0.21
f,15,0.27
g,19.5,0.33
h,25,0.385
i,31,0.44
j,36,0.48
k,41,0.52
"""
OF_BED_A = ("--id", "bed-a", "--for", "loam", "--valid-from", "2026-05-01")
NEXT = "  loamline registry load {folder} --store FILE\n  loamline replay plan --store FILE\n"


@pytest.fixture
def folder(tmp_path):
    """Return a registry folder with a soil curve and a transducer's."""
    place = tmp_path / "registry"
    place.mkdir()
    for name, content in {**FOLDER, "curves.toml": CURVES}.items():
        (place / name).write_text(content)
    return place


@pytest.fixture
def points(tmp_path):
    """Return a function that writes a file of laboratory points."""

    def writer(content=POINTS):
        file = tmp_path / "bed-a.csv"
        file.write_text(content)
        return file

    return writer


@pytest.fixture
def refused(loamline, folder):
    """Return a function that runs a command, is sure that nothing was written, and gives code and sentence."""

    def runner(*arguments):
        before = (folder / "curves.toml").read_bytes()
        done = loamline("curve", *arguments)
        assert done.exit_code != 0
        assert done.stdout == ""
        assert (folder / "curves.toml").read_bytes() == before
        return done.exit_code, done.stderr.strip()

    return runner


def as_json(loamline, *arguments):
    done = loamline("curve", *arguments, "--json")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


# --- list and show ------------------------------------------------------------------------------------------------


def test_a_folder_and_the_store_it_was_loaded_into_list_the_same(loamline, folder, tmp_path):
    loamline("registry", "load", folder, "--store", tmp_path / "soil.duckdb")
    listed = as_json(loamline, "list", "--dir", folder)
    assert listed == as_json(loamline, "list", "--store", tmp_path / "soil.duckdb")
    assert [(one["id"], one["step"]) for one in listed] == [("topp-1980", "soil"), ("bench-b", "transducer")]


def test_for_people_the_list_is_a_table(loamline, folder):
    done = loamline("curve", "list", "--dir", folder)
    for told in ("topp-1980", "for *", "1 to 81", "error 0.013", "2026-03-01", "2 versions of 2 curves"):
        assert told in done.stdout


@pytest.mark.parametrize(("options", "got"), [((), "neither"), (("--store", "a.duckdb", "--dir", "b"), "both")])
def test_one_source_is_wanted(loamline, options, got):
    done = loamline("curve", "list", *options)
    assert (done.exit_code, done.stderr.strip()) == (2, f"expected --store FILE or --dir DIR, got {got}")


def test_a_folder_with_faults_tells_them(loamline, folder):
    (folder / "sites.csv").write_text(FOLDER["sites.csv"].replace("52.0", "north"))
    done = loamline("curve", "list", "--dir", folder)
    assert done.exit_code == 1
    assert done.stderr.splitlines()[0] == "sites.csv:2: latitude_deg: expected a number, got 'north'"
    assert done.stderr.splitlines()[1] == f"expected a registry folder without faults at {folder}, got 1"


def test_show_tells_all_of_a_curve(loamline, folder):
    (shown,) = as_json(loamline, "show", "topp-1980", "--dir", folder)
    digest = shown["digest"]
    assert shown == {
        "id": "topp-1980",
        "step": "soil",
        "kind": "topp1980",
        "for": "*",
        "valid_from": "2026-03-01T00:00:00Z",
        "parameters": {},
        "formula": "vwc = -0.053 + 0.0292 Ka - 0.00055 Ka^2 + 4.3e-06 Ka^3",
        "domain": [1.0, 81.0],
        "standard_error": 0.013,
        "standard_error_unit": "m3/m3",
        "standard_error_origin": "usual for kind topp1980",
        "source": "Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582",
        "digest": digest,
        "used_by": [
            {
                "dev_eui": "02AC000000000001",
                "depth_index": 0,
                "site": "North Field",
                "label": "row 4",
                "depth_cm": 10.0,
                "texture": "loam",
                "by_name": False,
                "from": "2026-03-01T00:00:00Z",
                "until": None,
            }
        ],
        "versions": [{"valid_from": "2026-03-01T00:00:00Z", "digest": digest}],
    }


def test_a_transducer_curve_is_used_by_probes_of_its_hardware(loamline, folder):
    (shown,) = as_json(loamline, "show", "bench-b", "--dir", folder)
    assert [(use["serial"], use["hardware"]) for use in shown["used_by"]] == [("S-0001", "B")]
    assert shown["standard_error_origin"] == "nobody: it adds nothing to a reading's uncertainty"


def test_a_curve_is_in_use_until_a_better_one_begins(loamline, folder, points):
    loamline("curve", "fit", points(), *OF_BED_A, "--append-to", folder)
    old, new = as_json(loamline, "show", "topp-1980", "bed-a", "--dir", folder)
    assert [(use["from"], use["until"]) for use in old["used_by"]] == [("2026-03-01T00:00:00Z", "2026-05-01T00:00:00Z")]
    assert [(use["from"], use["until"]) for use in new["used_by"]] == [("2026-05-01T00:00:00Z", None)]


def test_a_store_tells_versions_that_are_in_force_no_more(loamline, folder, tmp_path):
    store = tmp_path / "soil.duckdb"
    loamline("registry", "load", folder, "--store", store)
    (folder / "curves.toml").write_text(CURVES.replace("[1, 81]", "[2, 60]"))
    loamline("registry", "load", folder, "--store", store)
    (shown,) = as_json(loamline, "show", "topp-1980", "--store", store)
    assert shown["domain"] == [2.0, 60.0]
    assert [version["recorded_until"] is None for version in shown["versions"]] == [False, True]
    assert shown["versions"][1]["digest"] == shown["digest"]


def test_for_people_a_curve_is_lines_with_their_units(loamline, folder):
    done = loamline("curve", "show", "topp-1980", "--dir", folder)
    assert "  standard error  0.013 m3/m3 (usual for kind topp1980)\n" in done.stdout
    assert "  02AC000000000001 depth 0, North Field, row 4, 10 cm, as loam, 2026-03-01 on\n" in done.stdout


def test_a_curve_that_is_not_there_is_told_with_those_that_are(loamline, folder):
    done = loamline("curve", "show", "no-such", "--dir", folder)
    told = "expected a curve of this registry (bench-b, topp-1980), got 'no-such'"
    assert (done.exit_code, done.stderr.strip()) == (2, told)


# --- add ----------------------------------------------------------------------------------------------------------


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


# --- compare ------------------------------------------------------------------------------------------------------


def test_published_curves_are_compared_without_a_registry(loamline):
    told = as_json(loamline, "compare", "topp1980", "ledieu1986")
    at_20 = next(row for row in told["rows"] if row["permittivity"] == 20)["vwc_m3_m3"]
    # Topp et al. 1980 and Ledieu et al. 1986, by their equations.
    topp = sum(term * 20**power for power, term in enumerate(TOPP_1980))
    ledieu = LEDIEU_1986[1] * np.sqrt(20) + LEDIEU_1986[0]
    assert at_20 == {"topp1980": pytest.approx(topp, rel=1e-12), "ledieu1986": pytest.approx(ledieu, rel=1e-12)}
    assert told["shared_domain"] == [1.8, 81.0]
    (apart,) = told["differences"]
    x = np.linspace(1.8, 81, 2001)
    differences = LEDIEU_1986[1] * np.sqrt(x) + LEDIEU_1986[0] - np.polynomial.Polynomial(TOPP_1980)(x)
    assert apart["mean"] == pytest.approx(differences.mean(), abs=1e-12)
    assert apart["root_mean_square"] == pytest.approx(np.sqrt(np.mean(differences**2)), abs=1e-12)
    assert (apart["greatest"], apart["at"]) == (pytest.approx(differences[-1]), 81.0)


def test_a_curve_has_no_figure_outside_its_own_domain(loamline, folder, points):
    loamline("curve", "fit", points(), *OF_BED_A, "--append-to", folder)
    told = as_json(loamline, "compare", "topp-1980", "bed-a", "--dir", folder)
    inside = {row["permittivity"]: row["vwc_m3_m3"]["bed-a"] is not None for row in told["rows"]}
    assert inside == {x: 2.9 <= x <= 41 for x in inside}
    assert {2.9, 41.0, 1.0, 81.0} <= set(inside), "the ends of every domain have rows"
    assert told["shared_domain"] == [2.9, 41.0]


def test_versions_of_one_curve_are_compared_by_their_times(loamline, folder):
    add = ("curve", "add", "--dir", folder, "--id", "topp-1980", "--kind", "ledieu1986", "--for", "*")
    loamline(*add, "--valid-from", "2026-06-01")
    told = as_json(loamline, "compare", "topp-1980@2026-03-01", "topp-1980", "--dir", folder)
    assert [(one["name"], one["kind"]) for one in told["curves"]] == [
        ("topp-1980@2026-03-01", "topp1980"),
        ("topp-1980", "ledieu1986"),
    ]


def test_temperature_matters_to_the_mixing_model(loamline, folder):
    mixing = ("--porosity", 0.45, "--solid-permittivity", 3.9, "--exponent", 0.46)
    loamline("curve", "add", "--dir", folder, *OF_BED_A, "--kind", "mixing", *mixing)
    figures = [
        as_json(loamline, "compare", "topp1980", "bed-a", "--dir", folder, "--temperature", degc)["differences"][0]
        for degc in (5, 35)
    ]
    assert figures[0]["mean"] < figures[1]["mean"]
    done = loamline("curve", "compare", "topp1980", "bed-a", "--dir", folder, "--temperature", 5)
    assert done.stdout.splitlines()[-1] == "mixing model at 5 degC"


def test_domains_with_nothing_in_common_have_no_difference(loamline, folder):
    for name, low, high in (("dry", 2, 10), ("wet", 20, 40)):
        domain = ("--domain", low, high)
        loamline("curve", "add", "--dir", folder, *OF_BED_A[2:], "--id", name, "--kind", "topp1980", *domain)
    told = as_json(loamline, "compare", "dry", "wet", "--dir", folder)
    assert (told["shared_domain"], told["differences"]) == (None, [None])
    done = loamline("curve", "compare", "dry", "wet", "--dir", folder)
    assert "wet less dry: their domains have nothing in common\nthe 2 curves have no domain in common\n" in done.stdout


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("topp1980",), "expected two curves or more, each once, got topp1980"),
        (("topp1980", "topp1980"), "expected two curves or more, each once, got topp1980 topp1980"),
        (("topp1980", "malicki1996@9"), "bulk_density_g_cm3: expected less than or equal to 2.65, got 9.0"),
        (
            ("topp1980", "bench-b"),
            "expected curves of one step, got both: topp1980 is of step soil, bench-b is of step transducer",
        ),
        (
            ("topp1980", "nothing"),
            (
                "expected a curve, the registry's bench-b, topp-1980, or a published one (topp1980, ledieu1986, "
                "malicki1996@DENSITY), got 'nothing'; ID@TIME names the version that begins then"
            ),
        ),
    ],
)
def test_what_cannot_be_compared_is_told(refused, folder, names, told):
    assert refused("compare", *names, "--dir", folder) == (2, told)


@pytest.mark.parametrize("degc", ["nan", "101", "warm"])
def test_a_temperature_of_no_soil_is_refused(loamline, degc):
    assert loamline("curve", "compare", "topp1980", "ledieu1986", "--temperature", degc).exit_code == 2


MAGIC = {".png": b"\x89PNG\r\n\x1a\n", ".svg": b"<?xml"}


@pytest.mark.parametrize("suffix", list(MAGIC))
def test_curves_are_drawn_in_either_format_and_the_same_each_time(loamline, folder, points, tmp_path, suffix):
    loamline(
        "curve", "fit", points(), "--id", "field 3 of $5, _all_ laboratories", *OF_BED_A[2:], "--append-to", folder
    )
    drawn = []
    for name in ("one", "two"):
        names = ("topp1980", "malicki1996@1.35", "field 3 of $5, _all_ laboratories")
        done = loamline("curve", "compare", *names, "--dir", folder, "--out", tmp_path / f"{name}{suffix}")
        assert done.exit_code == 0, done.stderr
        drawn.append((tmp_path / f"{name}{suffix}").read_bytes())
    assert drawn[0].startswith(MAGIC[suffix])
    assert drawn[0] == drawn[1]


def test_another_format_is_refused(loamline, tmp_path):
    done = loamline("curve", "compare", "topp1980", "ledieu1986", "--out", tmp_path / "a.bmp")
    told = "--out: expected a file name ending in .png or .svg, got 'a.bmp'"
    assert (done.exit_code, done.stderr.strip()) == (2, told)


def test_a_drawing_that_cannot_be_written_is_told(loamline, tmp_path):
    done = loamline("curve", "compare", "topp1980", "ledieu1986", "--out", tmp_path / "none" / "a.svg")
    assert done.exit_code == 2
    assert done.stderr.strip().endswith("a.svg: No such file or directory")


# --- fit ----------------------------------------------------------------------------------------------------------


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


@pytest.mark.parametrize("verb", ["add", "compare", "fit", "list", "show"])
def test_every_verb_ends_its_help_with_an_example(loamline, verb):
    done = loamline("curve", verb, "--help")
    assert f"loamline curve {verb} " in done.stdout.split("Example:")[1]
