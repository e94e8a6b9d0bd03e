"""Registry rows and curves: what a single row can get wrong, in one sentence each."""

import pytest
from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.digest import canonical_json, content_digest
from loamline_schemas.limits import LimitLayer
from tests.core.registry_builder import crop, placement, probe, site, soil, topp, transducer

SINCE = "2026-03-01T00:00:00+00:00"


def refusal(make, *given, **changes):
    with pytest.raises(ValidationError) as problem:
        make(*given, **changes)
    return sentence(problem.value)


@pytest.mark.parametrize(
    ("make", "changes", "expected"),
    [
        (
            site,
            {"time_zone": "Mars/Base"},
            "time_zone: expected an IANA time zone such as Europe/Lisbon, got 'Mars/Base'",
        ),
        (site, {"time_zone": "../etc"}, "time_zone: expected an IANA time zone such as Europe/Lisbon, got '../etc'"),
        (site, {"latitude_deg": 90.1}, "latitude_deg: expected less than or equal to 90, got 90.1"),
        (
            probe,
            {"air_count": None},
            "expected air_count, water_count and count_per_k all three or none, got some of them",
        ),
        (probe, {"water_count": 340}, "expected water_count above air_count, got water 340 and air 340"),
        (probe, {"made_on": "last June"}, "made_on: expected a date such as 2026-05-01, got 'last June'"),
        (placement, {"depth_index": 16}, "depth_index: expected less than or equal to 15, got 16"),
        (placement, {"valid_to": SINCE}, f"expected valid_to after valid_from, got {SINCE} and {SINCE}"),
        (
            placement,
            {"deficit_below": 0.3, "excess_above": 0.3},
            "expected deficit_below under excess_above, got 0.3 and 0.3",
        ),
        (soil, {"top_cm": 30}, "expected top_cm above bottom_cm, got 30 and 30"),
        (soil, {"sand_percent": 40}, "expected sand_percent and clay_percent both or neither, got one of them"),
        (
            soil,
            {"sand_percent": 60, "clay_percent": 50},
            "expected sand_percent and clay_percent together at most 100, got 110",
        ),
        (
            soil,
            {"texture": None, "wilting_point": 0.1},
            (
                "expected texture, or sand_percent and clay_percent, or all of wilting_point, field_capacity and "
                "saturation, got none of the three"
            ),
        ),
        (
            soil,
            {"wilting_point": 0.3, "field_capacity": 0.2},
            "expected wilting_point under field_capacity under saturation, got 0.3, 0.2",
        ),
        (soil, {"valid_to": SINCE}, f"expected valid_to after valid_from, got {SINCE} and {SINCE}"),
        (crop, {"valid_to": SINCE}, f"expected valid_to after valid_from, got {SINCE} and {SINCE}"),
        (crop, {"depletion_fraction": 1}, "depletion_fraction: expected less than 1, got 1"),
        (topp, {"domain": [81, 1]}, "expected domain [low, high] with low under high, got [81.0, 1.0]"),
        (topp, {"coefficients": [1]}, "expected no coefficients for kind topp1980 (they are published), got some"),
        (topp, {"step": "transducer"}, 'expected step "soil" for kind topp1980, got "transducer"'),
        (transducer, {"coefficients": []}, "expected coefficients for kind polynomial, got none"),
        (
            transducer,
            {"kind": "cubic"},
            (
                "kind: expected one of 'topp1980', 'ledieu1986', 'malicki1996', 'mixing', 'polynomial' or 'table', "
                "got 'cubic'"
            ),
        ),
    ],
)
def test_a_row_that_cannot_be_is_refused_in_one_sentence(make, changes, expected):
    assert refusal(make, **changes) == expected


def test_an_unknown_texture_is_told_with_the_twelve_known_ones():
    told = refusal(placement, texture="loamy loam")
    assert told.startswith("texture: expected one of the 12 USDA texture classes (sand, loamy sand, ")
    assert told.endswith(", got 'loamy loam'")


def test_a_probe_that_reports_permittivity_itself_needs_no_factory_record():
    assert probe(air_count=None, water_count=None, count_per_k=None).air_count is None


def test_cells_are_read_without_the_blanks_around_them():
    assert site("  North Field ").site == "North Field"


# --- content digests ----------------------------------------------------------------------------------------------


def test_equal_content_has_one_digest_however_it_was_written():
    one = topp(domain=[1, 81], valid_from="2026-03-01T00:00:00Z")
    two = topp(valid_from="2026-03-01T01:00:00+01:00", domain=[1.0, 81.0])
    assert content_digest(one) == content_digest(two)
    assert content_digest({"b": 1, "a": 2}) == content_digest({"a": 2, "b": 1})


def test_any_other_content_has_another_digest():
    made = [
        topp(),
        topp("other"),
        topp(domain=[1, 80]),
        topp(valid_from="2026-03-02T00:00:00Z"),
        topp(**{"for": "loam"}),
    ]
    assert len({content_digest(curve) for curve in made}) == len(made)


def test_a_digest_never_changes_since_stored_figures_cite_it():
    """The first 16 hex digits of SHA-256 over JSON with sorted keys and no blanks (RFC 8259, FIPS 180-4)."""
    assert canonical_json({"b": [1.5, None], "a": "\u00b0C"}) == '{"a":"\u00b0C","b":[1.5,null]}'
    assert content_digest({"b": [1.5, None], "a": "\u00b0C"}) == "5d3fda840ebf54ec"
    assert content_digest({}) == "44136fa355b3678a"


def test_a_field_that_came_later_is_no_part_of_a_row_that_leaves_it_empty():
    """Computed by the first schema's code, which knew no valid_from of a record or a layer."""
    assert content_digest(probe()) == "5d718884f88621e7"
    assert content_digest(LimitLayer(stuck_counts=2)) == "3604ceb8fcf1408e"
    assert content_digest(probe(valid_from=SINCE)) != content_digest(probe())
