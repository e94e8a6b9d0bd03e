"""Only the affected readings become stale: which they are, and by which of their inputs."""

import numpy as np
import pytest

from loamline.core.reference import microseconds
from loamline.core.staleness import CAUSES, changed_inputs, used
from loamline_schemas.limits import LimitsFile
from tests.core.registry_builder import at, crop, placement, probe, registry, soil, state, topp, transducer

MONTHS = [f"2026-{month:02d}-15T00:00:00Z" for month in range(3, 10)]
JUNE = "2026-06-01T00:00:00Z"
#: Three probes: two in loam, one in clay.
PROBES = (probe(1), probe(2), probe(3))
PLACES = (placement(1), placement(2, site="South Moor"), placement(3, texture="clay"))
BASE = {"probes": PROBES, "placements": PLACES, "curves": (transducer(), topp())}
#: Every probe in the middle of each month, March to September.
SAMPLES = [(number, month) for number in (1, 2, 3) for month in MONTHS]


def stale(before, after):
    """Return, by cause, the readings (probe, month) whose input the second state changes."""
    compiled = registry(state(**{**BASE, **before}), state(**{**BASE, **after}))
    samples = (
        np.array([number for number, _ in SAMPLES]),
        np.zeros(len(SAMPLES), dtype=np.int64),
        np.array([microseconds(at(instant)) for _, instant in SAMPLES]),
    )
    told = changed_inputs(*(compiled.states[n].resolve(*samples) for n in (1, 2)), compiled.catalogue)
    found = {
        cause: {(SAMPLES[i][0], int(SAMPLES[i][1][5:7])) for i in np.flatnonzero(rows)}
        for cause, rows in told.by_cause.items()
        if rows.any()
    }
    assert told.counts() == {cause: len(rows) for cause, rows in found.items()}
    everything = set().union(*found.values()) if found else set()
    assert int(told.stale.sum()) == len(everything)
    return found


def months(*numbers, since=3):
    return {(number, month) for number in numbers for month in range(since, 10)}


def test_the_same_registry_makes_nothing_stale():
    assert stale({}, {}) == {}


def test_a_new_curve_for_one_texture_concerns_the_placements_in_it_since_it_is_valid():
    curves = (*BASE["curves"], topp("of-loam", valid_from=JUNE, **{"for": "loam"}))
    assert stale({}, {"curves": curves}) == {"soil": months(1, 2, since=6)}


def test_a_revised_curve_concerns_those_that_used_it_and_nobody_else():
    def curves(top):
        return (transducer(), topp(), topp("of-clay", domain=[1, top], **{"for": "clay"}))

    assert stale({"curves": curves(40)}, {"curves": curves(60)}) == {"soil": months(3)}


def test_a_curve_whose_beginning_alone_was_moved_concerns_those_in_between():
    """It says the same as before to every reading that it served already."""

    def curves(since):
        return (transducer(), topp(valid_from=since))

    assert stale({"curves": curves(JUNE)}, {"curves": curves("2026-05-01T00:00:00Z")}) == {
        "soil": {(1, 5), (2, 5), (3, 5)}
    }


def test_a_moved_probe_concerns_its_readings_after_the_move():
    moved = (placement(1, valid_to=JUNE), placement(1, valid_from=JUNE, label="row 9"), *PLACES[1:])
    assert stale({}, {"placements": moved}) == {"placement": months(1, since=6)}


def test_a_probe_moved_into_another_soil_has_another_curve_and_other_limits_too():
    told = {
        "curves": (transducer(), topp(), topp("of-clay", **{"for": "clay"})),
        "limits": LimitsFile.model_validate({"texture": {"clay": {"stuck_counts": 2}}}),
    }
    moved = (placement(1, valid_to=JUNE), placement(1, valid_from=JUNE, texture="clay"), *PLACES[1:])
    concerned = months(1, since=6)
    assert stale(told, {**told, "placements": moved}) == dict.fromkeys(("placement", "soil", "limits"), concerned)


def test_a_record_made_again_concerns_its_probe_from_its_beginning():
    records = (*PROBES, probe(1, air_count=350, valid_from=JUNE))
    assert stale({}, {"probes": records}) == {"probe": months(1, since=6)}


def test_a_corrected_soil_concerns_its_site_and_depth_since_it_is_valid():
    told = (soil(valid_to=JUNE), soil(valid_from=JUNE, wilting_point=0.11), soil(top_cm=30, bottom_cm=60))
    assert stale({"soils": (soil(),)}, {"soils": told}) == {"soil_layer": months(1, 3, since=6)}


def test_another_crop_concerns_its_site_while_it_grows():
    grown = (crop(site="South Moor", valid_from=JUNE, valid_to="2026-08-01T00:00:00Z"),)
    assert stale({}, {"crops": grown}) == {"crop": {(2, 6), (2, 7)}}


@pytest.mark.parametrize(
    ("layers", "expected"),
    [
        ({"site": {"South Moor": {"stuck_counts": 2}}}, months(2)),
        ({"limits": [{"valid_from": JUNE, "stuck_counts": 2}]}, months(1, 2, 3, since=6)),
        ({"limits": {"stuck_counts": 1}}, set()),
    ],
    ids=["one site's", "everyone's from June on", "the shipped figure written out"],
)
def test_limits_concern_those_whose_thresholds_they_change(layers, expected):
    found = stale({}, {"limits": LimitsFile.model_validate(layers)})
    assert found == ({"limits": expected} if expected else {})


def test_a_probe_registered_late_concerns_its_own_readings():
    assert stale({"probes": PROBES[:2]}, {}) == {"probe": months(3), "transducer": months(3)}


def test_the_causes_are_all_that_a_sample_is_resolved_to():
    compiled = registry(state())
    assert set(CAUSES) == set(vars(compiled.states[1].resolve(*(np.array([], dtype=np.int64),) * 3)))


def test_a_transducer_curve_concerns_no_reading_without_a_moisture_count():
    compiled = registry(state(**BASE), state(**{**BASE, "curves": (transducer(coefficients=[1, 31, 48]), topp())}))
    samples = (np.array([1, 2, 3]), np.zeros(3, dtype=np.int64), np.full(3, microseconds(at(MONTHS[0]))))
    counts = np.array([1500.0, np.nan, 1600.0])
    told = changed_inputs(*(used(compiled.states[n].resolve(*samples), counts) for n in (1, 2)), compiled.catalogue)
    assert told.by_cause["transducer"].tolist() == told.stale.tolist() == [True, False, True]
