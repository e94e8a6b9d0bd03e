"""`loamline profile`: the water of a root zone in mm, worked by hand and against an integral of the line of readings.

Water contents by Topp et al. 1980: permittivity 20 gives 0.3454 m3/m3, 12 gives 0.2256304. Total and readily
available water by FAO-56 (Eq. 82 and 83), soil water of loam by Saxton & Rawls 2006, Table 3: 0.14, 0.28, 0.46.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import timedelta

import pytest
from scipy.integrate import quad

from loamline.edges.store.connection import Store
from loamline.edges.store.profiles import SCHEMA, Span, site_hours
from loamline.edges.store.registry import save_state
from loamline_schemas.registry import CropRow, SoilRow
from loamline_schemas.verdicts import Verdict

SINCE = "2020-01-01T00:00:00Z"
SHALLOW, DEEP = 0.3454, 0.2256304


@pytest.fixture
def profile(loamline):
    """Return a function that gives the rows of `loamline profile --json`."""

    def told(store, *arguments):
        result = loamline("profile", "--store", store, "--json", *arguments)
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    return told


def crop(site="Pear orchard", **changes):
    told = {"site": site, "crop": "pears of our own", "valid_from": SINCE, "root_depth_m": 0.5}
    return CropRow.model_validate({**told, "depletion_fraction": 0.4, **changes})


def layer(**changes):
    told = {"site": "Pear orchard", "top_cm": 0, "bottom_cm": 20, "valid_from": SINCE}
    water = {"wilting_point": 0.12, "field_capacity": 0.30, "saturation": 0.46}
    return SoilRow.model_validate({**told, **water, **changes})


def heard(stores, minutes, *permittivities):
    """Return an uplink of the profile probe, whose depths are 15 and 30 cm, so many minutes after the start."""
    uplink = stores.v4(stores.PROFILE, minutes, list(permittivities))
    return uplink.model_copy(update={"heard_at": stores.START + timedelta(minutes=minutes)})


def test_one_hour_of_one_probe_worked_by_hand(stores, profile):
    """Depths 15 and 30 cm, roots to 50 cm; a measured layer to 20 cm, loam under it.

    Storage: 0.3454 (150 + 150/2) + 0.2256304 (150/2 + 200) mm. Wilting point: 0.12 * 200 + 0.14 * 300 = 66 mm; field
    capacity: 0.30 * 200 + 0.28 * 300 = 144 mm; readily available 0.4 of their difference.
    """
    base = replace(stores.registry(), soils=(layer(),), crops=(crop(),))
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0, 12.0])], registry=base)
    (row,) = profile(path)
    assert list(row) == SCHEMA.names
    storage = SHALLOW * 225 + DEEP * 275
    assert row == {
        "site": "Pear orchard",
        "hour": "2026-05-01T00:00:00Z",
        "root_depth_m": 0.5,
        "storage_mm": pytest.approx(storage, rel=1e-12),
        "wilting_point_mm": pytest.approx(66),
        "field_capacity_mm": pytest.approx(144),
        "depletion_mm": pytest.approx(144 - storage, rel=1e-12),
        "total_available_mm": pytest.approx(78),
        "readily_available_mm": pytest.approx(0.4 * 78),
        "probes": 1,
        "silent_probes": 0,
    }


@pytest.mark.parametrize("root_depth_m", [0.1, 0.2, 0.3, 0.75])
def test_storage_is_the_integral_of_the_line_through_the_depths(stores, profile, root_depth_m):
    """Against adaptive quadrature of the exported water contents, whatever the roots reach."""
    base = replace(stores.registry(), crops=(crop(root_depth_m=root_depth_m),))
    hours = range(6)
    uplinks = [stores.v4(stores.PROFILE, hour, [20.0 - hour, 12.0 + hour / 2]) for hour in hours]
    path = stores.make(uplinks, registry=base)
    with Store.open(path, writable=False) as store:
        vwc = store.con.execute("SELECT vwc_m3_m3 FROM reading ORDER BY measured_at, depth_index").fetchall()
    rows = profile(path)
    assert len(rows) == len(hours)
    for row, (above,), (below,) in zip(rows, vwc[::2], vwc[1::2], strict=True):

        def line(z_m, above=above, below=below):
            return above + (below - above) * min(max((z_m - 0.15) / 0.15, 0.0), 1.0)

        inside = [z for z in (0.15, 0.3) if z < root_depth_m]
        integral, _ = quad(line, 0, root_depth_m, points=inside or None)
        assert row["storage_mm"] == pytest.approx(1000 * integral, abs=1e-6)


def test_without_layer_and_crop_texture_and_common_practice_hold(stores, profile):
    """Loam, 0.6 m, p = 0.5: TAW 0.14 * 600 = 84 mm, RAW 42 mm."""
    (row,) = profile(stores.make([stores.v4(stores.PROFILE, 0, [20.0, 12.0])]))
    assert (row["root_depth_m"], row["probes"]) == (0.6, 1)
    assert (row["total_available_mm"], row["readily_available_mm"]) == pytest.approx((84, 42))


def test_a_depth_without_a_reading_that_counts_leaves_the_hour_unknown_and_the_probe_silent(stores, profile):
    """Permittivity 95 is no soil: there is no water content, and no storage is made up."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0, 95.0]), stores.v4(stores.PROFILE, 1, [20.0, 12.0])])
    silent, known = profile(path)
    assert (silent["storage_mm"], silent["total_available_mm"], silent["root_depth_m"]) == (None, None, None)
    assert (silent["probes"], silent["silent_probes"]) == (0, 1)
    assert (known["probes"], known["silent_probes"]) == (1, 0)
    assert known["storage_mm"] is not None


def test_a_site_s_row_is_the_mean_over_its_probes_that_have_a_storage(stores, profile):
    """Two probes at the orchard: one at 20 cm, which stands for the whole root zone, one at 15 and 30 cm."""
    uplinks = [stores.v1(stores.PEARS, 0, 1850), stores.v4(stores.PROFILE, 0, [20.0, 12.0])]
    uplinks += [stores.v1(stores.PEARS, 1, None), stores.v4(stores.PROFILE, 1, [20.0, 12.0])]
    path = stores.make(uplinks)
    both, one = profile(path, "--site", "pear orchard")
    with Store.open(path, writable=False) as store:
        single = store.scalar("SELECT vwc_m3_m3 FROM reading WHERE moisture_count = 1850")
    pair = SHALLOW * 225 + DEEP * 375
    assert both["storage_mm"] == pytest.approx((single * 600 + pair) / 2, rel=1e-12)
    assert (both["probes"], both["silent_probes"]) == (2, 0)
    assert one["storage_mm"] == pytest.approx(pair, rel=1e-12)
    assert (one["probes"], one["silent_probes"]) == (1, 1)


def test_rows_come_in_order_of_time_and_then_of_site(stores, profile, season_store):
    rows = profile(season_store)
    assert [(row["hour"], row["site"]) for row in rows] == sorted((row["hour"], row["site"]) for row in rows)
    assert {row["site"] for row in rows} == {"North field", "Pear orchard"}
    assert len({(row["hour"], row["site"]) for row in rows}) == len(rows)


@pytest.mark.parametrize("batch_rows", [1, 2, 7, 2048])
def test_the_rows_do_not_depend_on_where_the_stream_is_cut(season_store, batch_rows):
    """An hour is worked off once all of it is read, however small the batches."""
    with Store.open(season_store, writable=False) as store:
        whole = site_hours(store, Span()).read_all()
        assert site_hours(store, Span(), batch_rows=batch_rows).read_all().equals(whole)


def test_several_readings_of_a_depth_within_the_hour_are_averaged_first(stores, profile):
    (row,) = profile(stores.make([heard(stores, 1, 20.0, 12.0), heard(stores, 50, 12.0, 12.0)]))
    assert row["storage_mm"] == pytest.approx((SHALLOW + DEEP) / 2 * 225 + DEEP * 375, rel=1e-12)


def test_whole_hours_that_begin_in_the_span_are_told(stores, profile):
    """From 01:30 on, the hour from 02:00 is the first whole one; one that begins before 03:30 is still told."""
    path = stores.make([stores.v4(stores.PROFILE, hour, [20.0, 12.0]) for hour in range(6)])
    rows = profile(path, "--since", "2026-05-01T01:30:00Z", "--until", "2026-05-01T03:30:00Z")
    assert [row["hour"] for row in rows] == ["2026-05-01T02:00:00Z", "2026-05-01T03:00:00Z"]
    assert len(profile(path, "--since", "0001-01-01", "--until", "9999-12-31T23:59:59Z")) == 6


def test_only_readings_that_pass_count_unless_others_are_named(stores, profile):
    """Frozen soil reads falsely dry, and fails."""
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0, 12.0], -3.0), stores.v4(stores.PROFILE, 9, [20.0, 12.0])])
    assert [row["storage_mm"] is None for row in profile(path)] == [True, False]
    assert [row["storage_mm"] is None for row in profile(path, "--verdict", "fail")] == [False, True]
    every = profile(path, "--verdict", "pass", "--verdict", "fail")
    assert [row["storage_mm"] for row in every] == pytest.approx([SHALLOW * 225 + DEEP * 375] * 2)


def test_soil_and_crop_are_those_that_the_registry_tells_now_each_from_its_own_day_on(stores, profile):
    """A layer told later holds for the past that it names; a crop changes at the hour it is valid from."""
    path = stores.make([stores.v4(stores.PROFILE, hour, [20.0, 12.0]) for hour in range(4)])
    turn = (stores.START + timedelta(hours=2)).isoformat()
    crops = (crop(root_depth_m=0.3, valid_to=turn), crop(root_depth_m=0.5, valid_from=turn))
    with Store.open(path) as store:
        save_state(store, replace(stores.registry(), soils=(layer(),), crops=crops), "soil and crops, told late")
    rows = profile(path)
    assert [row["root_depth_m"] for row in rows] == [0.3, 0.3, 0.5, 0.5]
    assert [row["wilting_point_mm"] for row in rows] == pytest.approx([38, 38, 66, 66])


def test_csv_holds_the_same_figures_as_json(stores, profile, loamline, season_store, tmp_path):
    out = tmp_path / "profile.csv"
    result = loamline("profile", "--store", season_store, "--out", out)
    rows = profile(season_store)
    assert (result.exit_code, result.stdout) == (0, f"{len(rows)} site hours in {out}\n")
    content = out.read_bytes().decode()
    assert loamline("profile", "--store", season_store, "--out", "-").stdout_bytes.decode() == content
    read = list(csv.DictReader(io.StringIO(content)))
    assert list(read[0]) == SCHEMA.names
    for row, cells in zip(rows, read, strict=True):
        assert (cells["site"], cells["hour"]) == (row["site"], row["hour"])
        assert cells["storage_mm"] == ("" if row["storage_mm"] is None else repr(row["storage_mm"]))


def test_people_get_a_table_with_units(stores, loamline):
    path = stores.make([stores.v4(stores.PROFILE, 0, [20.0, 12.0]), stores.v4(stores.PROFILE, 1, [20.0, 95.0])])
    heading, units, known, unknown = loamline("profile", "--store", path).stdout.splitlines()
    assert heading.split("  ")[0] == "hour (UTC)"
    assert units.split() == ["mm", "mm", "mm", "mm", "m"]
    assert known.split() == ["2026-05-01T00:00Z", "162.3", "5.7", "42.0", "84.0", "0.60", "1", "0", "Pear", "orchard"]
    assert unknown.split() == ["2026-05-01T01:00Z", *"-----", "0", "1", "Pear", "orchard"]


def test_an_empty_span_is_an_empty_list_and_a_sentence(stores, profile, loamline):
    path = stores.make()
    assert profile(path) == []
    assert "no readings of placed probes in that span" in loamline("profile", "--store", path).stdout
    assert loamline("profile", "--store", path, "--out", "-").stdout == ",".join(SCHEMA.names) + "\n"


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--since", "2026-05-02", "--until", "2026-05-01"], 2,
         "expected --since before --until, got 2026-05-02T00:00:00Z and 2026-05-01T00:00:00Z"),
        (["--json", "--out", "a.csv"], 2, "expected one of --json and --out, got both"),
        (["--out", "a.xlsx"], 2, "expected --out with the suffix .csv, or -, got a.xlsx"),
        (["--site", "Pear orchid"], 1,
         "expected a site in the store, got 'Pear orchid'; near it: Pear orchard"),
    ],
)  # fmt: skip
def test_wrong_options_are_refused_in_one_sentence(stores, loamline, arguments, code, sentence):
    result = loamline("profile", "--store", stores.make(), *arguments)
    assert (result.exit_code, result.stderr) == (code, sentence + "\n")


def test_an_unknown_verdict_is_told_with_those_there_are(stores, loamline):
    result = loamline("profile", "--store", stores.make(), "--verdict", "good")
    assert result.exit_code == 2
    assert "got 'good'" in result.stderr
    assert all(verdict.word in result.stderr for verdict in Verdict)


def test_the_help_documents_the_formula_and_ends_with_an_example(loamline):
    text = " ".join(loamline("profile", "--help").stdout.split())
    assert "storage = vwc1 (z1 + (z2 - z1)/2) + vwc2 (z3 - z1)/2 + vwc3 ((z3 - z2)/2 + Zr - z3)" in text
    assert "Example: loamline profile --store soil.duckdb" in text
