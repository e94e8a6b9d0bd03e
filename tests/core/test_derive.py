"""The whole chain on small sets of deliveries: hex in, verdict out, whatever their order."""

from datetime import timedelta

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.derive import derive
from loamline.core.provenance import RULES, Registry
from loamline.core.reference import Catalogue
from loamline_codecs import builtin_codecs
from loamline_schemas.digest import content_digest
from loamline_schemas.limits import Limits
from loamline_schemas.tables import READING, STATUS
from loamline_schemas.verdicts import RangeCause, Verdict, Zone
from tests.core.delivery_builder import MOIST, START, delivery, log, measurement_v1, measurement_v3, reception
from tests.core.registry_builder import placement, probe, registry, state, topp, transducer
from tests.core.series_builder import words

CODECS = builtin_codecs()
FLEET = state(probes=(probe(1), probe(2), probe(3)), placements=tuple(placement(number) for number in (1, 2, 3)))
REGISTRY = registry(FLEET)


def readings(derived):
    """Return readings as plain rows, each with what made it in place of that row's number."""
    rows = derived.readings.to_pylist()
    return [{**row, "made_by": derived.provenance[row["made_by"]]} for row in rows]


# --- one reading --------------------------------------------------------------------------------------------------


def test_a_reading_worked_by_hand_from_its_hex_bytes_to_its_verdict():
    """01 | 073A count 1850 | 05DC 15.00 degC | A0 2.00 + 1.60 V | 25 firmware 2.5 | 002A counter 42.

    The record drifts by -2 counts a kelvin: x = (1850 - (-2)(15 - 20) - 340) / 3000 = 0.5; 1 + 18/2 + 40/4 = 20;
    Topp et al. 1980 at 20 is 0.345400 m3/m3, in a loam of 0.14 at the wilting point and 0.28 at field capacity
    (Saxton & Rawls 2006, Table 3): wetter than that. The curve's own 0.013 m3/m3 outweighs all other uncertainty.
    """
    heard = (reception("east", -110.0, -3.5), reception("west", -104.0, 2.25))
    (row,) = readings(derive(log(delivery(5, payload=MOIST, fcnt=815, receptions=heard)), CODECS, REGISTRY))
    assert row.pop("vwc_m3_m3") == pytest.approx(0.345400, abs=1e-6)
    assert row.pop("vwc_uncertainty_m3_m3") == pytest.approx(0.013, abs=1e-5)
    assert row.pop("plant_available_fraction") == pytest.approx((0.3454 - 0.14) / 0.14, abs=1e-5)
    assert row.pop("made_by")["codec"] == "measurement-v1"
    instant = START + timedelta(minutes=5)
    assert row == {
        "probe_id": 1,
        "depth_index": 0,
        "measured_at": instant,
        "heard_at": instant,
        "fcnt": 815,
        "age_minutes": 0,
        "moisture_count": 1850,
        "permittivity": 20.0,
        "soil_temperature_degc": 15.0,
        "conductivity_ds_m": None,
        "supply_v": 3.6,
        "firmware_major": 2,
        "firmware_minor": 5,
        "sample_counter": 42,
        "tilted": None,
        "cold_start": None,
        "supply_low": None,
        "best_rssi_dbm": -104.0,
        "best_snr_db": 2.25,
        "gateways": 2,
        "conflicts": 0,
        "range_flag": Verdict.PASS,
        "range_cause": RangeCause.NONE,
        "spike_flag": Verdict.NOT_EVALUATED,
        "stuck_flag": Verdict.NOT_EVALUATED,
        "frost_flag": Verdict.PASS,
        "verdict_flag": Verdict.PASS,
        "zone": Zone.EXCESS,
        "supply_flag": Verdict.PASS,
        "contact_flag": Verdict.PASS,
        "fall_flag": Verdict.NOT_EVALUATED,
    }


def test_a_reading_names_what_made_it_by_id_and_content_digest():
    derived = derive(log(delivery()), CODECS, REGISTRY)
    (codec,) = [codec for codec in CODECS.codecs if codec.name == "measurement-v1"]
    assert derived.provenance == [
        {
            "reference_id": 1,
            "codec": "measurement-v1",
            "codec_digest": codec.digest,
            "probe_digest": content_digest(probe(1)),
            "placement_digest": content_digest(placement(1)),
            "transducer_curve": "transducer-b",
            "transducer_digest": content_digest(transducer()),
            "soil_curve": "topp-1980",
            "soil_digest": content_digest(topp()),
            "limits_digest": content_digest(Limits()),
            "soil_layer_digest": None,
            "crop_digest": None,
            "rules": RULES,
        }
    ]


def test_an_unknown_probe_is_decoded_all_the_same_and_says_that_it_is_uncalibrated():
    (row,) = readings(derive(log(delivery(probe=9)), CODECS, REGISTRY))
    assert (row["moisture_count"], row["soil_temperature_degc"], row["vwc_m3_m3"]) == (1850, 15.0, None)
    assert (row["range_cause"], row["verdict_flag"]) == (RangeCause.UNCALIBRATED, Verdict.NOT_EVALUATED)
    made_by = row["made_by"]
    assert [made_by[name] for name in ("probe_digest", "placement_digest", "transducer_curve", "soil_curve")] == [
        None
    ] * 4
    assert made_by["limits_digest"] == content_digest(Limits())


def test_a_transducer_fault_is_a_missing_reading():
    (row,) = readings(derive(log(delivery(payload="01FFFF05DCA025002A")), CODECS, REGISTRY))
    assert (row["moisture_count"], row["vwc_m3_m3"], row["verdict_flag"]) == (None, None, Verdict.MISSING)


def test_a_count_out_of_range_is_kept_and_fails():
    (row,) = readings(derive(log(delivery(payload=measurement_v1(5000))), CODECS, REGISTRY))
    assert (row["moisture_count"], row["range_cause"]) == (5000, RangeCause.RAW_OUT_OF_RANGE)
    assert row["verdict_flag"] == Verdict.FAIL


def test_a_profile_gives_one_reading_a_depth_and_reports_permittivity_itself():
    """Payload version 4, two depths: 12.34 and 20.50; the second has no placement, so no water content."""
    profile = "420829230502110ED204E80536010208DDFF0000"
    rows = readings(derive(log(delivery(payload=profile)), CODECS, REGISTRY))
    assert [(row["depth_index"], row["permittivity"]) for row in rows] == [(0, 12.34), (1, 20.50)]
    assert [row["conductivity_ds_m"] for row in rows] == [0.310, 0.0]
    assert rows[0]["made_by"]["placement_digest"] == content_digest(placement(1))
    assert (rows[1]["made_by"]["placement_digest"], rows[1]["vwc_m3_m3"]) == (None, None)
    assert rows[1]["frost_flag"] == Verdict.FAIL  # -0.35 degC


def test_a_backfilled_sample_stands_at_its_own_instant_and_yields_to_the_direct_one():
    """Payload version 3 carries 1502 now, 1490 an hour ago, 1485 two hours ago; the hour-old one was heard directly."""
    backfilled, direct = measurement_v3(1502, 1490, 1485), measurement_v3(1489)
    derived = derive(
        log(delivery(60, payload=direct, fcnt=1), delivery(120, payload=backfilled, fcnt=2)), CODECS, REGISTRY
    )
    told = [
        (row["measured_at"], row["moisture_count"], row["age_minutes"], row["conflicts"]) for row in readings(derived)
    ]
    assert told == [
        (START, 1485, 120, 0),
        (START + timedelta(minutes=60), 1489, 0, 1),
        (START + timedelta(minutes=120), 1502, 0, 0),
    ]


# --- what is no reading -------------------------------------------------------------------------------------------


def test_a_payload_that_no_codec_reads_is_refused_with_its_reason_and_spoils_nothing():
    table = log(delivery(0), delivery(60, fcnt=8, payload="0107"), delivery(120, fcnt=9, payload="F0" * 9))
    derived = derive(table, CODECS, REGISTRY)
    by_row = {row: derived.refusals.get(int(u)) for row, u in enumerate(derived.uplinks.uplink_of)}
    assert by_row[0] is None
    assert by_row[1].reason == "length"
    assert "expected 9 bytes, got 2" in by_row[1].detail
    assert by_row[2].reason == "version"
    assert derived.readings.num_rows == 1


def test_a_status_message_gives_no_reading_but_a_status():
    derived = derive(log(delivery(fport=11, payload="1205020E1A0CF8002238005A", fcnt=3)), CODECS, REGISTRY)
    assert derived.readings.num_rows == 0
    assert derived.statuses.to_pylist() == [
        {
            "probe_id": 1,
            "heard_at": START,
            "fcnt": 3,
            "codec": "status-v1",
            "firmware_major": 5,
            "firmware_minor": 2,
            "reset_cause": 2,
            "supply_rest_v": 3.610,
            "supply_transmit_v": 3.320,
            "hours_since_power_up": 8760.0,
            "transmissions": 9000.0,
        }
    ]


def test_a_measurement_gives_a_reading_and_no_status():
    derived = derive(log(delivery(payload=MOIST)), CODECS, REGISTRY)
    assert (derived.readings.num_rows, derived.statuses.num_rows) == (1, 0)


def test_no_deliveries_give_no_readings_of_the_same_shape():
    derived = derive(log(), CODECS, REGISTRY)
    assert derived.readings.num_rows == derived.statuses.num_rows == 0
    told = [(field.name, field.type) for field in derived.readings.schema]
    assert told == [(c.name, c.arrow) for c in READING.columns if c.name != "provenance_id"] + [("made_by", pa.int64())]
    assert [(field.name, field.type) for field in derived.statuses.schema] == [
        (c.name, c.arrow) for c in STATUS.columns
    ]


# --- the registry and what came before ----------------------------------------------------------------------------


def test_an_uplink_stays_with_the_registry_state_under_which_it_was_first_delivered():
    moved = state(placements=(placement(label="row 7"),))
    both = registry(state(), moved)
    derived = derive(
        log(delivery(0, reference=2), delivery(1, reference=1), delivery(60, fcnt=8, reference=2)), CODECS, both
    )
    assert [row["made_by"]["reference_id"] for row in readings(derived)] == [1, 2]
    assert [row["made_by"]["placement_digest"] for row in readings(derived)] == [
        content_digest(placement()),
        content_digest(placement(label="row 7")),
    ]


def test_checks_see_the_neighbours_in_time_and_not_in_the_log():
    """Half way, a spike of 500 counts, half way again: delivered in another order."""
    table = log(
        *(
            delivery(60 * hour, fcnt=hour, payload=measurement_v1(count))
            for hour, count in [(1, 2350), (2, 1850), (0, 1850)]
        )
    )
    assert words(row["spike_flag"] for row in readings(derive(table, CODECS, REGISTRY))) == "?s?"


def test_a_soil_that_was_frozen_before_the_window_is_frozen_until_it_thaws():
    table = log(*(delivery(60 * hour, fcnt=hour, payload=measurement_v1(1850, 0.3)) for hour in range(2)))
    assert words(row["frost_flag"] for row in readings(derive(table, CODECS, REGISTRY))) == "ss"
    seeded = derive(table, CODECS, REGISTRY, {(1, 0): True, (2, 0): True})
    assert words(row["frost_flag"] for row in readings(seeded)) == "FF"


# --- any order, any split -----------------------------------------------------------------------------------------

payloads = st.one_of(
    st.builds(measurement_v1, st.sampled_from([1850, 1900, 2350]), st.sampled_from([15.0, 0.25, -1.0])),
    st.lists(st.sampled_from([1850, 1900, 2350]), min_size=1, max_size=3).map(lambda counts: measurement_v3(*counts)),
)
deliveries = st.lists(
    st.builds(
        lambda probe_number, hour, late, **told: delivery(60 * hour + late, probe=probe_number, fcnt=hour, **told),
        st.integers(1, 3),
        st.integers(0, 5),
        st.sampled_from([0, 2, 12]),
        payload=payloads,
        clock=st.sampled_from(["network", "network", "ours"]),
    ),
    min_size=1,
    max_size=12,
)


def by_probe(rows):
    return {number: [row for row in rows if row["probe_id"] == number] for number in (1, 2, 3)}


@settings(max_examples=40, deadline=None)
@given(data=st.data(), told=deliveries)
def test_any_order_of_deliveries_gives_the_same_readings(data, told):
    """Readings depend on the set of uplinks alone; what is delivered again changes nothing."""
    shuffled = data.draw(st.permutations(told))
    once, again = derive(log(*told), CODECS, REGISTRY), derive(log(*shuffled, *told[:3]), CODECS, REGISTRY)
    assert once.readings.equals(again.readings)
    assert once.provenance == again.provenance
    assert [span.tolist() for span in once.span_us] == [span.tolist() for span in again.span_us]


@settings(max_examples=40, deadline=None)
@given(data=st.data(), told=deliveries)
def test_any_split_into_probes_gives_the_same_readings_as_all_at_once(data, told):
    """A probe's readings never depend on another's: the fleet can be cut over processes."""
    share = data.draw(st.fixed_dictionaries({number: st.integers(0, 1) for number in (1, 2, 3)}))
    together = readings(derive(log(*told), CODECS, REGISTRY))
    parts = [[row for row in told if share[row.column("probe_id")[0].as_py()] == part] for part in (0, 1)]
    apart = [row for part in parts for row in readings(derive(log(*part), CODECS, REGISTRY))]
    assert by_probe(together) == by_probe(apart)
    assert len(together) == len(apart)


def test_no_deliveries_give_no_readings_even_before_any_registry():
    derived = derive(log(), CODECS, Registry({}, Catalogue()))
    assert (derived.readings.num_rows, derived.statuses.num_rows, derived.provenance) == (0, 0, [])
