"""`loamline supply`: an estimated date with an interval, or in words why there is not enough data."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from loamline_codecs import builtin_codecs


@pytest.fixture
def supply(loamline):
    """Return a function that gives the probes of `loamline supply --json` by serial, in order."""

    def told(store, *arguments):
        done = loamline("supply", "--store", store, *arguments, "--json")
        assert done.exit_code == 0, done.output
        return {probe["serial"]: probe for probe in json.loads(done.stdout)["probes"]}

    return told


@pytest.fixture
def path(stores):
    """Return a store of 30 days, 12-hourly: barley steady at 3.6 V, pears falling from 3.2 V by 0.01 V a day."""

    def falling(at):
        return (
            builtin_codecs()
            .by_name("measurement-v1")
            .build(
                {"supply_v": 3.2 - 0.01 * (at // 2), "firmware": "2.5", "sample_counter": at},
                [{"moisture_count": 1500, "soil_temperature_degc": 20.0}],
            )
        )

    halves = range(60)
    barley = [stores.v1(stores.BARLEY, 12 * at, 1850, degc=20.0, fcnt=at) for at in halves]
    pears = [stores.uplink(stores.PEARS, falling(at), stores.START + timedelta(hours=12 * at), at) for at in halves]
    return stores.make(barley, pears)


def test_on_the_plateau_the_date_is_of_the_charge(path, supply):
    told = supply(path, "--capacity-mah", 2600)
    probe = told["S-0001"]
    assert (probe["basis"], probe["reason"], probe["supply_v"]) == ("charge", None, 3.6)
    assert probe["ends_earliest"] < probe["ends_at"] < probe["ends_latest"]
    assert (probe["mean_airtime_ms"], probe["uplink_interval_s"]) == (pytest.approx(205.824), 43_200)
    # 5 uA asleep and, every 12 h, 40 mA for 0.205824 s, 10 mA for 0.5 s and 11 mA for 0.1 s.
    assert probe["mean_current_ua"] == pytest.approx(5 + 1000 * (40 * 0.205824 + 5 + 1.1) / 43_200)
    assert probe["in_use_since_source"] == "the first uplink in the raw log"


def test_past_the_knee_the_date_is_of_the_voltage_and_comes_first(path, supply):
    """2.91 V falls by 0.01 V a day: 41 days to 2.5 V from the last day."""
    told = supply(path, "--capacity-mah", 2600)
    assert next(iter(told)) == "S-0002"
    probe = told["S-0002"]
    assert probe["basis"] == "voltage"
    assert probe["trend"]["v_per_30_days"] == pytest.approx(-0.3, abs=0.01)
    assert "2026-07-07" <= probe["ends_at"] <= "2026-07-14"
    assert supply(path, "--capacity-mah", 2600, "--cut-off-v", 2.9)["S-0002"]["ends_at"] <= "2026-06-01"


def test_more_use_brings_the_end_nearer_and_more_doubt_makes_the_interval_wider(path, supply):
    def of(*more):
        return supply(path, "--probe", "S-0001", "--capacity-mah", 2600, *more)["S-0001"]

    plain = of()
    assert of("--sleep-ua", 50)["ends_at"] < plain["ends_at"]
    assert of("--transmit-ma", 400)["ends_at"] < plain["ends_at"]
    sure = of("--load-doubt", 0, "--usable-doubt", 0)
    assert sure["ends_earliest"] == sure["ends_at"] == sure["ends_latest"] == plain["ends_at"]


def test_without_a_capacity_or_uplinks_there_is_not_enough_data_and_it_says_of_what(path, supply):
    told = supply(path)
    assert told["S-0001"]["ends_at"] is None
    assert told["S-0001"]["reason"] == (
        "not enough data: no capacity told (--capacity-mah); "
        "3.60 V at 20 degC is on the plateau (over 3.3 V), which tells no date"
    )
    assert told["S-0004"]["reason"] == (
        "not enough data: too few uplinks with spreading factor and bandwidth; no supply told"
    )
    assert told["S-0004"]["trend"] == "not enough data"


def test_people_are_told_the_same_and_of_the_makers_sheet(path, loamline):
    shown = " ".join(loamline("supply", "--store", path).stdout.split())
    for words in ("S-0002", "2.91 V", "not enough data", "Without --capacity-mah", "safety sheet", "predicts it poorly",
                  "3 probes; as of 2026-05-30T12:00:00Z"):  # fmt: skip
        assert words in shown, words
    help_text = " ".join(loamline("supply", "--help").stdout.split())
    assert "safety sheet and data sheet come first" in help_text
    assert "Example: loamline supply --store soil.duckdb" in help_text


def test_one_site_or_one_probe_can_be_asked_for_and_unknown_ones_are_told_with_near_names(path, supply, loamline):
    assert list(supply(path, "--site", "north field")) == ["S-0001"]
    done = loamline("supply", "--store", path, "--probe", "S-0003")
    assert done.exit_code == 1
    assert done.stderr.startswith("expected the dev_eui or serial of a probe in the store, got 'S-0003'; near it: ")


def test_an_empty_store_and_a_span_of_no_time_are_told_in_one_sentence(path, stores, loamline):
    assert loamline("supply", "--store", stores.make()).stderr.startswith("expected uplinks in ")
    done = loamline("supply", "--store", path, "--since", "2026-06-01", "--until", "2026-06-01")
    assert done.exit_code == 2
    assert done.stderr.startswith("expected --since before 2026-06-01T00:00:00Z")
