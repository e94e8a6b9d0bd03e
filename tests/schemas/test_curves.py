"""What a curve in curves.toml can get wrong, in one sentence each; usual domains; digests that never change."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.curves import STORED, Curve
from loamline_schemas.digest import canonical_json, content_digest
from loamline_schemas.rising import not_rising
from tests.core.curve_builder import EVERY_KIND, soil_curve
from tests.core.registry_builder import topp, transducer


def refusal(kind, **changes):
    with pytest.raises(ValidationError) as problem:
        soil_curve(kind, **changes)
    return sentence(problem.value)


# --- parameters ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "changes", "expected"),
    [
        ("malicki1996", {"bulk_density_g_cm3": -1.3},
         "bulk_density_g_cm3: expected greater than or equal to 0.2, got -1.3"),
        ("malicki1996", {"bulk_density_g_cm3": 1350},
         "bulk_density_g_cm3: expected less than or equal to 2.65, got 1350"),
        ("malicki1996", {"bulk_density_g_cm3": float("nan")},
         "bulk_density_g_cm3: expected a finite number, got nan"),
        ("malicki1996", {"bulk_density_g_cm3": None}, "expected bulk_density_g_cm3 for kind malicki1996, got none"),
        ("mixing", {"porosity": 0}, "porosity: expected greater than 0, got 0"),
        ("mixing", {"porosity": 45}, "porosity: expected less than 1, got 45"),
        ("mixing", {"porosity": None}, "expected porosity for kind mixing, got none"),
        ("mixing", {"solid_permittivity": 1}, "solid_permittivity: expected greater than 1, got 1"),
        ("mixing", {"solid_permittivity": 81}, "solid_permittivity: expected less than or equal to 20, got 81"),
        ("mixing", {"exponent": 1.1}, "exponent: expected less than or equal to 1, got 1.1"),
        ("mixing", {"exponent": -2}, "exponent: expected greater than or equal to -1, got -2"),
        ("mixing", {"exponent": 0}, "expected an exponent at least 0.01 away from 0, got 0"),
        ("mixing", {"exponent": 1e-300}, "expected an exponent at least 0.01 away from 0, got 1e-300"),
        ("topp1980", {"porosity": 0.4}, "expected no porosity for kind topp1980 (they are published), got 0.4"),
        ("ledieu1986", {"coefficients": [1, 2]},
         "expected no coefficients for kind ledieu1986 (they are published), got some"),
        ("malicki1996", {"exponent": 0.5}, "expected no exponent for kind malicki1996, got 0.5"),
        ("polynomial", {"points": [[2, 0.1], [9, 0.3]]}, "expected no points for kind polynomial, got some"),
        ("table", {"step": "transducer"}, 'expected step "soil" for kind table, got "transducer"'),
        ("ledieu1986", {"domain": [0.5, 40]}, "expected a domain of permittivities, 1 or more, got [0.5, 40.0]"),
    ],
)  # fmt: skip
def test_parameters_that_cannot_be_are_refused_in_one_sentence(kind, changes, expected):
    assert refusal(kind, **changes) == expected


NOT_RISING = "expected points that increase in both permittivity and water content, got "


def test_an_unknown_kind_is_one_fault_though_it_tells_no_domain():
    told = {"id": "a", "step": "soil", "kind": "topp80", "valid_from": "2026-03-01T00:00:00Z"}
    with pytest.raises(ValidationError) as problem:
        Curve.model_validate(told)
    assert sentence(problem.value).endswith("'polynomial' or 'table', got 'topp80'")


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([[2, 0.1]], "expected points, 2 or more, got 1"),
        ([], "expected points for kind table, got none"),
        ([[2, 0.1], [2, 0.3]], f"{NOT_RISING}[2.0, 0.1] and [2.0, 0.3] in points 1 and 2"),
        ([[2, 0.1], [9, 0.3], [20, 0.3]], f"{NOT_RISING}[9.0, 0.3] and [20.0, 0.3] in points 2 and 3"),
        ([[40, 0.5], [2, 0.1]], f"{NOT_RISING}[40.0, 0.5] and [2.0, 0.1] in points 1 and 2"),
        ([[0.9, 0.1], [9, 0.3]], "expected permittivities of 1 or more, got 0.9 in point 1"),
        ([[2, 0.1], [9, 30]], "expected water contents of 0 to 1 m3/m3, got 30 in point 2"),
        ([[2, -0.01], [9, 0.3]], "expected water contents of 0 to 1 m3/m3, got -0.01 in point 1"),
        ([[2, float("nan")], [9, 0.3]], "points.0.1: expected a finite number, got nan"),
        ([[2, "dry"], [9, 0.3]], "points.0.1: expected a number, got 'dry'"),
    ],
)
def test_points_that_are_no_curve_are_refused_in_one_sentence(points, expected):
    assert refusal("table", points=points) == expected


def test_a_table_holds_within_its_points_only():
    expected = "expected a domain within the points, 2.9 to 41, got [1.0, 41.0]"
    assert refusal("table", domain=[1, 41]) == expected
    assert soil_curve("table", domain=[3, 40]).domain == (3, 40)


# --- curves that turn ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"coefficients": [0, 0.02, -0.0002], "domain": [1, 80]},
         "expected a curve that increases all over its domain [1.0, 80.0], got one that turns at 50"),
        ({"coefficients": [0.6, -0.01], "domain": [1, 40]},
         "expected a curve that increases all over its domain [1.0, 40.0], got one that falls"),
        ({"coefficients": [0.3], "domain": [1, 40]},
         "expected a curve that increases all over its domain [1.0, 40.0], got one that is constant"),
        ({"coefficients": [0, 1], "domain": [1, 40]},
         "expected water contents of 0 to 1 m3/m3 over the domain, got 40 at permittivity 40"),
        ({"coefficients": [-20, 1.1], "domain": [2, 19]},
         "expected water contents of 0 to 1 m3/m3 over the domain, got -17.8 at permittivity 2"),
        ({"domain": None}, "domain: expected [low, high], between which the curve was fitted, got nothing"),
    ],
)  # fmt: skip
def test_a_polynomial_that_is_no_soil_curve_is_refused_in_one_sentence(changes, expected):
    assert refusal("polynomial", **changes) == expected


def test_a_transducer_curve_that_turns_is_refused_too():
    with pytest.raises(ValidationError) as problem:
        transducer(coefficients=[1, 100, -60])
    assert sentence(problem.value).endswith("[0.0, 1.0], got one that turns at 0.8333")


def test_a_fit_may_end_a_little_outside_0_to_1_as_the_published_ones_do():
    """Topp et al. 1980 themselves give -0.024 m3/m3 at a permittivity of 1."""
    assert soil_curve("polynomial", coefficients=[-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6], domain=[1, 81]).domain == (1, 81)


def test_a_curve_may_turn_outside_its_domain_and_be_level_in_a_point():
    assert not_rising([0, 0.02, -0.0002], 1, 50) is None
    assert not_rising([-0.027, 0.27, -0.9, 1], 0, 1) is None


def test_a_curve_beyond_all_numbers_is_refused():
    assert not_rising([0, 1e308, 1e308], 0, 1e10) == "has no finite slope"


def test_a_stored_curve_is_still_read_though_it_would_be_refused_today():
    """Stored figures cite it; a store must not become unreadable by a new rule."""
    told = {**soil_curve("polynomial").model_dump(by_alias=True), "coefficients": (0.0, 0.02, -0.0002)}
    assert Curve.model_validate(told, context=STORED).coefficients == (0.0, 0.02, -0.0002)


@settings(max_examples=150, deadline=None)
@given(
    ascending=st.lists(st.integers(-9, 9), min_size=1, max_size=6),
    low=st.integers(-3, 2),
    width=st.integers(1, 4),
)
def test_what_is_said_to_rise_rises_at_every_step_and_what_isnt_doesnt(ascending, low, width):
    """Against dense sampling; a polynomial that only dips between two samples may be refused, never the reverse."""
    x = np.linspace(low, low + width, 2001)
    sampled = np.polynomial.polynomial.polyval(x, ascending)
    rises = np.diff(sampled) > -1e-9
    if not_rising([float(c) for c in ascending], float(low), float(low + width)) is None:
        assert rises.all()
        assert sampled[-1] > sampled[0]
    else:
        slope = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(ascending))
        assert slope.min() < 1e-3


# --- usual domains ------------------------------------------------------------------------------------------------


def test_each_kind_but_the_polynomial_has_a_usual_domain():
    assert soil_curve("topp1980", domain=None).domain == (1.8, 81.0)
    assert soil_curve("ledieu1986").domain == soil_curve("malicki1996").domain == (1.8, 81.0)
    assert soil_curve("table").domain == (2.9, 41.0)


def test_the_mixing_models_own_reaches_from_dry_to_saturated():
    """(0.55 * 3.9^0.46 + 0.45)^(1/0.46) = 2.347; with 0.45 * 87.74^0.46 instead of 0.45, 26.98."""
    assert soil_curve("mixing").domain == (2.34, 26.99)


def test_a_domain_of_its_own_wins():
    assert soil_curve("mixing", domain=[3, 20]).domain == (3, 20)


# --- digests ------------------------------------------------------------------------------------------------------


def test_curves_of_before_these_kinds_keep_the_digests_that_stored_figures_cite():
    bed = {"coefficients": [0.018, 0.0272, -4.0e-4, 2.6e-6], "domain": [1.8, 60.0], "for": "sandy loam"}
    told = soil_curve("polynomial", id="bed", standard_error=0.02, source="a laboratory", **bed)
    assert content_digest(topp()) == "3e8e944aab5e45cf"
    assert content_digest(transducer()) == "5926c8368727e447"
    assert content_digest(told) == "63ee63363ad0e68f"


@pytest.mark.parametrize("curve", EVERY_KIND, ids=lambda curve: curve.id)
def test_a_curve_read_back_from_its_content_is_the_same_curve(curve):
    again = Curve.model_validate_json(canonical_json(curve))
    assert again == curve
    assert content_digest(again) == content_digest(curve)


def test_every_parameter_is_part_of_the_content():
    made = [
        *EVERY_KIND,
        soil_curve("malicki1996", bulk_density_g_cm3=1.4),
        soil_curve("mixing", porosity=0.46, domain=EVERY_KIND[3].domain),
        soil_curve("mixing", solid_permittivity=4, domain=EVERY_KIND[3].domain),
        soil_curve("table", points=[[2.9, 0.02], [41, 0.52]]),
    ]
    assert len({content_digest(curve) for curve in made}) == len(made)


def test_a_domain_left_out_is_the_same_as_the_usual_one_written_down():
    assert content_digest(soil_curve("topp1980", domain=None)) == content_digest(soil_curve("topp1980"))
