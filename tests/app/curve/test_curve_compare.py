"""`loamline curve compare`: curves side by side, published ones and those of a folder."""

import numpy as np
import pytest

from loamline.core.curves.published import LEDIEU_1986, TOPP_1980
from tests.app.curve.given import MAGIC, OF_BED_A, as_json


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
