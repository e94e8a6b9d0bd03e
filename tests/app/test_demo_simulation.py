"""The demo's simulated fleet: sound payloads, faults of character, and one story however the time is cut."""

import csv
import tomllib
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.app.demo.fleet import (
    CELLAR,
    DYING_SINCE_DAYS,
    HISTORY_DAYS,
    HISTORY_END,
    OUTAGES,
    PROBES,
    REJOINED_SINCE_DAYS,
    SILENT_SINCE_DAYS,
    SITES,
    STUCK_SINCE_DAYS,
    TRANSDUCER_CURVES,
    VINEYARD,
    Probe,
)
from loamline.app.demo.probe_series import FAULT
from loamline.app.demo.radio import Radio
from loamline.app.demo.registry_folder import write_registry_folder
from loamline.app.demo.uplinks import Simulation
from loamline.core.calibration import TOPP_1980
from loamline.core.soil.texture import texture_of
from loamline.core.soil.water import soil_water_of
from loamline.edges.registry_folder import read_registry
from loamline_codecs import Message, builtin_codecs
from loamline_schemas.curves import CurveFile
from loamline_schemas.limits import LimitsFile
from loamline_schemas.registry import CropRow, PlacementRow, ProbeRow, SiteRow, SoilRow
from loamline_schemas.uplink import Uplink

FIELD_SITE = SITES[0]
END_H = int(HISTORY_END.timestamp()) // 3600
ALL_WAKINGS = np.arange(HISTORY_DAYS * 24)


@pytest.fixture(scope="module")
def simulation():
    return Simulation(seed=1)


def the(character: str) -> Probe:
    return next(probe for probe in PROBES if probe.character == character)


def days_before_end(days: float) -> datetime:
    return HISTORY_END - timedelta(days=days)


def read(uplink: dict) -> Message:
    message = builtin_codecs().parse(uplink["fport"], bytes.fromhex(uplink["payload_hex"]))
    assert isinstance(message, Message), message
    return message


def test_frost_is_reported_by_shallow_probes_and_dries_their_reading(simulation):
    """Payloads of the frost night say at most 0 degC, and a permittivity under that of the day before."""
    probe = next(p for p in PROBES if p.label == "terrace 1, frost hollow")
    night = simulation.weather.frost_hour(probe.site.climate)
    frozen, before = (
        [
            read(uplink).samples[0].figures
            for uplink in simulation.uplinks(start, start + timedelta(hours=6))
            if uplink["dev_eui"] == probe.dev_eui
        ]
        for start in (datetime.fromtimestamp((night - shift) * 3600, UTC) for shift in (0, 24))
    )
    assert min(figures["soil_temperature_degc"] for figures in frozen) <= 0.0
    assert min(f["moisture_count"] for f in frozen) < min(f["moisture_count"] for f in before) - 200


def test_water_content_comes_back_through_payload_and_calibration(simulation):
    """Decoded and calibrated by the textbook formulas, every sound probe says the bucket's water.

    One reading to 0.006 m3/m3 (its noise), the mean of half a day to 0.001 (no bias).
    """
    since, until = days_before_end(11.0), days_before_end(10.5)
    sound = {p.dev_eui: p for p in PROBES if p.character not in ("spiking", "dying battery", "stuck")}
    errors = defaultdict(list)
    for uplink in simulation.uplinks(since, until):
        probe = sound.get(uplink["dev_eui"])
        if probe is None or uplink["fport"] != 10:
            continue
        hours = datetime.fromisoformat(uplink["heard_at"]).timestamp() / 3600
        waking = int(hours) - (END_H - HISTORY_DAYS * 24)
        truth = simulation.series[probe.dev_eui].readings(np.array([waking])).vwc_m3_m3[0]
        for sample in (s for s in read(uplink).samples if s.age_minutes == 0):
            permittivity = sample.figures.get("permittivity")
            if permittivity is None:
                record = probe.transducer
                corrected = sample.figures["moisture_count"] - record.count_per_k * (
                    sample.figures["soil_temperature_degc"] - 20.0
                )
                x = (corrected - record.air_count) / (record.water_count - record.air_count)
                permittivity = np.polynomial.polynomial.polyval(x, TRANSDUCER_CURVES[probe.hardware].coefficients)
            soil_curve = probe.site.soil_curve.coefficients or TOPP_1980
            vwc = np.polynomial.polynomial.polyval(permittivity, soil_curve)
            errors[probe.dev_eui, sample.depth_index].append(vwc - truth[sample.depth_index])
    assert set(errors) == {(p.dev_eui, index) for p in sound.values() for index in range(len(p.depths_cm))}
    assert max(np.abs(each).max() for each in errors.values()) < 0.006
    assert max(abs(np.mean(each)) for each in errors.values()) < 0.001


# --- characters -------------------------------------------------------------------------------------------------


def test_the_stuck_probe_freezes_while_its_soil_temperature_moves(simulation):
    readings = simulation.series[the("stuck").dev_eui].readings(ALL_WAKINGS)
    since = round((HISTORY_DAYS - STUCK_SINCE_DAYS) * 24)
    assert np.ptp(readings.counts[since:]) == 0
    assert np.ptp(readings.counts[:since]) > 50
    assert np.ptp(readings.soil_temperature_degc[since : since + 24]) > 1.0


def test_the_spiking_probe_flies_off_for_single_samples(simulation):
    counts = simulation.series[the("spiking").dev_eui].readings(ALL_WAKINGS).counts[:, 0]
    smooth = simulation.series[the("spiking").dev_eui].readings(ALL_WAKINGS).counts[:, 1]
    before, after = counts[1:-1] - counts[:-2], counts[1:-1] - counts[2:]
    spikes = (before * after > 0) & (np.minimum(np.abs(before), np.abs(after)) > 150)
    assert 15 < spikes.sum() < 60
    assert np.abs(np.diff(smooth)).max() < 150


def test_the_dying_battery_sags_to_two_point_four_volts_and_says_so(simulation):
    probe = the("dying battery")
    readings = simulation.series[probe.dev_eui].readings(ALL_WAKINGS)
    assert readings.supply_v[: round((HISTORY_DAYS - DYING_SINCE_DAYS) * 24)].min() > 3.4
    assert readings.supply_v[-24:].mean() == pytest.approx(2.4, abs=0.05)
    assert (readings.counts == FAULT).any()
    last_day = simulation.uplinks(days_before_end(1.0), HISTORY_END)
    messages = [read(uplink) for uplink in last_day if uplink["dev_eui"] == probe.dev_eui]
    assert {message.uplink["supply_low"] for message in messages} == {1.0}
    assert any(sample.moisture_fault for message in messages for sample in message.samples)


def test_the_weak_link_loses_about_a_quarter_and_the_others_hardly_any(simulation):
    shares = {}
    for probe in PROBES:
        sent_ms = simulation.series[probe.dev_eui].woken_ms(ALL_WAKINGS)
        radio = Radio(1, probe, "measurement", END_H * 3_600_000)
        shares[probe.character] = radio.heard(ALL_WAKINGS, sent_ms).lost.mean()
    assert 0.20 < shares.pop("weak link") < 0.30
    assert max(shares.values()) < 0.03


def test_older_samples_travel_again_after_a_power_cut_at_the_gateway(simulation):
    """Version 3 probes that only the cellar's gateway hears repeat what the cut took, with the same counts."""
    ((gateway, begins_days, hours),) = OUTAGES
    assert gateway == CELLAR
    over = days_before_end(begins_days) + timedelta(hours=hours)
    repeated = defaultdict(list)
    for uplink in simulation.uplinks(over, over + timedelta(hours=2)):
        if uplink["dev_eui"] in {p.dev_eui for p in PROBES if p.site is VINEYARD and p.hardware == "P3"}:
            repeated[uplink["dev_eui"]].append((uplink, read(uplink)))
    longest = 0
    for dev_eui, heard in repeated.items():
        for uplink, message in (pair for pair in heard if pair[0]["fport"] == 10):
            waking = int(datetime.fromisoformat(uplink["heard_at"]).timestamp()) // 3600 - END_H + HISTORY_DAYS * 24
            truth = simulation.series[dev_eui].readings(waking - np.arange(len(message.samples))).counts[:, 0]
            assert [s.figures["moisture_count"] for s in message.samples] == truth.tolist()
            assert [s.age_minutes for s in message.samples] == [60 * back for back in range(len(message.samples))]
            longest = max(longest, len(message.samples))
    assert longest >= 4


def test_the_rejoined_probe_starts_a_session_at_zero_with_a_cold_start(simulation):
    since = days_before_end(REJOINED_SINCE_DAYS + 0.1)
    heard = [
        u for u in simulation.uplinks(since, since + timedelta(hours=8)) if u["dev_eui"] == the("rejoined").dev_eui
    ]
    first = next(i for i, (a, b) in enumerate(pairwise(heard), 1) if a["dev_addr"] != b["dev_addr"])
    assert heard[first]["fcnt"] == 0
    assert read(heard[first]).uplink["cold_start"] == 1.0
    assert read(heard[first]).uplink["sample_counter"] == 0
    assert heard[first + 1]["fcnt"] == 1
    assert len({uplink["dev_addr"] for uplink in heard}) == 2


def test_the_silent_probe_stopped_and_the_tilted_one_says_so(simulation):
    last = list(simulation.uplinks(days_before_end(SILENT_SINCE_DAYS), days_before_end(SILENT_SINCE_DAYS - 1)))
    assert the("silent").dev_eui not in {uplink["dev_eui"] for uplink in last}
    tilted = [read(uplink).uplink["tilted"] for uplink in last if uplink["dev_eui"] == the("tilted").dev_eui]
    assert set(tilted) == {1.0}


# --- uplinks ----------------------------------------------------------------------------------------------------


def test_every_uplink_is_canonical_in_order_and_read_by_a_codec(simulation):
    """Every message of two days fits the published model; all five codecs are met; counters rise in each session."""
    uplinks = list(simulation.uplinks(days_before_end(29.0), days_before_end(27.0)))
    assert len(uplinks) > 1800
    assert [u["heard_at"] for u in uplinks] == sorted(u["heard_at"] for u in uplinks)
    counters = defaultdict(list)
    for uplink in uplinks:
        Uplink.model_validate(uplink)
        assert 1 <= len({reception["gateway"] for reception in uplink["receptions"]}) <= 3
        counters[uplink["dev_eui"], uplink["dev_addr"]].append(uplink["fcnt"])
    assert {read(uplink).codec.name for uplink in uplinks} == {codec.name for codec in builtin_codecs().codecs}
    assert all(a < b for session in counters.values() for a, b in pairwise(session))
    assert {dev_eui for dev_eui, _ in counters} == {probe.dev_eui for probe in PROBES}


@settings(max_examples=10, deadline=None)
@given(cuts=st.lists(st.integers(0, 7 * 3600), max_size=4).map(sorted), days=st.sampled_from([20.3, 28.4, -1.1]))
def test_windows_that_join_give_what_one_window_gives(cuts, days):
    """Round a power cut, a rejoin and after the end of history: the same uplinks however the time is cut."""
    since = days_before_end(days)
    stops = [since, *(since + timedelta(seconds=cut) for cut in cuts), since + timedelta(hours=7)]
    pieced = Simulation(seed=7)
    pieces = [uplink for a, b in pairwise(stops) for uplink in pieced.uplinks(a, b)]
    assert pieces == list(Simulation(seed=7).uplinks(stops[0], stops[-1]))
    assert len(pieces) > 200


def test_another_end_of_history_tells_the_same_story_on_other_dates():
    """The seasons follow the window, so that a demo may end on any day."""
    moved = datetime(2027, 3, 1, tzinfo=UTC)
    there = list(Simulation(seed=1, history_end=moved).uplinks(moved - timedelta(hours=2), moved))
    here = list(Simulation(seed=1).uplinks(HISTORY_END - timedelta(hours=2), HISTORY_END))
    assert {uplink["dev_eui"] for uplink in there} == {uplink["dev_eui"] for uplink in here}
    temperatures = [
        {u["dev_eui"]: read(u).samples[0].figures["soil_temperature_degc"] for u in heard if u["fport"] == 10}
        for heard in (here, there)
    ]
    assert all(abs(temperatures[0][probe] - temperatures[1][probe]) < 0.51 for probe in temperatures[0])


def test_an_end_of_history_off_midnight_is_refused():
    with pytest.raises(ValueError, match="expected history_end at a midnight in UTC, got 2025-10-29T07:30:00"):
        Simulation(history_end=datetime(2025, 10, 29, 7, 30, tzinfo=UTC))


# --- the registry folder ----------------------------------------------------------------------------------------


def test_the_registry_folder_is_read_by_the_published_models(tmp_path: Path):
    """Every row and curve fits; all probes but the unknown one are there, every depth placed, every hardware known."""
    write_registry_folder(tmp_path)
    rows = {}
    models = {"sites": SiteRow, "probes": ProbeRow, "placements": PlacementRow, "soils": SoilRow, "crops": CropRow}
    for name, model in models.items():
        with (tmp_path / f"{name}.csv").open(newline="") as file:
            cells = [{key: value or None for key, value in row.items()} for row in csv.DictReader(file)]
        rows[name] = [model.model_validate(row) for row in cells]
    known = [probe for probe in PROBES if probe.character != "unknown"]
    assert [row.dev_eui for row in rows["probes"]] == [probe.dev_eui for probe in known]
    assert len(rows["sites"]) == 6
    placed = {(row.dev_eui, row.depth_index): row.depth_cm for row in rows["placements"]}
    assert placed == {(p.dev_eui, index): depth for p in known for index, depth in enumerate(p.depths_cm)}
    assert [row.label for row in rows["placements"] if row.dev_eui == the("moved").dev_eui] == ["maple 1", "maple 3"]
    curves = CurveFile.model_validate(tomllib.loads((tmp_path / "curves.toml").read_text())).curve
    assert {row.hardware for row in rows["probes"]} - {"D4"} <= {curve.applies_to for curve in curves}
    assert {row.curve for row in rows["placements"] if row.curve} == {"nimbleby-compost-bed"}
    limits = LimitsFile.model_validate(tomllib.loads((tmp_path / "limits.toml").read_text()))
    assert set(limits.site) <= {row.site for row in rows["sites"]}
    assert {row.site for row in rows["crops"]} == {row.site for row in rows["sites"]}


def test_the_registry_folder_has_no_faults_and_its_layers_fit_the_soil_that_is_simulated(tmp_path: Path):
    """Layers and crops agree with sites and placements; field capacity is the bucket's to within 0.02 m3/m3."""
    write_registry_folder(tmp_path)
    state, faults = read_registry(tmp_path)
    assert faults == []
    assert state is not None
    simulated = {site.site: site for site in SITES}
    for row in state.soils:
        site = simulated[row.site]
        if row.sand_percent is not None and row.clay_percent is not None:
            assert texture_of(row.sand_percent, row.clay_percent) == site.texture
        held = soil_water_of(row, site.texture).field_capacity
        assert held == pytest.approx(site.ground.soil.field_capacity, abs=0.02)
    assert [row.crop for row in state.crops if row.depletion_fraction is not None] == ["street trees"]
