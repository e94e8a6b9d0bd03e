"""Where a probe stands: the same for every report, and as readings are derived, also of placements without an end."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.timeline import Timeline, microseconds, span_us
from loamline.edges.store.api_fleet import health_rows
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import Period, fleet
from loamline.edges.store.page_places import bounds_of
from loamline.edges.store.problem_facts import known_probes, last_heard_us, probe_numbers
from loamline.edges.store.problem_report import problem_report, problems_at
from loamline.edges.store.radio import named_probes
from loamline.edges.store.registry import save_state
from loamline_schemas.registry import PlacementRow
from tests.conftest import Stores

HOUR = timedelta(hours=1)
START = Stores.START


def row(depth, site, label, begun, ended=None, dev_eui=Stores.PEARS):
    """Return a placement from hour to hour after START."""
    return PlacementRow(
        dev_eui=dev_eui,
        depth_index=depth,
        site=site,
        label=label,
        depth_cm=20 + depth,
        texture="loam",
        valid_from=START + begun * HOUR,
        valid_to=None if ended is None else START + ended * HOUR,
    )


def placed(stores, *rows):
    """Return a registry with these placements alone."""
    return replace(stores.registry(), placements=rows)


@pytest.fixture
def moved(stores):
    """Return a store of a probe that moved after a day; the row of before was left without an end."""
    uplinks = [stores.v1(stores.PEARS, hour, 1500 + hour % 3) for hour in range(30)]
    # Somebody else is heard later: silence is told against that.
    uplinks.append(stores.v1(stores.BARLEY, 400, 1800))
    before, after = row(0, "Pear orchard", "row 7", -100), row(0, "North field", "barley 2", 24)
    return stores.make(uplinks, registry=placed(stores, before, after))


def everywhere(store, dev_eui, at):
    """Return site and labels of a probe by everybody who tells them."""
    (probe,) = fleet(store, Period.of(at, at, 7), dev_euis=[dev_eui])
    (name,) = [name for name in named_probes(store, at).values() if name.dev_eui == dev_eui]
    known = known_probes(store, probe_numbers(store), last_heard_us(store), at)
    (fact,) = [one for one in known if one.facts.dev_eui == dev_eui]
    (health,) = [told for told in health_rows(store, None, Period.of(at, at, 7), None) if told["dev_eui"] == dev_eui]
    text = ", ".join(probe.labels) or None
    assert (name.site, name.label) == (fact.site, fact.label) == (probe.site, text)
    assert (health["site"], health["labels"]) == (probe.site, probe.labels)
    return probe.site, probe.labels, fact.facts.placed_since_us


def test_a_later_placement_of_a_depth_ends_one_without_an_end(moved, stores):
    with Store.open(moved, writable=False) as store:
        before, after = START + 23 * HOUR, START + 30 * HOUR
        assert everywhere(store, stores.PEARS, before)[:2] == ("Pear orchard", ["row 7"])
        assert everywhere(store, stores.PEARS, after) == (
            "North field",
            ["barley 2"],
            microseconds(START + 24 * HOUR),
        )
        assert [probe.dev_eui for probe in fleet(store, Period.of(after, after, 7), "North field")] == [stores.PEARS]
        assert not fleet(store, Period.of(after, after, 7), "Pear orchard")


def test_a_problem_is_told_where_the_probe_stands_now(moved, stores):
    with Store.open(moved, writable=False) as store:
        found = problems_at(store, START + 400 * HOUR)
        (told,) = [one for one in problem_report(store, found)["problems"] if one["subject"] == f"probe/{stores.PEARS}"]
    assert (told["site"], told["label"], told["serial"]) == ("North field", "barley 2", "S-0002")


def test_an_earlier_placement_does_not_hold_again_after_a_later_one_has_ended(stores):
    """The probe lies in the shed: nobody takes it to be in the orchard still, or to be silent."""
    rows = row(0, "Pear orchard", "row 7", -100), row(0, "North field", "barley 2", 24, 30)
    uplinks = [stores.v1(stores.PEARS, hour, 1500) for hour in range(30)] + [stores.v1(stores.BARLEY, 40, 1800)]
    path = stores.make(uplinks, registry=placed(stores, *rows))
    at = START + 40 * HOUR
    with Store.open(path, writable=False) as store:
        assert everywhere(store, stores.PEARS, at) == (None, [], None)
        assert bounds_of(store, stores.PEARS, at) == {}
        assert set(bounds_of(store, stores.PEARS, START + 29 * HOUR)) == {0}
        assert not [one for one in problems_at(store, at) if stores.PEARS in one.subject]


def test_each_depth_stands_where_its_own_newest_placement_has_it(stores):
    """One of two depths was set anew: the other stays."""
    rows = [row(depth, "Pear orchard", "row 9", -100, dev_eui=stores.PROFILE) for depth in range(2)]
    rows += [row(1, "Pear orchard", f"row {10 + day}", 24 * (1 + day), dev_eui=stores.PROFILE) for day in range(2)]
    path = stores.make([stores.v4(stores.PROFILE, 0, [12.0, 20.0])], registry=placed(stores, *rows))
    with Store.open(path, writable=False) as store:
        assert everywhere(store, stores.PROFILE, START)[:2] == ("Pear orchard", ["row 9"])
        assert everywhere(store, stores.PROFILE, START + 25 * HOUR)[:2] == ("Pear orchard", ["row 10", "row 9"])
        assert everywhere(store, stores.PROFILE, START + 49 * HOUR)[:2] == ("Pear orchard", ["row 11", "row 9"])


SPANS = st.lists(
    st.tuples(st.integers(0, 1), st.integers(-5, 5), st.none() | st.integers(1, 6)),
    max_size=6,
    unique_by=lambda told: told[:2],
)


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("standing") / "soil.duckdb", create=True) as store:
        yield store


@given(SPANS, st.integers(-6, 12))
@settings(max_examples=40, deadline=None)
def test_every_report_agrees_with_what_readings_are_derived_by(empty, spans, hour):
    """`Timeline` decides which placement a reading has; here it decides for every depth what should be told."""
    stores = Stores(empty.path.parent)
    rows = [
        row(depth, "Pear orchard", f"row {number}", begun, None if hours is None else begun + hours)
        for number, (depth, begun, hours) in enumerate(spans)
    ]
    save_state(empty, placed(stores, *rows), "test")
    at = START + hour * HOUR
    line = Timeline((one.depth_index, *span_us(one.valid_from, one.valid_to), n) for n, one in enumerate(rows))
    held = line.at(np.array([0, 1]), np.full(2, microseconds(at))).tolist()
    numbers = [number for number in held if number >= 0]
    _, labels, since_us = everywhere(empty, stores.PEARS, at)
    assert labels == sorted(rows[number].label for number in numbers)
    assert since_us == min((microseconds(rows[number].valid_from) for number in numbers), default=None)
