"""`loamline fleet`: what is told of each probe, over which window, and who comes first."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from loamline.core.problem_kinds import Kind
from loamline.edges.store.connection import Store
from loamline.edges.store.fleet import Period, ProbeHealth, attention
from loamline.edges.store.fleet import fleet as read_fleet
from loamline.edges.store.fleet_newest import last_heard, newest_readings
from loamline.edges.store.registry import probe_ids
from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception


@pytest.fixture
def fleet(loamline):
    """Return a function that gives `loamline fleet --json` by dev_eui, in order."""

    def told(store, as_of, *arguments):
        result = loamline("fleet", "--store", store, "--as-of", as_of.isoformat(), "--json", *arguments)
        assert result.exit_code == 0, result.output
        return {probe["dev_eui"]: probe for probe in json.loads(result.stdout)}

    return told


def test_a_healthy_probe_is_told_with_its_newest_state(stores, fleet):
    end = stores.START + timedelta(hours=24)
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850 - hour) for hour in range(24)])
    told = fleet(path, end)[stores.BARLEY]
    assert (told["serial"], told["site"], told["labels"]) == ("S-0001", "North field", ["barley 1"])
    assert told["last_heard_at"] == "2026-05-01T23:00:00Z"
    assert (told["supply_v"], told["firmware"], told["codec"]) == (3.6, "2.5", "measurement-v1")
    assert (told["heard"], told["lost"], told["share_lost"]) == (24, 0, 0.0)
    assert told["verdicts"] == {"pass": 24, "not_evaluated": 0, "suspect": 0, "fail": 0, "missing": 0}
    assert (told["registered"], told["set_aside"], told["attention"]) == (True, 0, [])


def test_margin_is_the_median_of_the_best_snr_over_the_demodulation_floor(stores, fleet):
    """SX1276 data sheet: SF7 needs -7.5 dB (end point), SF9 -12.5 dB; the better of two gateways counts."""

    def heard(hour, factor, *snr):
        receptions = tuple(Reception(gateway=f"gw-{n}", rssi_dbm=-100, snr_db=db) for n, db in enumerate(snr))
        return stores.v1(stores.BARLEY, hour, 1850, spreading_factor=factor, receptions=receptions)

    path = stores.make([heard(0, 7, -9.0, -4.5), heard(1, 9, -11.5), heard(2, 7, 2.5), heard(3, 7)])
    assert fleet(path, stores.START + timedelta(hours=4))[stores.BARLEY]["margin_db"] == 3.0


def test_losses_are_gaps_of_the_frame_counter_and_not_rollovers_redeliveries_or_new_sessions(stores, fleet):
    """LoRaWAN 1.0.3 section 4.3.1.5: 65535 is followed by 0; a new DevAddr is a new session."""

    def heard(hour, fcnt, **more):
        return stores.v1(stores.BARLEY, hour, 1850, fcnt=fcnt, **more)

    path = stores.make(
        [heard(0, 65533), heard(1, 65535), heard(2, 0), heard(2, 0, network="again"), heard(3, 2)],
        [heard(4, 900, dev_addr="0A0B0C0D"), heard(5, 901, dev_addr="0A0B0C0D")],
    )
    told = fleet(path, stores.START + timedelta(hours=6))[stores.BARLEY]
    assert (told["heard"], told["lost"], told["share_lost"]) == (6, 2, 0.25)
    assert "losing uplinks" in told["attention"]


def test_counts_are_of_the_window_and_the_newest_state_is_not(stores, fleet):
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850 - hour) for hour in range(24)])
    told = fleet(path, stores.START + timedelta(hours=35), "--days", "0.5")[stores.BARLEY]
    assert told["heard"] == 0
    assert sum(told["verdicts"].values()) == 0
    assert (told["share_lost"], told["margin_db"]) == (None, None)
    assert (told["last_heard_at"], told["supply_v"]) == ("2026-05-01T23:00:00Z", 3.6)


def test_as_of_an_instant_nothing_later_is_known(stores, fleet, season_store):
    path = season_store
    told = fleet(path, stores.START + timedelta(hours=10))
    assert told[stores.PROFILE]["last_heard_at"] == "2026-05-01T10:00:00Z"
    assert told[stores.PROFILE]["heard"] == 11
    assert told[stores.PROFILE]["verdicts"]["fail"] == 0


def test_the_longest_silent_come_first_then_those_with_most_words_then_by_dev_eui(stores, fleet):
    """Never heard, silent, then an unregistered stranger, then the healthy one."""
    stranger = "02BB0000000000FF"
    path = stores.make(
        [stores.v1(stores.PEARS, hour, 1500 + hour % 3) for hour in range(12)],
        [stores.v1(stores.BARLEY, hour, 1850 - hour) for hour in range(24)],
        [stores.v1(stranger, hour, 1700 - hour) for hour in range(24)],
    )
    told = fleet(path, stores.START + timedelta(hours=24))
    assert list(told) == [stores.PROFILE, stores.PEARS, stranger, stores.BARLEY]
    assert told[stores.PROFILE]["attention"] == ["never heard"]
    assert told[stores.PEARS]["attention"] == ["silent"]
    assert told[stranger]["attention"] == ["not registered"]
    assert (told[stranger]["registered"], told[stranger]["serial"], told[stranger]["site"]) == (False, None, None)


def test_a_probe_that_reports_rarely_is_not_silent_too_soon(stores, fleet):
    """Silence is measured by the probe's own usual spacing (common practice: two and a half of them)."""
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850 - hour, fcnt=hour // 4) for hour in range(0, 24, 4)])
    assert fleet(path, stores.START + timedelta(hours=29))[stores.BARLEY]["attention"] == []
    assert fleet(path, stores.START + timedelta(hours=31))[stores.BARLEY]["attention"] == ["silent"]


def test_set_aside_uplinks_conflicts_and_a_sagging_supply_are_counted_and_named(stores, fleet):
    """A refused uplink that two gateways heard is one; two samples of one instant that disagree are a conflict."""
    at = stores.START + timedelta(hours=2)
    other = (Reception(gateway="gw-b"),)
    low = builtin_codecs().by_name("measurement-v4").build(
        {"supply_v": 2.4, "firmware": "5.2", "supply_low": 1}, [{"permittivity": 20, "soil_temperature_degc": 12}]
    )  # fmt: skip
    path = stores.make(
        [
            stores.v1(stores.BARLEY, 0, 1850),
            stores.uplink(stores.BARLEY, "7f00", at, 2),
            stores.uplink(stores.BARLEY, "7f00", at + timedelta(seconds=2), 2, receptions=other),
            stores.v1(stores.PEARS, 1, 1500, fcnt=1),
            stores.v1(stores.PEARS, 1, 1800, fcnt=2),
            stores.uplink(stores.PROFILE, low, at, 1),
        ]
    )
    told = fleet(path, at + timedelta(minutes=5))
    assert (told[stores.BARLEY]["set_aside"], told[stores.BARLEY]["heard"]) == (1, 2)
    assert told[stores.BARLEY]["attention"] == ["set aside"]
    assert (told[stores.PEARS]["conflicts"], told[stores.PEARS]["attention"]) == (1, ["conflicts"])
    assert (told[stores.PROFILE]["supply_v"], told[stores.PROFILE]["supply_low"]) == (2.4, True)
    # 2.4 V is under supply_fail_v, too, so that its only reading fails.
    assert told[stores.PROFILE]["attention"] == ["low supply", "failing"]


def test_a_site_is_the_placement_in_force_and_an_unknown_one_is_told_with_near_names(
    stores, fleet, loamline, season_store
):
    path = season_store
    end = stores.START + timedelta(hours=120)
    assert set(fleet(path, end, "--site", "pear orchard")) == {stores.PEARS, stores.PROFILE}
    before = stores.START.replace(year=2019)
    assert fleet(path, before)[stores.BARLEY]["site"] is None
    result = loamline("fleet", "--store", path, "--site", "Pear")
    assert result.exit_code == 1
    assert result.stderr == "expected a site in the store, got 'Pear'; near it: Pear orchard\n"


def test_verdicts_add_up_to_the_readings_whatever_the_block(stores, season_store):
    """Probes go through in blocks; blocks of one give the same as one block of all."""
    path, end = season_store, stores.START + timedelta(hours=120)
    with Store.open(path, writable=False) as store:
        whole = read_fleet(store, Period.of(end, end, 7))
        assert read_fleet(store, Period.of(end, end, 7), block=1) == whole
    assert sum(sum(probe.verdicts.values()) for probe in whole) == 113 + 120 + 240 + 15


@pytest.mark.parametrize("hours", [0, 1, 60, 119, 500])
def test_the_newest_is_the_same_wherever_it_is_looked_for_first(stores, hours):
    """Probes that fell silent at different times, before and within the window that is looked at first."""
    end = stores.START + timedelta(hours=120)
    rows = [stores.v1(stores.BARLEY, hour, 1800 - hour) for hour in range(0, 120, 7)]
    rows += [stores.v1(stores.PEARS, hour, 1500 + hour) for hour in range(50)]
    with Store.open(stores.make([*rows, stores.v1("02BB0000000000AA", 3, 1400)])) as store:
        numbers = sorted(probe_ids(store).values())
        since = end - timedelta(hours=hours)

        def told(look, *since):
            rows = look(store, numbers, since, end).to_pylist()
            return sorted(rows, key=lambda row: row["probe_id"])

        for look in (last_heard, newest_readings):
            whole = told(look, stores.START - timedelta(days=1))
            assert told(look, since) == told(look, since, since - timedelta(hours=20)) == told(look) == whole
        heard = {row["probe_id"]: row["last_heard_at"] for row in told(last_heard, since)}
        asked = "SELECT probe_id, max(heard_at) FROM uplink GROUP BY probe_id"
        assert heard == dict(store.con.execute(asked).fetchall())
        assert len(told(newest_readings, since)) == 3


def test_the_table_says_the_same_in_words(loamline, season_store):
    path = season_store
    result = loamline("fleet", "--store", path, "--as-of", "2026-05-06T01:00:00Z")
    assert result.exit_code == 0
    for told in ("S-0001", "02BB000000000001", "2026-05-05T23:00:00Z", "2 h ago", "3.60 V", "10.2 dB",
                 "5.8 % lost", "2.5 measurement-v1", "112 pass, 1 suspect", "not registered",
                 "4 probes, 2 need attention; as of 2026-05-06T01:00:00Z"):  # fmt: skip
        assert told in result.stdout, told


def test_an_empty_store_is_an_empty_fleet(stores, loamline):
    registry = type(stores.registry())()
    path = stores.make(registry=registry)
    assert json.loads(loamline("fleet", "--store", path, "--json").stdout) == []
    assert "0 probes" in loamline("fleet", "--store", path).stdout


def test_of_a_record_that_was_made_again_the_latest_that_has_begun_is_told_once(stores, fleet):
    """A probe keeps one row, with the serial in force; a record yet to begin changes nothing."""
    base = stores.registry()
    turn = stores.START + timedelta(days=1)
    remade = base.probes[0].model_copy(update={"serial": "S-0001-B", "valid_from": turn})
    probes = (*base.probes, remade)
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850)], registry=replace(base, probes=probes))
    earlier, later = (fleet(path, turn + timedelta(hours=hours)) for hours in (-1, 1))
    assert (earlier[stores.BARLEY]["serial"], later[stores.BARLEY]["serial"]) == ("S-0001", "S-0001-B")
    with Store.open(path, writable=False) as store:
        told = read_fleet(store, Period.of(turn, turn, 7))
    assert len(told) == len(base.probes)


def test_a_probe_whose_only_record_is_yet_to_begin_is_registered_all_the_same(stores, fleet):
    base = stores.registry()
    told = base.probes[0].model_copy(update={"valid_from": stores.START + timedelta(days=9)})
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850)], registry=replace(base, probes=(told, *base.probes[1:])))
    probe = fleet(path, stores.START + timedelta(hours=1))[stores.BARLEY]
    assert (probe["registered"], probe["serial"]) == (True, "S-0001")


def test_what_needs_attention_is_told_in_the_words_of_problems_the_gravest_first(stores):
    """One vocabulary: a word here is a kind of `loamline fleet --problems`, which knows what to do about it."""
    wrong = {"supply_low": True, "tilted": True, "set_aside": 1, "share_lost": 0.5, "margin_db": 0.0, "conflicts": 2}
    probe = ProbeHealth(stores.BARLEY, registered=True, last_heard_at=stores.START, **wrong)
    probe.verdicts["fail"] = 1
    told = [Kind(word) for word in attention(probe, stores.START + timedelta(days=1))]
    assert len(told) == 9
    assert told == sorted(told, key=lambda kind: kind.gravity)
    nobody = attention(ProbeHealth(stores.BARLEY, registered=False), stores.START)
    assert nobody == [Kind.NEVER_HEARD, Kind.NOT_REGISTERED]
