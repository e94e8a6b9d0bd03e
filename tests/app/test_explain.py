"""`loamline explain`: one figure's derivation, checked by hand, and compared with what is stored (promise 5)."""

from __future__ import annotations

import json
from datetime import timedelta

import duckdb
import pytest

from loamline.core.explanation import explain as explain_readings
from loamline.core.reference import microseconds
from loamline.edges.store.connection import Store
from loamline.edges.store.evidence import raw_log_of, registry_states, stored_readings
from loamline.edges.store.registry import probe_ids, registry, save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.uplink import Reception


@pytest.fixture
def explain(loamline):
    """Return a function that gives `loamline explain --json`."""

    def told(store, probe, time, *arguments):
        result = loamline("explain", probe, time.isoformat(), "--store", store, "--json", *arguments)
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    return told


def check(reading, name):
    """Return one check of a reading."""
    return next(check for check in reading["checks"] if check["check"] == name)


def test_a_version_1_uplink_worked_by_hand(stores, explain, loamline):
    """Count 1850 at 15.00 degC; record: air 500, water 3500, -0.8 counts/K; polynomial 1 + 30 x + 49 x^2.

    x = (1850 - (-0.8)(15 - 20) - 500) / (3500 - 500) = 1346/3000. Water content by Topp, Davis & Annan 1980, Water
    Resour. Res. 16(3):574-582: theta = -5.3e-2 + 2.92e-2 K - 5.5e-4 K^2 + 4.3e-6 K^3. Signal power from the identity
    that RSSI is signal plus noise: -100 dBm at 5 dB give -101.193310 dBm. SF9 needs -12.5 dB (SX1276 data sheet).
    """
    heard = (Reception(gateway="gw-a", rssi_dbm=-100, snr_db=5),)
    uplink = stores.uplink(stores.BARLEY, "01073A05DCA025002A", stores.START, 42, receptions=heard)
    path = stores.make([uplink])
    told = explain(path, stores.BARLEY, stores.START + timedelta(minutes=20))
    assert (told["asked_for"], told["measured_at"]) == ("2026-05-01T00:20:00Z", "2026-05-01T00:00:00Z")
    (reading,) = told["readings"]

    x = 1346 / 3000
    permittivity = 1 + 30 * x + 49 * x * x
    theta = -5.3e-2 + 2.92e-2 * permittivity - 5.5e-4 * permittivity**2 + 4.3e-6 * permittivity**3
    count = reading["transducer"]["relative_count"]
    assert count["formula"].endswith("= (1850 - (-0.8) * (15 - 20) - 500) / (3500 - 500)")
    assert count["result"] == pytest.approx(x, rel=1e-15)
    assert reading["transducer"]["formula"] == "permittivity = 1 + 30 x + 49 x^2"
    assert reading["transducer"]["result"] == reading["permittivity"] == pytest.approx(permittivity, rel=1e-15)
    assert reading["soil"]["formula"] == (
        "vwc_m3_m3 = -0.053 + 0.0292 permittivity - 0.00055 permittivity^2 + 4.3e-06 permittivity^3"
    )
    assert reading["soil"]["source"] == "Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582"
    assert reading["soil"]["result"] == reading["vwc_m3_m3"] == pytest.approx(theta, rel=1e-14)
    assert (reading["soil"]["input"], reading["soil"]["domain"]) == (reading["permittivity"], [1.8, 81.0])

    (reception,) = reading["uplink"]["deliveries"][0]["receptions"]
    assert reception["expected_signal_power_dbm"] == pytest.approx(-101.193310, abs=1e-6)
    assert reception["margin_db"] == 17.5
    fields = {leaf["path"]: leaf for leaf in reading["payload"]["fields"]}
    assert (fields["moisture_count"]["first_bit"], fields["moisture_count"]["raw"]) == (8, 1850)
    assert (fields["soil_temperature"]["raw"], fields["soil_temperature"]["physical"]) == (1500, 15.0)
    assert reading["record"]["serial"] == "S-0001"
    assert (reading["placement"]["label"], reading["placement"]["depth_cm"]) == ("barley 1", 10.0)
    assert reading["registry_state"]["note"] == "test"
    assert check(reading, "spike")["reason"] == "it is the first sample"
    assert reading["roll_up"]["sentence"] == (
        "the worst in the order fail, suspect, pass, not_evaluated, missing is pass, by range, frost, supply, contact"
    )
    assert (reading["agrees"], reading["differences"]) == (True, [])

    text = loamline("explain", stores.BARLEY, "2026-05-01T00:20:00Z", "--store", path).stdout
    for line in (
        "the reading nearest 2026-05-01T00:20:00Z is of 2026-05-01T00:00:00Z",
        "FPort 10, 01073a05dca025002a",
        f"= (1850 - (-0.8) * (15 - 20) - 500) / (3500 - 500) = {count['result']!r}",
        f"permittivity = 1 + 30 x + 49 x^2 = {reading['permittivity']!r}",
        f"4.3e-06 permittivity^3 = {reading['vwc_m3_m3']!r}",
        "source: Topp, Davis & Annan 1980, Water Resour. Res. 16(3):574-582",
        "every figure, flag and digest recomputed from the raw log equals the stored one",
        *reading["made_by"]["codec_digest"].split(),
        reading["record"]["digest"],
        reading["placement"]["digest"],
        reading["transducer"]["digest"],
        reading["soil"]["digest"],
        reading["made_by"]["limits_digest"],
        reading["registry_state"]["digest"],
    ):
        assert line in text, line


def assert_evidence_bears_out_the_flags(reading):
    """The spike and stuck flags, drawn again from the evidence that is shown for them."""
    spike = check(reading, "spike")
    height, bounds = spike["evidence"]["height"], spike["thresholds"]
    if spike["flag"] in ("pass", "suspect", "fail"):
        grave = "fail" if height > bounds["spike_fail"] else "suspect"
        assert spike["flag"] == (grave if height > bounds["spike_suspect"] else "pass")
    else:
        assert "nothing tells" not in spike["reason"]
    stuck = check(reading, "stuck")
    day, still = stuck["evidence"]["suspect"], stuck["thresholds"]["stuck_counts"]
    if stuck["flag"] != "missing" and day["raw_moved"] is not None:
        assert (stuck["flag"] == "pass") == (day["covered"] and day["raw_moved"] > still)


def test_every_reading_of_a_store_is_explained_and_agrees_with_what_is_stored(stores):
    """Promise 5 on a season of three payload shapes with faults, frost, a spike and a stranger.

    Each step's own result is the reading's figure, and each check says why in words.
    """
    path = stores.make(stores.season()[::2], stores.season())
    explained = 0
    with Store.open(path, writable=False) as store:
        numbers, states = probe_ids(store), registry_states(store)
        compiled = registry(store, numbers)
        for dev_eui, number in numbers.items():
            log = raw_log_of(store, number)
            for hour in range(0, 121, 10):
                at = stores.START + timedelta(hours=hour)
                held = stored_readings(store, number, at - timedelta(days=1), at + timedelta(days=1))
                told = explain_readings(dev_eui, microseconds(at), log, held, builtin_codecs(), compiled, states)
                for reading in told.readings:
                    explained += 1
                    assert reading["differences"] == []
                    assert reading["transducer"]["permittivity"] == reading["permittivity"]
                    assert reading["soil"]["vwc_m3_m3"] == reading["vwc_m3_m3"]
                    assert_evidence_bears_out_the_flags(reading)
    assert explained > 50


@pytest.mark.parametrize(
    ("hour", "name", "flag", "reason"),
    [
        (50, "spike", "suspect", "it stands off both neighbours in the same direction by 0.08"),
        (56, "spike", "pass", "it does not stand off both neighbours in the same direction"),
        (119, "spike", "not_evaluated", "it is the newest sample so far"),
        (50, "range", "pass", "every figure lies inside its bounds"),
        (20, "stuck", "not_evaluated", "the record does not reach back over 24 h yet"),
        (49, "stuck", "pass", "the raw figure moved by 24, over stuck_counts 1"),
        (49, "frost", "pass", "15.25 degC stands above 0 degC by more than the tolerance 0.5 K"),
    ],
)
def test_checks_of_a_drying_field_say_why(stores, explain, hour, name, flag, reason, season_store):
    told = explain(season_store, "S-0001", stores.START + timedelta(hours=hour))
    found = check(told["readings"][0], name)
    assert (found["flag"], found["reason"][: len(reason)]) == (flag, reason)


@pytest.mark.parametrize(
    ("hour", "name", "flag", "reason"),
    [
        (30, "range", "missing", "the probe reported a fault code in place of a figure"),
        (30, "spike", "missing", "the probe reported a transducer fault in place of a figure"),
        (30, "stuck", "missing", "the probe reported a transducer fault in place of a figure"),
        (32, "spike", "not_evaluated", "its left neighbour has no water content"),
        (29, "spike", "not_evaluated", "its right neighbour has no water content"),
        (40, "range", "missing", "the probe reported a fault code in place of a figure"),
        (40, "spike", "not_evaluated", "the sample has no water content"),
        (40, "frost", "missing", "the soil temperature is missing"),
        (66, "frost", "suspect", "0.5 degC stands within 0.5 K above 0 degC, and no frost came before"),
        (72, "frost", "fail", "0 degC is at or under 0 degC: ice is not seen as water"),
    ],
)
def test_checks_of_a_probe_with_faults_and_frost_say_why(stores, explain, hour, name, flag, reason, season_store):
    told = explain(season_store, "S-0002", stores.START + timedelta(hours=hour))
    found = check(told["readings"][0], name)
    assert (found["flag"], found["reason"]) == (flag, reason)


def test_the_check_s_words_for_thaw_stuck_values_gaps_and_moves(stores, explain):
    """Evidence beyond one sample: frost that lasts, the day and the three days, a neighbour too far or elsewhere."""
    moved = stores.START + timedelta(hours=100)
    base = stores.registry()
    first = base.placements[0].model_copy(update={"valid_to": moved})
    second = base.placements[0].model_copy(update={"valid_from": moved, "label": "barley 2"})
    state = type(base)(base.sites, base.probes, (first, second, *base.placements[1:]), base.curves, base.limits)
    still = [stores.v1(stores.BARLEY, hour, 1850, 10 + hour % 24 / 6 if hour < 80 else 10.0) for hour in range(180)]
    frozen = [stores.v1(stores.PEARS, hour, 1500 + 7 * hour, degc) for hour, degc in enumerate((3, -1, 0.25, 0.75))]
    path = stores.make([*still, *frozen, stores.v1(stores.PEARS, 9, 1500, 3)], registry=state)

    def words(probe: str, hour: int, name: str) -> str:
        return check(explain(path, probe, stores.START + timedelta(hours=hour))["readings"][0], name)["reason"]

    since = "2026-05-01T01:00:00Z"
    assert words("S-0002", 2, "frost") == f"the soil froze at {since}, and has not thawed by more than 0.5 K since"
    assert words("S-0002", 3, "frost") == "0.75 degC stands above 0 degC by more than the tolerance 0.5 K"
    assert words("S-0002", 3, "spike") == "its right neighbour is 360 minutes away, over largest_gap_minutes"
    assert words("S-0001", 30, "stuck").startswith("over 24 h the raw figure moved by 0 while the temperature moved by")
    assert words("S-0001", 75, "stuck").startswith("over 72 h the raw figure moved by 0 while the temperature moved by")
    assert words("S-0001", 110, "stuck").startswith("over 72 h the raw figure moved by 0 while")
    assert words("S-0001", 165, "stuck") == "over 72 h neither the raw figure nor the temperature moved at all"
    assert words("S-0001", 100, "spike") == "its left neighbour was taken in another placement"


def test_a_profile_is_explained_depth_by_depth_without_a_transducer_curve(stores, explain, season_store):
    """Payload version 4 brings permittivity; outside the soil curve's domain nothing is extrapolated."""
    path = season_store
    told = explain(path, "S-0004", stores.START + timedelta(hours=60))
    assert [reading["depth_index"] for reading in told["readings"]] == [0, 1]
    shallow, deep = told["readings"]
    assert shallow["transducer"]["sentence"] == (
        "the payload brings the permittivity itself: 12.34; no transducer curve is needed"
    )
    assert deep["soil"]["sentence"] == "no water content: permittivity 95 lies outside the curve's domain, 1.8 to 81"
    assert (deep["vwc_m3_m3"], check(deep, "range")["flag"]) == (None, "fail")
    (only,) = explain(path, "S-0004", stores.START + timedelta(hours=60), "--depth", 1)["readings"]
    assert only == deep


def test_permittivity_20_in_topp_s_curve(stores, explain):
    """Topp et al. 1980 at K = 20: -0.053 + 0.584 - 0.22 + 0.0344 = 0.3454 m3/m3."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0])])
    (reading,) = explain(path, stores.PROFILE, stores.START)["readings"]
    assert reading["vwc_m3_m3"] == pytest.approx(0.3454, abs=1e-12)


def test_what_a_stranger_lacks_is_said(stores, explain, season_store):
    told = explain(season_store, "02BB0000000000FF", stores.START)
    (reading,) = told["readings"]
    assert reading["transducer"]["sentence"] == (
        "no permittivity: the probe is in no registry, so there is no factory record"
    )
    assert (reading["record"], reading["placement"]) == (None, None)
    assert reading["roll_up"]["sentence"].endswith("but a reading without water content never passes: not_evaluated")


def test_deliveries_of_one_uplink_are_shown_and_a_gateway_that_told_twice_counts_once(stores, explain, loamline):
    """The best SNR of each gateway and antenna counts."""

    def heard(seconds, *receptions):
        at = stores.START + timedelta(seconds=seconds)
        return stores.uplink(stores.BARLEY, "01073A05DCA025002A", at, 42, receptions=receptions)

    weak, strong = Reception(gateway="gw-a", rssi_dbm=-118, snr_db=-11), Reception(gateway="gw-a", snr_db=-2)
    path = stores.make([heard(2, strong), heard(0, weak, Reception(gateway="gw-b", snr_db=-20))])
    (reading,) = explain(path, stores.BARLEY, stores.START)["readings"]
    uplink = reading["uplink"]
    assert (uplink["heard_at"], uplink["gateways"], uplink["best_snr_db"]) == ("2026-05-01T00:00:00Z", 2, -2.0)
    told = [reception for delivery in uplink["deliveries"] for reception in delivery["receptions"]]
    assert [(t["gateway"], t["snr_db"], t["counted"]) for t in told] == [
        ("gw-a", -11.0, False),
        ("gw-b", -20.0, True),
        ("gw-a", -2.0, True),
    ]
    assert [t["margin_db"] for t in told] == [1.5, -7.5, 10.5]
    assert told[2]["expected_signal_power_dbm"] is None
    text = loamline("explain", stores.BARLEY, "2026-05-01", "--store", path).stdout
    assert "heard: 2 deliveries, one uplink" in text
    assert "told again, not counted" in text


def test_of_receptions_with_one_snr_the_one_that_tells_its_rssi_counts(stores, explain):
    receptions = Reception(gateway="gw-a", snr_db=-5), Reception(gateway="gw-a", rssi_dbm=-110, snr_db=-5)
    path = stores.make(
        [
            stores.uplink(
                stores.BARLEY, "01073A05DCA025002A", stores.START + timedelta(seconds=2 * n), 42, receptions=(one,)
            )
            for n, one in enumerate(receptions)
        ]
    )
    (reading,) = explain(path, stores.BARLEY, stores.START)["readings"]
    told = [reception for delivery in reading["uplink"]["deliveries"] for reception in delivery["receptions"]]
    assert [(one["rssi_dbm"], one["counted"]) for one in told] == [(None, False), (-110.0, True)]


@pytest.mark.parametrize("counts", [(1500, 1600), (1600, 1500)])
def test_of_two_uplinks_heard_at_once_with_one_counter_the_one_that_made_the_reading_is_shown(stores, explain, counts):
    path = stores.make([stores.v1(stores.BARLEY, 0, count) for count in counts])
    with duckdb.connect(str(path), read_only=True) as con:
        stored = con.sql("SELECT moisture_count FROM reading").fetchall()
    (reading,) = explain(path, stores.BARLEY, stores.START)["readings"]
    assert reading["agrees"]
    assert [(reading["payload"]["sample"]["moisture_count"],)] == stored


def test_a_backfilled_sample_is_dated_by_its_age_and_shows_its_rivals(stores, explain):
    """Payload version 3 repeats older samples; the least aged counts (payloads of one hour's interval)."""
    codec = builtin_codecs().by_name("measurement-v3")

    def heard(hour, *counts):
        uplink = {"supply_v": 3.6, "firmware": "4.0", "interval_minutes": 60, "sample_counter": hour}
        payload = codec.build(uplink, [{"moisture_count": n, "soil_temperature_degc": 11.5} for n in counts])
        return stores.uplink(stores.BARLEY, payload, stores.START + timedelta(hours=hour), hour)

    path = stores.make([heard(2, 1500, 1490, 1480), heard(3, 1510, 1500, 1491)])
    (reading,) = explain(path, stores.BARLEY, stores.START + timedelta(hours=1, minutes=5))["readings"]
    assert reading["instant"] == {
        "formula": "measured_at = heard_at - age_minutes",
        "heard_at": "2026-05-01T02:00:00Z",
        "age_minutes": 60,
        "measured_at": "2026-05-01T01:00:00Z",
    }
    told = [(rival["fcnt"], rival["age_minutes"], rival["moisture_count"], rival["counts"])
            for rival in reading["same_instant"]]  # fmt: skip
    assert told == [(2, 60, 1490.0, True), (3, 120, 1491.0, False)]


def test_the_registry_of_the_time_of_hearing_explains_the_figure(stores, explain):
    """A later state, with other limits and curves, is not what made an earlier figure."""
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850) for hour in range(3)])
    base = stores.registry()
    tight = LimitsFile(limits=LimitLayer(vwc_suspect=(0.05, 0.2)))
    with Store.open(path) as store:
        save_state(store, type(base)(base.sites, base.probes, base.placements, base.curves, tight), "tighter limits")
        Writer(store, builtin_codecs()).commit([stores.accepted(stores.v1(stores.BARLEY, 3, 1850))])
    (early,) = explain(path, stores.BARLEY, stores.START + timedelta(hours=1))["readings"]
    (late,) = explain(path, stores.BARLEY, stores.START + timedelta(hours=3))["readings"]
    assert (early["registry_state"]["note"], late["registry_state"]["note"]) == ("test", "tighter limits")
    assert check(early, "range")["thresholds"]["vwc_suspect"] == [0.02, 0.55]
    assert check(late, "range")["thresholds"]["vwc_suspect"] == [0.05, 0.2]
    assert check(late, "range")["reason"] == "the water content lies outside vwc_suspect, the usual bounds of soil"
    assert late["agrees"]


def test_a_stored_figure_that_the_raw_log_does_not_give_is_told_plainly(stores, explain, loamline):
    """A changed, a missing and a surplus row: each is named with what is stored and what is recomputed."""
    path = stores.make([stores.v1(stores.BARLEY, hour, 1850) for hour in range(3)])
    with duckdb.connect(str(path)) as con:
        con.execute("UPDATE reading SET vwc_m3_m3 = 0.25 WHERE fcnt = 1")
        con.execute("DELETE FROM reading WHERE fcnt = 2")
        con.execute("UPDATE reading SET depth_index = 7 WHERE fcnt = 3")
    (changed,) = explain(path, stores.BARLEY, stores.START)["readings"]
    (difference,) = changed["differences"]
    assert (changed["agrees"], difference["column"], difference["stored"]) == (False, "vwc_m3_m3", 0.25)
    assert difference["recomputed"] == changed["vwc_m3_m3"]
    (missing,) = explain(path, stores.BARLEY, stores.START + timedelta(hours=1))["readings"]
    assert {found["stored"] for found in missing["differences"]} == {None}
    fresh, surplus = explain(path, stores.BARLEY, stores.START + timedelta(hours=2))["readings"]
    assert (fresh["depth_index"], surplus["depth_index"], surplus["agrees"]) == (0, 7, False)
    text = loamline("explain", stores.BARLEY, "2026-05-01", "--store", path).stdout
    assert "recomputing gives something else than what is stored, in 1 column:" in text
    assert f"vwc_m3_m3: stored 0.25, recomputed {changed['vwc_m3_m3']!r}" in text
    assert loamline("explain", stores.BARLEY, "2026-05-01T02:00:00Z", "--store", path).exit_code == 0


def test_uplinks_set_aside_near_the_time_are_told_with_their_reason(stores, explain, loamline):
    """They may be why the expected reading is not there."""
    at = stores.START + timedelta(hours=5)
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850), stores.uplink(stores.BARLEY, "7f00", at, 9)])
    told = explain(path, stores.BARLEY, at)
    assert told["measured_at"] == "2026-05-01T00:00:00Z"
    (refused,) = told["set_aside"]
    assert (refused["heard_at"], refused["hex"], refused["reason"]) == ("2026-05-01T05:00:00Z", "7f00", "version")
    assert explain(path, stores.BARLEY, stores.START)["set_aside"] == []
    lonely = stores.make([stores.uplink(stores.BARLEY, "7f00", at, 9)])
    assert explain(lonely, stores.BARLEY, at)["readings"] == []
    text = loamline("explain", stores.BARLEY, at.isoformat(), "--store", lonely).stdout
    assert "no reading of 02BB000000000001 within a day of 2026-05-01T05:00:00Z" in text
    assert "got byte 0 = 0x7F" in text


def test_no_reading_within_a_day_an_unknown_probe_and_a_shared_serial_are_told(stores, loamline):
    base = stores.registry()
    twin = base.probes[1].model_copy(update={"serial": "S-0001"})
    path = stores.make([stores.v1(stores.BARLEY, 0, 1850)])
    result = loamline("explain", stores.BARLEY, "2026-05-02T00:00:01Z", "--store", path, "--depth", 0)
    assert result.exit_code == 1
    assert result.stderr.startswith(
        "expected a reading of depth 0 within a day of 2026-05-02T00:00:01Z by 02BB000000000001, found none; "
    )
    never_heard = loamline("explain", stores.PEARS, "2026-05-01", "--store", path)
    assert never_heard.stderr.startswith("expected a reading within a day of 2026-05-01T00:00:00Z by 02BB0000000000")
    result = loamline("explain", "S-0007", "2026-05-01", "--store", path)
    assert "got 'S-0007'; near it: S-0004, S-0002, S-0001" in result.stderr
    both = stores.make(
        registry=type(base)(base.sites, (base.probes[0], twin), base.placements[:2], base.curves, base.limits)
    )
    result = loamline("explain", "S-0001", "2026-05-01", "--store", both)
    assert result.stderr == (
        f"expected one probe, got serial 'S-0001' of {stores.BARLEY}, {stores.PEARS}; give its dev_eui\n"
    )


@pytest.mark.parametrize("time", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_the_ends_of_the_calendar_are_times_like_any_other(stores, loamline, time):
    result = loamline("explain", stores.BARLEY, time, "--store", stores.make([stores.v1(stores.BARLEY, 0, 1850)]))
    assert result.exit_code == 1
    assert "found none" in result.stderr


def test_an_unknown_codec_is_named_with_the_option_that_makes_it_known(stores, loamline):
    """What a private codec read is stored under its name; without its folder nobody can read it again."""
    path = stores.make([stores.v1(stores.BARLEY, 1, 1850)])
    with Store.open(path) as store:
        store.con.execute("UPDATE provenance SET codec = 'soil-stake-v1'")
    asked = ("explain", stores.BARLEY, "2026-05-01T01:00:00Z", "--store", path)
    done = loamline(*asked)
    assert done.exit_code == 0
    assert done.stderr == (
        "expected to know the codec soil-stake-v1, which read this, and know none of that name: name its folder by "
        "--codec-dir, or nothing that it read can be computed again\n"
    )
    assert json.loads(loamline(*asked, "--json").stdout)["readings"][0]["agrees"] is False
