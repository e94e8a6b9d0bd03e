"""A small version of the rates: which situations never flag, which faults are found, and the page that says so."""

import json
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict
from tests.rates.__main__ import PAGE, main
from tests.rates.faults import KINDS
from tests.rates.ground import Soil
from tests.rates.measure import CHECKS, found, observe, together
from tests.rates.report import BEGIN, END, report, written_into
from tests.rates.situations import SITUATIONS

#: The command's own, whatever comes of it.
SEED = 1
BY_NAME = {situation.name: situation for situation in SITUATIONS}


@cache
def year(name, faulty=False):
    return observe(BY_NAME[name], SEED, faulty=faulty)


@pytest.mark.parametrize("name", list(BY_NAME))
def test_a_healthy_year_raises_no_false_alarm(name):
    """Fronts, irrigation pulses, rain in cracks, a drip every hour, a saturated plateau, a dry summer, frost."""
    told = year(name)
    assert int(told.unlabelled.sum()) > 4000
    assert {check: told.false_alarms(check) for check in CHECKS} == dict.fromkeys(CHECKS, 0)


def test_the_situations_are_as_sharp_as_their_names_say():
    """Else a year without alarms would prove little."""
    steps = {name: np.diff(year(name).series.vwc_m3_m3) for name in BY_NAME}
    sand = steps["irrigation pulses in sand, 15 cm"]
    assert np.nanmax(sand) > 0.15
    assert np.nanmin(sand) < -0.05
    cracks = steps["rain on cracked clay, 20 cm"]
    assert np.nanmax(cracks) > 0.1
    assert np.nanmin(cracks) < -0.03
    assert np.nanmin(steps["flooded sand that drains, 10 cm"]) < -0.09
    assert np.nanmax(steps["wetting fronts in silt loam, 30 cm"]) > 0.02
    plateau = year("saturated winter plateau in clay loam, 30 cm").series.vwc_m3_m3
    assert np.mean(plateau > Soil.of("clay loam").saturation - 0.01) > 0.1
    assert np.nanmin(year("winter frost in loam, 10 cm").series.soil_temperature_degc) < -1


def test_without_the_share_that_drains_pulses_in_sand_are_called_spikes():
    """What the smaller of the two steps alone would do."""
    strict = Limits(spike_kept_share=1.0)
    told = observe(BY_NAME["irrigation pulses in sand, 15 cm"], SEED, faulty=False, limits=strict)
    assert told.false_alarms("spike") > 0


def test_frost_keeps_its_verdict_until_a_full_thaw_all_year_long():
    told = year("winter frost in loam, 10 cm")
    frozen, failed = False, 0
    for degc, flag in zip(told.series.soil_temperature_degc, told.flags["frost"], strict=True):
        frozen = degc <= 0 or (frozen and degc <= 0.5)
        failed += frozen
        assert flag == (Verdict.FAIL if frozen else Verdict.SUSPECT if degc <= 0.5 else Verdict.PASS)
    assert failed > 500


def test_faults_are_found_by_the_check_that_is_meant_for_them():
    """Spikes, sags and falls are drawn from under their thresholds on, so that not all can be found."""
    told = together([year(name, faulty=True) for name in BY_NAME])
    assert set(told) == {*KINDS, "frost"}
    least = dict.fromkeys(told, 0.9) | {"spike": 0.75, "supply sag": 0.7, "sudden fall": 0.6}
    assert {name: kind.faults > 0 and kind.found / kind.faults >= least[name] for name, kind in told.items()} == (
        dict.fromkeys(told, True)
    )


def test_the_same_seed_draws_the_same_year_and_another_another():
    name = "rain on loam, 10 cm"
    again, other = observe(BY_NAME[name], SEED, faulty=True), observe(BY_NAME[name], SEED + 1)
    assert again.labels == year(name, faulty=True).labels != other.labels
    np.testing.assert_array_equal(again.series.vwc_m3_m3, year(name, faulty=True).series.vwc_m3_m3)


def test_a_fault_has_its_days_for_itself():
    told = year("rain on loam, 10 cm", faulty=True)
    spans = sorted((label.begin, label.end) for label in told.labels if label.kind != "frost")
    assert len(spans) == 22
    assert all(begin - end >= 72 for (_, end), (begin, _) in pairwise(spans))
    assert sum(kind.faults for kind in found(told).values()) <= len(told.labels)


# --- the command --------------------------------------------------------------------------------------------------


def test_json_tells_every_check_and_situation(capsys):
    assert main(["--years", "1", "--seed", "2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["seed"], told["years"]) == (2, 1)
    assert list(told["checks"]) == list(CHECKS)
    assert list(told["situations"]) == list(BY_NAME)


def test_the_tables_stand_between_the_markers_of_the_page_and_are_written_there(tmp_path, capsys):
    page = tmp_path / "page.md"
    page.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n")
    assert main(["--years", "1", "--write", "--page", str(page)]) == 0
    once = page.read_text()
    assert once.startswith(f"before\n{BEGIN}\n\n12 situations, 1 year each, seed 1: ")
    assert once.endswith(f"|\n\n{END}\nafter\n")
    assert "old" not in once
    assert main(["--years", "1", "--write", "--page", str(page)]) == 0
    assert page.read_text() == once


def test_the_developers_page_has_the_markers_and_tables_of_every_check_and_situation():
    page = PAGE.read_text()
    table = page[page.index(BEGIN) : page.index(END)]
    assert [check for check in CHECKS if f"\n| {check} | " not in table] == []
    assert [name for name in BY_NAME if f"\n| {name} | " not in table] == []


@pytest.mark.parametrize("page", ["", BEGIN, f"{END}{BEGIN}", f"{BEGIN}{END}{BEGIN}{END}"])
def test_a_page_without_its_two_markers_is_refused(page):
    with pytest.raises(ValueError, match="expected the page to hold"):
        written_into(page, report(1, 1))


@pytest.mark.parametrize("given", [["--years", "0"], ["--seed", "-1"]])
def test_no_years_and_no_seed_are_refused(given, capsys):
    with pytest.raises(SystemExit):
        main(given)
    assert "expected --years from 1 and --seed from 0" in capsys.readouterr().err
