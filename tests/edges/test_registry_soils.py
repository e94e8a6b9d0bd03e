"""Soils, crops, records made again and dated limits in a registry folder: what agrees, and what is told otherwise."""

import pytest

from loamline.edges.registry_folder import read_registry
from tests.core.registry_builder import at, crop, dev_eui, probe, soil
from tests.edges.test_registry_folder import GOOD

SOILS = "site,top_cm,bottom_cm,valid_from,valid_to,texture,sand_percent,clay_percent,wilting_point,field_capacity\n"
CROPS = "site,crop,valid_from,valid_to,root_depth_m,depletion_fraction\n"
SPRING, JUNE = "2026-03-01T00:00:00Z", "2026-06-01T00:00:00Z"


@pytest.fixture
def read(tmp_path):
    """Return a function that reads the good folder with some files put otherwise."""

    def reader(**changes):
        for name, content in {**GOOD, **{key.replace("_", "."): told for key, told in changes.items()}}.items():
            (tmp_path / name).write_text(content)
        return read_registry(tmp_path)

    return reader


def faults(read, **changes):
    state, found = read(**changes)
    assert state is None
    return [str(fault) for fault in found]


# --- what agrees --------------------------------------------------------------------------------------------------


def test_both_files_are_read_where_they_are_there(read):
    layers = f"North Field,0,30,{SPRING},,loam,,,,\nNorth Field,30,60,{SPRING},,clay,,,,\n"
    state, found = read(soils_csv=SOILS + layers, crops_csv=f"{CROPS}North Field,barley,{SPRING},,,\n")
    assert found == []
    assert state.soils == (soil(), soil(top_cm=30, bottom_cm=60, texture="clay"))
    assert state.crops == (crop("barley"),)


def test_a_corrected_soil_follows_the_one_it_corrects(read):
    layers = f"North Field,0,30,{SPRING},{JUNE},loam,,,,\nNorth Field,0,30,{JUNE},,loam,40,20,,\n"
    state, _ = read(soils_csv=SOILS + layers)
    assert [row.valid_to for row in state.soils] == [at(JUNE), None]


def test_a_crop_that_the_table_does_not_have_is_welcome_with_its_own_figures(read):
    state, _ = read(crops_csv=f"{CROPS}North Field,sainfoin,{SPRING},,1.5,0.55\n")
    assert state.crops == (crop("sainfoin", root_depth_m=1.5, depletion_fraction=0.55),)


def test_a_record_made_again_is_a_second_row_of_the_probe(read):
    lines = GOOD["probes.csv"].splitlines()
    again = "\n".join([f"{lines[0]},valid_from", f"{lines[1]},", f"{lines[2]},", f"{lines[1]},{JUNE}"])
    state, found = read(probes_csv=again.replace("340,3340,-2," + JUNE, "350,3350,-2," + JUNE))
    assert found == []
    assert state.probes[2] == probe(1, air_count=350, water_count=3350, valid_from=JUNE)


def test_a_layer_of_limits_may_be_an_array_of_dated_tables(read):
    toml = f"[[limits]]\nspike_fail = 0.2\n[[limits]]\nvalid_from = {JUNE}\nspike_fail = 0.3\n"
    state, _ = read(limits_toml=toml)
    assert [(layer.valid_from, layer.spike_fail) for layer in state.limits.limits] == [(None, 0.2), (at(JUNE), 0.3)]


# --- what does not ------------------------------------------------------------------------------------------------

SINCE_SPRING, SINCE_JUNE = "from 2026-03-01T00:00:00+00:00", "from 2026-06-01T00:00:00+00:00"


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([f"Moor,0,30,{SPRING},,loam,,,,"], "soils.csv:2: site: expected a site of sites.csv, got 'Moor'"),
        (
            [f"North Field,0,30,{SPRING},,loam,,,,", f"North Field,29,60,{JUNE},,clay,,,,"],
            (
                "soils.csv:3: valid_from: expected one layer of 'North Field' at a depth and time: line 2 has 0 to "
                f"30 cm {SINCE_SPRING}, got 29 to 60 cm {SINCE_JUNE}"
            ),
        ),
        (
            [f"North Field,0,30,{SPRING},,sand,40,20,,"],
            ("soils.csv:2: texture: expected loam, the class of sand 40 % and clay 20 %, or none, got 'sand'"),
        ),
        ([f"North Field,30,0,{SPRING},,loam,,,,"], "soils.csv:2: bottom_cm: expected greater than 0, got '0'"),
    ],
    ids=["unknown site", "two layers at one depth", "class of other particles", "upside down"],
)
def test_a_soil_that_cannot_be_is_told_with_its_line_and_the_line_it_contradicts(read, lines, expected):
    assert faults(read, soils_csv=SOILS + "\n".join(lines)) == [expected]


def test_a_measured_figure_that_contradicts_the_computed_ones_is_told_with_where_they_are_from(read):
    (told,) = faults(read, soils_csv=f"{SOILS}North Field,0,30,{SPRING},,sand,,,0.3,\n")
    assert told.startswith(
        "soils.csv:2: expected wilting_point under field_capacity under saturation, from 0 to 1 m3/m3"
    )
    assert "got wilting_point 0.3 (measured)" in told
    assert "Table 3, sand" in told


def test_layers_that_meet_in_depth_or_in_time_do_not_overlap(read):
    layers = [
        f"North Field,0,30,{SPRING},{JUNE},loam,,,,",
        f"North Field,30,60,{SPRING},,clay,,,,",
        f"North Field,0,30,{JUNE},,sand,,,,",
    ]
    assert read(soils_csv=SOILS + "\n".join(layers))[1] == []


def test_two_crops_at_one_site_and_time_are_told_with_both_lines(read):
    lines = f"North Field,barley,{SPRING},,,\nNorth Field,wheat winter,{JUNE},,1.5,0.5\n"
    assert faults(read, crops_csv=CROPS + lines) == [
        (
            f"crops.csv:3: valid_from: expected one crop at a time at 'North Field': line 2 has 'barley' "
            f"{SINCE_SPRING}, got 'wheat winter' {SINCE_JUNE}"
        )
    ]


def test_an_unknown_crop_is_told_with_near_ones(read):
    (told,) = faults(read, crops_csv=f"{CROPS}North Field,barly,{SPRING},,,\n")
    assert told.startswith("crops.csv:2: crop: expected a crop of FAO-56 Table 22, got 'barly'; close to it are barley")


def test_sites_that_cannot_be_read_are_not_held_against_soils_and_crops(read):
    told = faults(
        read,
        sites_csv=GOOD["sites.csv"].replace("customer", "grower"),
        soils_csv=f"{SOILS}North Field,0,30,{SPRING},,loam,,,,\n",
        crops_csv=f"{CROPS}North Field,barley,{SPRING},,,\n",
    )
    assert {line.split(":")[0] for line in told} == {"sites.csv"}


def test_two_records_of_a_probe_that_begin_together_are_a_fault(read):
    lines = GOOD["probes.csv"].splitlines()
    twice = faults(read, probes_csv="\n".join([*lines, lines[1]]))
    assert twice == [
        (
            "probes.csv:4: dev_eui: expected each dev_eui once, or valid_from in the later record, "
            f"got {dev_eui(1)} again (line 2)"
        )
    ]
    dated = [f"{lines[0]},valid_from", f"{lines[2]},", *[f"{lines[1]},{JUNE}"] * 2]
    assert faults(read, probes_csv="\n".join(dated)) == [
        (
            f"probes.csv:4: valid_from: expected one record of {dev_eui(1)} from 2026-06-01T00:00:00+00:00 on, "
            "got another in line 3"
        )
    ]


def test_a_fault_in_a_dated_layer_is_told_with_the_line_of_its_own_table(read):
    toml = (
        f'[limits]\n[[texture."silt loam"]]\nspike_fail = 0.2\n\n[[texture."silt loam"]]\nvalid_from = {JUNE}\n'
        "spike_fail = 0\n"
    )
    assert faults(read, limits_toml=toml) == [
        "limits.toml:7: texture.silt loam.1.spike_fail: expected greater than 0, got 0"
    ]


def test_layers_that_contradict_each_other_at_any_time_are_a_fault(read):
    toml = f'[[limits]]\n[[limits]]\nvalid_from = {JUNE}\nspike_fail = 0.1\n[texture."loam"]\nspike_suspect = 0.12\n'
    assert faults(read, limits_toml=toml) == [
        "limits.toml: expected spike_suspect at most spike_fail, got 0.12 and 0.1"
    ]
