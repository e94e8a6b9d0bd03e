"""How far a window has to reach: every threshold that is a span is named, and every state's limits count."""

import pytest

from loamline.core.columns import HOUR_US, MINUTE_US
from loamline.core.reference import RegistryState
from loamline.edges.store.connection import Store
from loamline.edges.store.reach import LOOKS_AHEAD, LOOKS_BACK, Reach, reach_of
from loamline.edges.store.registry import save_state
from loamline_codecs import builtin_codecs
from loamline_schemas.limits import LimitLayer, Limits, LimitsFile


def test_every_threshold_in_hours_is_told_as_looking_back_or_ahead():
    """A new check's window is a threshold in hours: name it, or late samples would leave its old verdicts standing."""
    assert {name for name in Limits.model_fields if name.endswith("_hours")} == {*LOOKS_BACK, *LOOKS_AHEAD}


def test_the_shipped_limits_look_three_days_back_and_one_ahead():
    reach = Reach.of([Limits()], 7 * 255, 255)
    gap = 150 * MINUTE_US
    assert (reach.back, reach.ahead, reach.age) == (72 * HOUR_US + gap, 24 * HOUR_US + gap, 7 * 255 * MINUTE_US)
    assert reach.loose == 10 * MINUTE_US + 255 * MINUTE_US / 4


def widened(name: str) -> Limits:
    """Return the shipped limits with one threshold far beyond its usual value, and no other."""
    return Limits.model_construct(**{**dict(Limits()), name: 90_000.0})


@pytest.mark.parametrize("name", [*LOOKS_BACK, "largest_gap_minutes"])
def test_a_wider_threshold_looks_further_back(name):
    assert Reach.of([widened(name), Limits()], 0, 0).back > Reach.of([Limits()], 0, 0).back


@pytest.mark.parametrize("name", [*LOOKS_AHEAD, "largest_gap_minutes"])
def test_a_wider_threshold_looks_further_ahead(name):
    assert Reach.of([widened(name), Limits()], 0, 0).ahead > Reach.of([Limits()], 0, 0).ahead


def states(*files):
    """Return registry states with these limits."""
    return [RegistryState(limits=file) for file in files]


@pytest.mark.parametrize("layer", ["limits", "texture", "site", "probe"])
def test_the_widest_layer_of_any_state_counts_even_after_it_was_replaced(tmp_path, layer):
    wide = (LimitLayer(stuck_fail_hours=500.0),)
    names = {"texture": "loam", "site": "s", "probe": "02AA000000000001"}
    file = LimitsFile(**{layer: wide if layer == "limits" else {names[layer]: wide}})
    with Store.open(tmp_path / "s.duckdb", create=True) as store:
        codecs = builtin_codecs()
        usual = reach_of(store, codecs)
        assert usual == Reach.of([Limits()], codecs.longest_age_minutes, codecs.longest_interval_minutes)
        for state in states(file, LimitsFile()):
            save_state(store, state, "test")
            assert reach_of(store, codecs).back == 500 * HOUR_US + 150 * MINUTE_US


def test_narrower_limits_never_make_a_window_narrower_than_the_shipped_ones(tmp_path):
    narrow = LimitsFile(limits=(LimitLayer(stuck_suspect_hours=1.0, stuck_fail_hours=2.0, largest_gap_minutes=61.0),))
    with Store.open(tmp_path / "s.duckdb", create=True) as store:
        usual = reach_of(store, builtin_codecs())
        save_state(store, *states(narrow), "test")
        assert reach_of(store, builtin_codecs()) == usual
