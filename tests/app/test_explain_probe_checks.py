"""The explanation of supply, contact and fall: from the payload's own bits to the sentence on the screen."""

import json
from datetime import timedelta

import pytest

from loamline_codecs import builtin_codecs


def uplink(stores, dev_eui, hour, permittivity, degc=12.5, **status):
    """Return an uplink of payload version 4, which tells supply, tilt and a low supply; depth 0 alone."""
    codec = builtin_codecs().by_name("measurement-v4")
    told = {"supply_v": 3.6, "firmware": "5.2", "sample_counter": hour, "tilted": 0, "supply_low": 0, **status}
    payload = codec.build(told, [{"permittivity": permittivity, "soil_temperature_degc": degc}])
    return stores.uplink(dev_eui, payload, stores.START + timedelta(hours=hour), hour + 1)


def explained(stores, loamline, path, hour, *arguments):
    time = (stores.START + timedelta(hours=hour)).isoformat()
    result = loamline("explain", stores.PROFILE, time, "--store", path, *arguments)
    assert result.exit_code == 0, result.output
    return result.stdout


def reading(stores, loamline, path, hour):
    (found,) = json.loads(explained(stores, loamline, path, hour, "--json"))["readings"]
    assert found["agrees"]
    return found, {check["check"]: check for check in found["checks"]}


def test_a_probe_that_was_pulled_out_and_a_supply_that_sags_are_told_with_their_numbers(stores, loamline):
    """Six quiet hours, then air whose temperature swings, on a supply that fell by half a volt; 15 cm deep."""
    quiet = [uplink(stores, stores.PROFILE, hour, 15.0) for hour in range(6)]
    out = [
        uplink(stores, stores.PROFILE, 6, 1.05, 12.5, tilted=1, supply_v=3.1),
        uplink(stores, stores.PROFILE, 7, 1.05, 22.5, tilted=1, supply_v=3.1),
    ]
    path = stores.make([*quiet, *out])
    found, checks = reading(stores, loamline, path, 7)
    assert list(checks) == ["range", "spike", "stuck", "frost", "supply", "contact", "fall"]
    supply, contact = checks["supply"], checks["contact"]
    assert supply["flag"] == "suspect"
    assert supply["evidence"]["before"]["median_v"] == pytest.approx(3.6)
    assert supply["reason"].endswith(" V that supply_sag_v 0.2 and 0 K of cold let pass")
    assert (contact["flag"], contact["evidence"]["depth_cm"], contact["evidence"]["tilted"]) == ("fail", 15.0, True)
    assert contact["evidence"]["swing"]["moved_before_k"] == 10.0
    assert contact["reason"].startswith(
        "the probe reports that it is tilted, and permittivity 1.05 is at most contact_air_permittivity 1.5; within "
        "contact_window_hours 24 before it, samples in air differ by 10 K, over the "
    )
    assert "contact" in found["roll_up"]["sentence"]
    text = " ".join(explained(stores, loamline, path, 7).split())
    for words in (
        "supply: suspect: 3.1",
        "contact: fail: the probe reports that it is tilted",
        "contact_air_permittivity 1.5, contact_window_hours 24",
        "moved_before_k 10",
        "tilted: yes",
        "fall: not_evaluated: the sample has no water content",
    ):
        assert words in text, words


def test_water_that_left_faster_than_soil_drains_is_told_beside_what_stood_there_before(stores, loamline):
    """Topp et al. 1980: permittivity 15 and 5 are 0.2756 and 0.0798 m3/m3; a record of three days."""
    path = stores.make(
        [uplink(stores, stores.PROFILE, hour, 15.0 if hour < 76 else 5.0, 12.5 + hour % 3) for hour in range(79)]
    )
    found, checks = reading(stores, loamline, path, 76)
    fall = checks["fall"]
    assert fall["flag"] == "suspect"
    assert fall["evidence"]["memory"]["lowest_m3_m3"] == pytest.approx(0.2755, abs=1e-3)
    assert fall["evidence"]["memory"]["under_lowest_m3_m3"] == pytest.approx(0.196, abs=1e-3)
    assert fall["reason"].endswith("over 0.06 m3/m3 (fall_suspect_per_hour 0.06, in 1 h)")
    assert found["roll_up"]["sentence"].endswith("is suspect, by fall")
    assert "lowest_m3_m3 0.27" in " ".join(explained(stores, loamline, path, 76).split())


def test_a_probe_in_no_placement_has_no_contact_to_judge_and_one_that_was_moved_no_fall(stores, loamline):
    base = stores.registry()
    moved = stores.START + timedelta(hours=2)
    ended = tuple(
        row.model_copy(update={"valid_to": moved}) if row.dev_eui == stores.PROFILE else row for row in base.placements
    )
    state = type(base)(base.sites, base.probes, ended, base.curves)
    path = stores.make([uplink(stores, stores.PROFILE, hour, 15.0) for hour in range(4)], registry=state)
    _, placed = reading(stores, loamline, path, 1)
    assert (placed["contact"]["flag"], placed["fall"]["flag"]) == ("pass", "pass")
    _, checks = reading(stores, loamline, path, 3)
    assert checks["contact"]["reason"] == "no placement says that the probe is in the soil"
    assert checks["contact"]["flag"] == checks["fall"]["flag"] == "not_evaluated"
