"""The texture classes against the USDA triangle.

USDA-NRCS, Soil Survey Manual; Benham, Ahrens & Nettleton 2009, Clarification of Soil Texture Class Boundaries. Rules
FOUND in public source files that cite Benham et al., the points' classes COMPUTED from them.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.soil.texture import texture_codes, texture_of
from loamline_schemas.registry import USDA_TEXTURES

POINTS = list(
    csv.DictReader((Path(__file__).parent / "soil_texture_triangle_usda_points.csv").read_text().splitlines())
)


@pytest.mark.parametrize("row", POINTS, ids=lambda row: f"sand {row['sand_pct']} clay {row['clay_pct']}")
def test_every_published_point_has_its_class(row):
    assert texture_of(float(row["sand_pct"]), float(row["clay_pct"])) == row["usda_texture_class"]


@pytest.mark.parametrize(
    ("sand", "clay", "texture", "beside"),
    [
        (85, 10, "loamy sand", "sandy: silt + 1.5 clay is 20, not under 15; silt + 2 clay is 25, under 30"),
        (85, 0, "loamy sand", "sand ends where silt + 1.5 clay reaches 15"),
        (85.1, 0, "sand", "a little more sand"),
        (70, 0, "sandy loam", "loamy sand ends where silt + 2 clay reaches 30"),
        (70.1, 0, "loamy sand", "a little more sand"),
        (52, 7, "loam", "52 % sand is not more than 52 %"),
        (52.1, 7, "sandy loam", "it is now"),
        (52, 6.9, "sandy loam", "and below 7 % clay loam ends"),
        (45, 27, "clay loam", "45 % sand is not more than 45 %"),
        (45.1, 27, "sandy clay loam", "it is now"),
        (20, 27, "silty clay loam", "20 % sand is not more than 20 %"),
        (20.1, 27, "clay loam", "it is now"),
        (45, 26.9, "loam", "below 27 % clay with 28 % silt and more"),
        (45.1, 35, "sandy clay", "35 % clay and more than 45 % sand"),
        (45.1, 34.9, "sandy clay loam", "below 35 % clay"),
        (20, 40, "silty clay", "40 % silt and 40 % clay"),
        (20.1, 40, "clay", "below 40 % silt"),
        (20.1, 39.9, "clay loam", "below 40 % clay"),
        (8, 12, "silt loam", "80 % silt with 12 % clay"),
        (8.1, 11.9, "silt", "80 % silt below 12 % clay"),
        (8.2, 11.9, "silt loam", "below 80 % silt"),
        (30.1, 19.9, "silt loam", "50 % silt, which binary fractions miss"),
        (52, 20, "loam", "28 % silt and 20 % clay"),
        (52.1, 20, "sandy clay loam", "below 28 % silt"),
    ],
)
def test_a_boundary_belongs_to_one_side(sand, clay, texture, beside):
    assert texture_of(sand, clay) == texture, beside


def test_every_whole_composition_has_exactly_one_class_and_every_class_has_some():
    """5151 points; the rules of two classes never hold at once, whichever order they are asked in."""
    sand, clay = np.array([(s, c) for s in range(101) for c in range(101 - s)]).T
    codes = texture_codes(sand, clay)
    assert len(codes) == 5151
    assert set(codes.tolist()) == set(range(len(USDA_TEXTURES)))


def rules(sand, clay):
    """Return the names of all classes whose published rule holds: the plain rules, one by one."""
    silt = 100 - sand - clay
    told = {
        "sand": silt + 1.5 * clay < 15,
        "loamy sand": silt + 1.5 * clay >= 15 and silt + 2 * clay < 30,
        "sandy loam": (7 <= clay < 20 and sand > 52 and silt + 2 * clay >= 30)
        or (clay < 7 and silt < 50 and silt + 2 * clay >= 30),
        "loam": 7 <= clay < 27 and 28 <= silt < 50 and sand <= 52,
        "silt loam": (silt >= 50 and 12 <= clay < 27) or (50 <= silt < 80 and clay < 12),
        "silt": silt >= 80 and clay < 12,
        "sandy clay loam": 20 <= clay < 35 and silt < 28 and sand > 45,
        "clay loam": 27 <= clay < 40 and 20 < sand <= 45,
        "silty clay loam": 27 <= clay < 40 and sand <= 20,
        "sandy clay": clay >= 35 and sand > 45,
        "silty clay": clay >= 40 and silt >= 40,
        "clay": clay >= 40 and sand <= 45 and silt < 40,
    }
    return [name for name, holds in told.items() if holds]


def test_the_column_function_says_what_the_one_rule_that_holds_says_at_every_whole_composition():
    for sand in range(101):
        for clay in range(101 - sand):
            assert rules(sand, clay) == [texture_of(sand, clay)], (sand, clay)


@settings(max_examples=200, deadline=None)
@given(sand=st.integers(0, 100_000), clay=st.integers(0, 100_000))
def test_every_composition_to_a_thousandth_of_a_percent_has_a_class(sand, clay):
    code = int(texture_codes(sand / 1000, clay / 1000))
    assert (code >= 0) == (sand + clay <= 100_000)


@pytest.mark.parametrize(
    ("sand", "clay"), [(60, 41), (-1, 20), (20, -0.5), (101, 0), (float("nan"), 20), (20, float("inf"))]
)
def test_what_is_no_composition_has_no_class(sand, clay):
    assert int(texture_codes(sand, clay)) == -1
    with pytest.raises(
        ValueError, match="expected sand_percent and clay_percent from 0 to 100 and together at most 100"
    ):
        texture_of(sand, clay)
