"""Limits: one complete set, layers over it, and what contradicts itself."""

import pytest
from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.limits import LimitLayer, Limits, LimitsFile

#: What the contract of limits.toml names; the file may hold more.
CONTRACT = {
    "vwc_fail",
    "vwc_suspect",
    "temperature_fail",
    "spike_suspect",
    "spike_fail",
    "largest_gap_minutes",
    "stuck_suspect_hours",
    "stuck_fail_hours",
    "stuck_counts",
    "frost_at_degc",
    "frost_tolerance_k",
}


def test_a_layer_can_override_every_threshold_and_say_since_when_and_nothing_else():
    assert list(LimitLayer.model_fields) == [*Limits.model_fields, "valid_from"]
    assert set(Limits.model_fields) >= CONTRACT


def test_a_layer_overrides_nothing_unless_told():
    assert LimitLayer().model_dump(exclude_none=True) == {}


def test_a_layer_takes_whatever_a_complete_set_takes():
    defaults = Limits().model_dump()
    assert LimitLayer.model_validate(defaults).model_dump() == defaults
    assert Limits.model_validate(defaults) == Limits()


@pytest.mark.parametrize("name", list(Limits.model_fields))
def test_a_layer_refuses_whatever_a_complete_set_refuses(name):
    """Infinity is no threshold, for any of them."""
    wrong = float("inf") if not isinstance(getattr(Limits(), name), tuple) else [0.0, float("inf")]
    for model in (Limits, LimitLayer):
        with pytest.raises(ValidationError, match="finite number"):
            model.model_validate({name: wrong})


def test_the_shipped_defaults_lie_inside_each_other():
    limits = Limits()
    assert limits.vwc_fail[0] < limits.vwc_suspect[0] < limits.vwc_suspect[1] < limits.vwc_fail[1]
    assert limits.spike_suspect < limits.spike_fail
    assert limits.stuck_suspect_hours < limits.stuck_fail_hours
    assert limits.largest_gap_minutes >= 2 * limits.interval_minutes


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"vwc_fail": [0.7, -0.03]}, "expected vwc_fail = [low, high] with low under high, got [0.7, -0.03]"),
        ({"vwc_suspect": [0.2, 0.2]}, "expected vwc_suspect = [low, high] with low under high, got [0.2, 0.2]"),
        ({"spike_suspect": 0.2}, "expected spike_suspect at most spike_fail, got 0.2 and 0.15"),
        ({"stuck_fail_hours": 12}, "expected stuck_suspect_hours at most stuck_fail_hours, got 24 and 12"),
        ({"spike_fail": 0}, "spike_fail: expected greater than 0, got 0"),
        ({"stuck_counts": -1}, "stuck_counts: expected greater than or equal to 0, got -1"),
        ({"vwc_fail": [0.7]}, "vwc_fail.1: expected a value, got nothing"),
        ({"vwc_max": 0.7}, "vwc_max: expected no such field, got 0.7"),
    ],
)
def test_a_set_that_contradicts_itself_is_refused_in_one_sentence(told, expected):
    with pytest.raises(ValidationError) as problem:
        Limits.model_validate(told)
    assert sentence(problem.value) == expected


def test_the_file_has_four_layers_and_no_fifth():
    assert list(LimitsFile.model_fields) == ["limits", "texture", "site", "probe"]
    with pytest.raises(ValidationError) as problem:
        LimitsFile.model_validate({"customer": {"a grower": {"spike_fail": 0.2}}, "site": {"here": {"spike": 1}}})
    assert sentence(problem.value) == (
        "site.here.spike: expected no such field, got 1; "
        "customer: expected no such field, got {'a grower': {'spike_fail': 0.2}}"
    )


# --- one layer over time ------------------------------------------------------------------------------------------

MAY, JUNE = "2026-05-01T00:00:00Z", "2026-06-01T00:00:00Z"


def test_a_layer_is_one_table_or_several_with_their_own_beginnings_which_are_put_in_order():
    one = LimitsFile.model_validate({"limits": {"spike_fail": 0.2}})
    assert one.limits == (LimitLayer(spike_fail=0.2),)
    tables = [{"valid_from": JUNE, "spike_fail": 0.3}, {"spike_fail": 0.2}]
    several = LimitsFile.model_validate({"site": {"here": tables}})
    assert [layer.spike_fail for layer in several.site["here"]] == [0.2, 0.3]


def test_a_dated_layer_sets_its_thresholds_and_its_date_is_none_of_them():
    assert LimitLayer(spike_fail=0.2, valid_from=MAY).thresholds() == {"spike_fail": 0.2}


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ([{"spike_fail": 0.2}, {"spike_fail": 0.3}], "texture.loam: expected one table since ever, got two"),
        (
            [{"valid_from": MAY}, {"valid_from": "2026-05-01T02:00:00+02:00"}],
            "texture.loam: expected one table from 2026-05-01T00:00:00+00:00 on, got two",
        ),
        ([{}, {"valid_from": MAY, "spike_fail": 0}], "texture.loam.1.spike_fail: expected greater than 0, got 0"),
        ([1], "texture.loam.0: expected an object, got 1"),
        (3, "texture.loam: expected a list, got 3"),
        (
            [{"valid_from": 20260501}],
            "texture.loam.0.valid_from: expected an RFC 3339 date-time such as 2026-05-01T10:00:00Z, got 20260501",
        ),
    ],
)
def test_layers_that_no_instant_could_choose_between_or_of_another_shape_are_refused_in_one_sentence(told, expected):
    with pytest.raises(ValidationError) as problem:
        LimitsFile.model_validate({"texture": {"loam": told}})
    assert sentence(problem.value) == expected
