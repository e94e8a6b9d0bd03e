"""`loamline radio`: airtime as the contract has it, the report for people and scripts, and its drawing."""

from __future__ import annotations

import json
from xml.etree import ElementTree as ET

import pytest

from loamline_schemas.uplink import Reception


@pytest.fixture
def airtime(loamline):
    """Return a function that gives `loamline radio airtime --json`."""

    def told(*arguments):
        done = loamline("radio", "airtime", *arguments, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    return told


def test_airtime_is_told_in_milliseconds(airtime):
    """FOUND in a public spreadsheet that cites AN1200.13: 13 bytes of PHY payload, SF9, 125 kHz."""
    told = airtime("--sf", 9, "--bandwidth", 125_000, "--coding-rate", "4/5", "--bytes", 13)
    assert told["milliseconds"] == 164.864
    assert (told["payload_symbols"], told["preamble_symbols"], told["low_data_rate_optimisation"]) == (28, 8, False)
    assert airtime("--sf", 9, "--frm-bytes", 0) == told


def test_everything_about_a_packet_can_be_told_otherwise(airtime):
    plain = airtime("--sf", 10, "--bytes", 51)["milliseconds"]
    assert plain == 616.448
    assert airtime("--sf", 10, "--bytes", 51, "--low-data-rate")["milliseconds"] == 698.368
    assert airtime("--sf", 10, "--bytes", 51, "--preamble", 10)["milliseconds"] == pytest.approx(plain + 2 * 8.192)
    for less in ("--implicit-header", "--no-crc"):
        assert airtime("--sf", 10, "--bytes", 51, less)["milliseconds"] < plain


def test_a_carrier_tells_the_share_of_an_hours_budget_and_defers_to_local_rules(airtime, loamline):
    """ETSI EN 300 220-2 from quotations: 868.1 MHz may be used 36 s an hour."""
    told = airtime("--sf", 9, "--bytes", 13, "--frequency", 868_100_000)
    assert (told["sub_band"], told["duty_cycle"]) == ("M", 0.01)
    assert told["share_of_hour"] == pytest.approx(0.164864 / 36)
    assert "local rules come first" in told["note"]
    assert airtime("--sf", 9, "--bytes", 13, "--frequency", 915_000_000)["sub_band"] is None
    shown = loamline("radio", "airtime", "--sf", 9, "--bytes", 13, "--frequency", 868_100_000).stdout
    assert "164.864 ms on air" in shown
    assert "0.458 % of an hour's budget in sub-band M" in shown
    assert "local rules come first" in shown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--sf", "9"], "expected one of --bytes and --frm-bytes, got neither"),
        (["--sf", "9", "--bytes", "1", "--frm-bytes", "1"], "expected one of --bytes and --frm-bytes, got both"),
        (["--sf", "9", "--bytes", "1", "--coding-rate", "4/9"], "expected one of 4/5, 4/6, 4/7, 4/8, got '4/9'"),
        (["--sf", "6", "--bytes", "1"], "Invalid value for '--sf'"),
        (["--sf", "9", "--bytes", "256"], "Invalid value for '--bytes'"),
    ],
)
def test_what_is_no_packet_is_refused_in_words(loamline, arguments, told):
    done = loamline("radio", "airtime", *arguments)
    assert done.exit_code == 2
    assert told in " ".join(done.stderr.split())


@pytest.mark.parametrize("verb", ["airtime", "draw", "report"])
def test_help_ends_with_an_example(loamline, verb):
    shown = " ".join(loamline("radio", verb, "--help").stdout.split())
    assert f"loamline radio {verb}" in shown[shown.index("Example") :]


@pytest.fixture
def path(stores):
    """Return a store of 24 hours: barley heard by two gateways, pears by one and every other hour."""
    two = (Reception(gateway="gw-a", rssi_dbm=-100, snr_db=-2.5), Reception(gateway="gw-b", rssi_dbm=-115, snr_db=-10))
    barley = [stores.v1(stores.BARLEY, hour, 1850, receptions=two) for hour in range(24)]
    pears = [stores.v1(stores.PEARS, hour, 1500) for hour in range(0, 24, 2)]
    return stores.make(barley, pears)


def test_the_report_is_told_to_scripts(path, stores, loamline):
    done = loamline("radio", "report", "--store", path, "--since", "2026-04-30", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert (told["since"], told["until"]) == ("2026-04-30T00:00:00Z", "2026-05-01T23:00:00Z")
    pears, barley = told["probes"]
    assert (pears["serial"], pears["site"], pears["label"]) == ("S-0002", "Pear orchard", "row 7")
    assert (pears["uplinks"], pears["lost"], pears["only_gateway"]) == (12, 11, "gw-a")
    assert pears["delivery_ratio"] == pytest.approx(12 / 23)
    assert (barley["delivery_ratio"], barley["margin_db"], barley["margin_trend"]) == (1.0, 10.0, "not enough data")
    assert barley["mean_airtime_ms"] == pytest.approx(205.824)
    (band,) = barley["sub_bands"]
    assert (band["sub_band"], band["uplinks"]) == ("M", 24)
    assert band["share_of_budget"] == pytest.approx(24 * 0.205824 / (23 * 36))
    assert [(one["gateway"], one["probes"], one["probes_only_here"]) for one in told["gateways"]] == [
        ("gw-a", 2, 1),
        ("gw-b", 1, 0),
    ]
    assert [(one["dev_eui"], one["gateway"]) for one in told["links"]] == [
        (stores.BARLEY, "gw-a"),
        (stores.BARLEY, "gw-b"),
        (stores.PEARS, "gw-a"),
    ]
    assert [one["serial"] for one in told["not_heard"]] == ["S-0004"]
    assert "local rules come first" in told["notes"]


def test_the_report_is_told_to_people(path, loamline):
    shown = loamline("radio", "report", "--store", path, "--since", "2026-04-30").stdout
    for words in ("only gw-a", "52.2 %", "not enough data", "M: 0.6 %", "local rules come first",
                  "2 probes, 1 of them heard by one gateway only; 1 not heard"):  # fmt: skip
        assert words in shown, words


def test_what_cannot_be_reported_is_told_in_one_sentence(path, stores, loamline):
    done = loamline("radio", "report", "--store", stores.make())
    assert (done.exit_code, done.stderr[:25]) == (1, "expected uplinks in " + str(stores.folder)[:5])
    done = loamline("radio", "report", "--store", path, "--since", "2027-01-01")
    assert done.exit_code == 2
    assert done.stderr.startswith("expected --since before 2026-05-01T23:00:00Z, got 2027-01-01T00:00:00Z")
    assert "near it: Pear orchard" in loamline("radio", "report", "--store", path, "--site", "Pear").stderr


def test_the_drawing_is_the_same_each_time_and_of_the_kind_its_name_says(path, loamline, tmp_path):
    first, second, image = tmp_path / "a.svg", tmp_path / "b.svg", tmp_path / "c.png"
    for out in (first, second, image):
        done = loamline("radio", "draw", "--store", path, "--since", "2026-04-30", "--out", out)
        assert done.exit_code == 0, done.output
    assert done.stdout == f"drawn to {image}: 2 probes, 2 gateways; 1 not heard\n"
    assert first.read_bytes() == second.read_bytes()
    assert ET.parse(first).getroot().tag.endswith("svg")  # noqa: S314 - our own file
    assert image.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_drawing_of_nothing_heard_is_a_drawing(path, loamline, tmp_path):
    out = tmp_path / "none.svg"
    done = loamline("radio", "draw", "--store", path, "--since", "2019-01-01", "--until", "2019-02-01", "--out", out)
    assert done.exit_code == 0, done.output
    assert out.exists()


def test_another_kind_of_file_is_refused_before_anything_is_read(path, loamline, tmp_path):
    done = loamline("radio", "draw", "--store", path, "--out", tmp_path / "a.pdf")
    assert done.exit_code == 2
    assert done.stderr == "--out: expected a file name ending in .png or .svg, got 'a.pdf'\n"
