"""`loamline explain` from permittivity to zone: each printed formula is worked again, by hand or from its text.

Sources: the curves' own (Topp et al. 1980; Ledieu et al. 1986; Malicki et al. 1996; Roth et al. 1990 with the water of
Malmberg & Maryott 1956), FAO Irrigation and Drainage Paper 56 chapter 8 for fraction, p and zone, Saxton & Rawls 2006
for soil water, JCGM 100:2008 (GUM) for uncertainty.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import timedelta

import pytest

from loamline_schemas.curves import Curve
from loamline_schemas.registry import CropRow, SoilRow

SINCE = "2020-01-01T00:00:00Z"
TOPP_AT_20 = 0.3454  # -0.053 + 0.584 - 0.22 + 0.0344
TOPP_AT_12 = 0.2256304  # -0.053 + 0.3504 - 0.0792 + 0.0074304


@pytest.fixture
def explain(loamline):
    """Return a function that gives the readings of `loamline explain --json` at the start, by depth."""

    def told(store, probe, time):
        result = loamline("explain", probe, time.isoformat(), "--store", store, "--json")
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)["readings"]

    return told


def soil_curve(kind, **parameters):
    told = {"id": f"own-{kind}", "step": "soil", "kind": kind, "domain": [2, 40], "valid_from": SINCE}
    return Curve.model_validate({**told, **parameters})


def layer(**changes):
    told = {"site": "Pear orchard", "top_cm": 0, "bottom_cm": 20, "valid_from": SINCE}
    return SoilRow.model_validate({**told, **changes})


def crop(**changes):
    return CropRow.model_validate({"site": "Pear orchard", "crop": "tomato", "valid_from": SINCE, **changes})


def with_curve(stores, curve):
    """Return the registry of the tests with another soil curve."""
    base = stores.registry()
    return replace(base, curves=(base.curves[0], curve))


def worked(formula, **given):
    """Return what every right side of a printed formula comes to, the figures put in for their names."""
    formula, _, extra = formula.partition(" for r = ")
    if extra:
        given["r"] = float(extra.removesuffix(" g/cm3"))
    _, *sides = formula.partition(", ")[0].split(" = ")
    python = [re.sub(r"([\d)]) (?=[a-z])", r"\1 * ", side.replace("^", "**")) for side in sides]
    return [eval(side, {"__builtins__": {}, "sqrt": math.sqrt}, given) for side in python]  # noqa: S307 - our own text


WATER_AT_12_5 = 87.740 - 0.40008 * 12.5 + 9.398e-4 * 12.5**2 - 1.410e-6 * 12.5**3
MIXTURE = {"porosity": 0.45, "solid_permittivity": 3.9, "exponent": 0.5}
POINTS = [[2, 0.02], [10, 0.2], [16, 0.3], [40, 0.5]]


@pytest.mark.parametrize(
    ("curve", "expected"),
    [
        (soil_curve("topp1980"), -0.053 + 0.0292 * 16 - 5.5e-4 * 256 + 4.3e-6 * 4096),
        (soil_curve("ledieu1986"), 0.1138 * 4 - 0.1758),
        (soil_curve("malicki1996", bulk_density_g_cm3=1.4), (4 - 0.819 - 0.2352 - 0.31164) / (7.17 + 1.652)),
        (soil_curve("mixing", **MIXTURE), (4 - 0.55 * math.sqrt(3.9) - 0.45) / (math.sqrt(WATER_AT_12_5) - 1)),
        (soil_curve("polynomial", coefficients=[0.01, 0.015, 0.0002]), 0.01 + 0.24 + 0.0512),
        (soil_curve("table", points=POINTS), 0.3),
    ],
    ids=lambda told: told.kind if isinstance(told, Curve) else "",
)  # fmt: skip
def test_every_kind_of_soil_curve_is_written_out_so_that_it_can_be_worked_again(stores, explain, curve, expected):
    """At permittivity 16 and 12.5 degC; the text alone, with these two, gives the stored figure."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [16.0])], registry=with_curve(stores, curve))
    (reading,) = explain(path, stores.PROFILE, stores.START)
    told = reading["soil"]
    assert reading["agrees"]
    assert (told["kind"], told["input"]) == (curve.kind, 16.0)
    assert reading["vwc_m3_m3"] == told["result"] == pytest.approx(expected, abs=1e-14)
    if curve.kind == "table":
        assert told["formula"] == "vwc_m3_m3 = monotone cubic through 4 points from (2, 0.02) to (40, 0.5)"
    else:
        sides = worked(told["formula"], permittivity=16.0)
        assert sides == pytest.approx([reading["vwc_m3_m3"]] * len(sides), abs=1e-14)
        assert len(sides) == (2 if curve.kind == "malicki1996" else 1)


@pytest.mark.parametrize("permittivity", [2.0, 7.5, 10.0, 12.25, 39.99, 40.0])
def test_of_a_table_the_piece_that_the_figure_lies_in_is_told(stores, explain, permittivity):
    """Between two laboratory points the curve is one cubic, and passes through both of them."""
    curve = soil_curve("table", points=POINTS)
    path = stores.make([stores.v4(stores.PROFILE, 0, [permittivity])], registry=with_curve(stores, curve))
    (reading,) = explain(path, stores.PROFILE, stores.START)
    piece = reading["soil"]["piece"]
    (x, y), (last_x, last_y) = piece["from_point"], piece["to_point"]
    assert x <= permittivity <= last_x
    assert piece["formula"].endswith(f", u = permittivity - {x:g}")
    (here,) = worked(piece["formula"], u=permittivity - x)
    assert here == pytest.approx(reading["vwc_m3_m3"], abs=1e-14)
    assert worked(piece["formula"], u=0.0) == pytest.approx([y], abs=1e-14)
    assert worked(piece["formula"], u=last_x - x) == pytest.approx([last_y], abs=1e-13)


def test_the_temperature_that_a_mixing_curve_took_is_told(stores, explain, loamline):
    curve = soil_curve("mixing", **MIXTURE)
    uplinks = [stores.v4(stores.PROFILE, 0, [16.0], 12.5), stores.v4(stores.PROFILE, 5, [16.0], None)]
    path = stores.make(uplinks, registry=with_curve(stores, curve))
    (told,) = explain(path, stores.PROFILE, stores.START)
    assert told["soil"]["temperature"]["soil_temperature_degc"] == 12.5
    assert told["soil"]["temperature"]["assumed"] is False
    assert told["soil"]["temperature"]["water_permittivity"] == pytest.approx(WATER_AT_12_5, rel=1e-14)
    (told,) = explain(path, stores.PROFILE, stores.START + timedelta(hours=5))
    assert (told["soil"]["temperature"]["soil_temperature_degc"], told["soil"]["temperature"]["assumed"]) == (
        20.0,
        True,
    )
    assert told["agrees"]
    text = loamline("explain", stores.PROFILE, "2026-05-01T05:00:00Z", "--store", path).stdout
    assert "at 20 degC, taken, since no soil temperature is known" in text


def test_a_measured_layer_and_a_crop_of_table_22_worked_by_hand(stores, explain, loamline):
    """Wilting point 0.12, field capacity 0.30; tomato: p 0.40, root depth up to 1.5 m (FAO-56 Table 22).

    (0.3454 - 0.12) / 0.18 = 1.2522; deficit below 0.30 - 0.40 * 0.18 = 0.228, which 0.2256304 m3/m3 is.
    """
    soils = (layer(wilting_point=0.12, field_capacity=0.30, saturation=0.46, source="ring samples"),)
    base = replace(stores.registry(), soils=soils, crops=(crop(),))
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0]), stores.v4(stores.PROFILE, 5, [12.0])], registry=base)
    (wet,) = explain(path, stores.PROFILE, stores.START)
    water, roots, zone = wet["soil_water"], wet["root_zone"], wet["zone"]
    assert water["sentence"] == "15 cm lies in the layer of soils.csv from 0 to 20 cm"
    assert [water[f"{name}_m3_m3"] for name in ("wilting_point", "field_capacity", "saturation")] == [0.12, 0.3, 0.46]
    assert water["field_capacity_origin"] == "measured: ring samples"
    assert water["layer"]["digest"] == wet["made_by"]["soil_layer_digest"]
    assert roots["crop"]["digest"] == wet["made_by"]["crop_digest"]
    assert (roots["depletion_fraction"], roots["root_depth_m"]) == (0.40, 1.5)
    assert roots["depletion_fraction_origin"] == "FAO-56 Table 22, tomato"
    assert wet["plant_available"]["result"] == wet["plant_available_fraction"]
    assert wet["plant_available_fraction"] == pytest.approx((TOPP_AT_20 - 0.12) / 0.18, rel=1e-12)
    formula = wet["plant_available"]["formula"].rsplit(" = ", 1)[1]
    assert worked(f"fraction = {formula}") == pytest.approx([wet["plant_available_fraction"]], rel=1e-12)
    assert zone["zone"] == "excess"
    assert zone["deficit_below_m3_m3"] == pytest.approx(0.228, abs=1e-15)
    assert "= 0.3 - 0.4 * (0.3 - 0.12) = " in zone["deficit_below_origin"]
    assert (zone["excess_above_m3_m3"], zone["excess_above_origin"]) == (
        0.3,
        "field_capacity, above which water drains",
    )
    (dry,) = explain(path, stores.PROFILE, stores.START + timedelta(hours=5))
    assert dry["zone"]["zone"] == "deficit"
    assert dry["plant_available_fraction"] == pytest.approx((TOPP_AT_12 - 0.12) / 0.18, rel=1e-12)
    assert wet["agrees"]
    assert dry["agrees"]

    text = loamline("explain", stores.PROFILE, "2026-05-01", "--store", path).stdout
    for line in (
        "wilting_point 0.12 m3/m3, field_capacity 0.3 m3/m3, saturation 0.46 m3/m3: measured: ring samples",
        "depletion fraction p 0.4: FAO-56 Table 22, tomato",
        "zone: excess\n   plant_available_fraction = (vwc - wilting_point) / (field_capacity - wilting_point) = ",
        f"({wet['vwc_m3_m3']!r} - 0.12) / (0.3 - 0.12) = {wet['plant_available_fraction']!r}",
        "excess above 0.3 m3/m3: field_capacity, above which water drains",
        f"excess: {wet['vwc_m3_m3']!r} m3/m3 lies above 0.3 m3/m3",
        water["layer"]["digest"],
        roots["crop"]["digest"],
    ):
        assert line in text, line


def test_without_layer_and_crop_texture_and_the_usual_p_hold_and_it_is_said(stores, explain):
    """Loam of Saxton & Rawls 2006, Table 3: 0.14, 0.28, 0.46. Deficit below 0.28 - 0.5 * 0.14 = 0.21."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [12.0])])
    (reading,) = explain(path, stores.PROFILE, stores.START)
    water = reading["soil_water"]
    assert water["layer"] is None
    assert water["sentence"] == "no layer of soils.csv holds 15 cm then, so the placement's texture does: loam"
    assert water["wilting_point_origin"] == "Saxton & Rawls 2006, Table 3, loam"
    assert reading["root_zone"]["depletion_fraction_origin"].startswith("no crop told: ")
    assert reading["zone"]["deficit_below_m3_m3"] == pytest.approx(0.21, abs=1e-15)
    assert reading["zone"]["zone"] == "adequate"


@pytest.mark.parametrize(
    ("own", "bounds", "origins"),
    [
        ((0.1, None), (0.1, 0.28), ("deficit_below of the placement", "field_capacity, above")),
        ((None, 0.4), (0.21, 0.4), ("field_capacity - p", "excess_above of the placement")),
        ((None, 0.2), (0.2, 0.2), ("excess_above of the placement, since", "excess_above of the placement")),
        ((0.35, None), (0.35, 0.35), ("deficit_below of the placement", "deficit_below of the placement, since")),
    ],
)
def test_a_placement_s_own_thresholds_are_told_as_such(stores, explain, own, bounds, origins):
    """Loam has 0.21 and 0.28 by itself; a threshold of its own moves the other's default out of its way."""
    base = stores.registry()
    change = {"deficit_below": own[0], "excess_above": own[1]}
    places = tuple(row.model_copy(update=change) for row in base.placements)
    path = stores.make([stores.v4(stores.PROFILE, 0, [12.0])], registry=replace(base, placements=places))
    (reading,) = explain(path, stores.PROFILE, stores.START)
    zone = reading["zone"]
    assert (zone["deficit_below_m3_m3"], zone["excess_above_m3_m3"]) == pytest.approx(bounds, abs=1e-15)
    assert zone["deficit_below_origin"].startswith(origins[0])
    assert zone["excess_above_origin"].startswith(origins[1])
    assert reading["agrees"]


# --- uncertainty --------------------------------------------------------------------------------------------------


def test_the_uncertainty_of_a_count_worked_by_hand(stores, explain, loamline):
    """JCGM 100, 5.1.2 equation 10, first order; half-widths a give a / sqrt(3) (4.3.7).

    Count 1850 at 15 degC; record: air 500, water 3500, -0.8 counts/K; K = 1 + 30 x + 49 x^2; Topp's 0.013 m3/m3.
    """
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850)])
    (reading,) = explain(path, stores.BARLEY, stores.START)
    x = 1346 / 3000
    permittivity = 1 + 30 * x + 49 * x * x
    by_x = (0.0292 - 2 * 5.5e-4 * permittivity + 3 * 4.3e-6 * permittivity**2) * (30 + 98 * x)
    by_count = by_x / 3000
    expected = {
        "soil_curve": 0.013,
        "count_resolution": by_count * 0.5 / math.sqrt(3),
        "soil_temperature": by_count * 0.8 * 0.5 / math.sqrt(3),
        "air_count": by_count * (1 - x) / math.sqrt(3),
        "water_count": by_count * x / math.sqrt(3),
    }
    told = {cause["cause"]: cause for cause in reading["uncertainty"]["causes"]}
    shares = {name: cause["vwc_uncertainty_m3_m3"] for name, cause in told.items() if name != "transducer_curve"}
    assert shares == pytest.approx(expected, rel=1e-9)
    assert told["count_resolution"]["sensitivity"] == pytest.approx(by_count, rel=1e-9)
    assert told["transducer_curve"]["input_standard_uncertainty"] is None
    total = math.sqrt(sum(share**2 for share in expected.values()))
    assert reading["uncertainty"]["vwc_uncertainty_m3_m3"] == reading["vwc_uncertainty_m3_m3"]
    assert reading["vwc_uncertainty_m3_m3"] == pytest.approx(total, rel=1e-9)
    percents = [cause["variance_percent"] for cause in told.values() if cause["variance_percent"] is not None]
    assert sum(percents) == pytest.approx(100, abs=1e-9)
    text = loamline("explain", stores.BARLEY, "2026-05-01", "--store", path).stdout
    assert f"7. standard uncertainty: {reading['vwc_uncertainty_m3_m3']!r} m3/m3" in text
    assert "the largest share is: standard error of the soil curve" in text


def test_of_a_reported_permittivity_only_its_own_causes_are_told(stores, explain):
    """Steps of 0.01 at K = 20, where Topp's curve has the slope 0.0292 - 0.022 + 0.00516 = 0.01236."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0])])
    (reading,) = explain(path, stores.PROFILE, stores.START)
    told = {cause["cause"]: cause["vwc_uncertainty_m3_m3"] for cause in reading["uncertainty"]["causes"]}
    steps = 0.01236 * 0.005 / math.sqrt(3)
    assert told == pytest.approx({"soil_curve": 0.013, "permittivity_resolution": steps, "soil_temperature": 0.0})
    assert reading["vwc_uncertainty_m3_m3"] == pytest.approx(math.hypot(0.013, steps))


def test_a_curve_without_standard_error_leaves_the_uncertainty_unknown_and_says_what_to_do(stores, explain, loamline):
    curve = soil_curve("polynomial", coefficients=[0.01, 0.015, 0.0002])
    path = stores.make([stores.v4(stores.PROFILE, 0, [16.0])], registry=with_curve(stores, curve))
    (reading,) = explain(path, stores.PROFILE, stores.START)
    assert reading["vwc_uncertainty_m3_m3"] is None
    assert reading["uncertainty"]["sentence"] == (
        "unknown: soil curve own-polynomial tells no standard_error, by far the largest share; give one in curves.toml"
    )
    assert reading["soil"]["standard_error_origin"] == "the curve tells none"
    assert "7. standard uncertainty: none" in loamline("explain", "S-0004", "2026-05-01", "--store", path).stdout


def test_what_a_reading_without_water_content_or_place_lacks_is_said(stores, explain, loamline, season_store):
    (stranger,) = explain(season_store, "02BB0000000000FF", stores.START)
    assert (stranger["soil_water"], stranger["zone"], stranger["plant_available"]) == (None, None, None)
    assert stranger["uncertainty"]["sentence"] == "no uncertainty: there is no water content"
    text = loamline("explain", "02BB0000000000FF", "2026-05-01", "--store", season_store).stdout
    assert "none is known: the probe's depth is placed nowhere at that instant" in text
    _, outside = explain(season_store, "S-0004", stores.START + timedelta(hours=60))
    assert outside["vwc_m3_m3"] is None
    assert (outside["zone"]["zone"], outside["zone"]["sentence"]) == (None, "no zone: there is no water content")
    assert outside["plant_available"]["result"] is None
