"""The registry folder: everything is checked, every fault is told with its place, and one fault loads nothing."""

import pytest

from loamline.edges.registry_fault import Fault
from loamline.edges.registry_folder import read_registry
from loamline_schemas.limits import LimitLayer
from loamline_schemas.registry import USDA_TEXTURES
from tests.core.registry_builder import at, dev_eui, placement, probe, site, topp, transducer

GOOD = {
    "sites.csv": """\
site,customer,latitude_deg,longitude_deg,time_zone
North Field,a grower,52.0,5.5,Europe/Amsterdam
""",
    "probes.csv": f"""\
dev_eui,serial,hardware,made_on,air_count,water_count,count_per_k
{dev_eui(1)},S-0001,B,2025-06-01,340,3340,-2
{dev_eui(2)},S-0002,B,2025-06-01,,,
""",
    "placements.csv": f"""\
dev_eui,depth_index,site,label,depth_cm,texture,valid_from,valid_to,curve,deficit_below,excess_above
{dev_eui(1)},0,North Field,row 4,10,loam,2026-03-01T00:00:00Z,,,,
{dev_eui(2)},0,North Field,row 5,10,loam,2026-03-01T00:00:00Z,2026-06-01T00:00:00Z,topp-1980,0.15,0.4
{dev_eui(2)},0,North Field,row 6,10,loam,2026-06-01T00:00:00Z,,,,
""",
    "curves.toml": """\
[[curve]]
id = "transducer-b"
step = "transducer"
kind = "polynomial"
coefficients = [1, 18, 40]
domain = [0, 1]
for = "B"
valid_from = 2026-03-01T00:00:00Z

[[curve]]
id = "topp-1980"
step = "soil"
kind = "topp1980"
domain = [1, 81]
valid_from = "2026-03-01T00:00:00Z"
""",
    "limits.toml": f"""\
[limits]
spike_fail = 0.2

[texture."silt loam"]
spike_fail = 0.25

[probe."{dev_eui(1).lower()}"]
stuck_counts = 2
""",
}
TEXTURES = f"one of the 12 USDA texture classes ({', '.join(USDA_TEXTURES)})"
KINDS = "'topp1980', 'ledieu1986', 'malicki1996', 'mixing', 'polynomial' or 'table'"
JUNE, LATER = "2026-06-01T00:00:00+00:00", "2026-06-02T00:00:00+00:00"
#: A placement in the soil that limits.toml has a layer for.
SILTY = GOOD["placements.csv"].replace("row 4,10,loam", "row 4,10,silt loam")


@pytest.fixture
def read(tmp_path):
    """Return a function that reads the good folder with some files put otherwise; None leaves a file out."""

    def reader(**changes):
        for name, content in {**GOOD, **{key.replace("_", "."): told for key, told in changes.items()}}.items():
            if content is not None:
                (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_registry(tmp_path)

    return reader


@pytest.fixture
def faults(read):
    """Return a function that gives the faults of a folder, and is sure that they kept everything from loading."""

    def reader(**changes):
        state, found = read(**changes)
        assert state is None
        assert found
        return found

    return reader


def but(name, old, new):
    """Return the good file with one text replaced."""
    assert GOOD[name].count(old) == 1
    return GOOD[name].replace(old, new)


# --- a valid folder -----------------------------------------------------------------------------------------------


def test_a_valid_folder_gives_its_rows_and_no_fault(read):
    state, found = read()
    assert found == []
    assert state.sites == (site(),)
    assert state.probes == (probe(1), probe(2, air_count=None, water_count=None, count_per_k=None))
    assert state.placements == (
        placement(1),
        placement(
            2,
            label="row 5",
            valid_to="2026-06-01T00:00:00Z",
            curve="topp-1980",
            deficit_below=0.15,
            excess_above=0.4,
        ),
        placement(2, label="row 6", valid_from="2026-06-01T00:00:00Z"),
    )
    assert state.curves == (transducer(), topp())
    assert state.limits.probe == {dev_eui(1): (LimitLayer(stuck_counts=2),)}
    assert (state.soils, state.crops) == ((), ())


def test_a_spreadsheets_byte_order_mark_and_line_ends_do_no_harm(read):
    state, _ = read(sites_csv=b"\xef\xbb\xbf" + GOOD["sites.csv"].replace("\n", "\r\n").encode())
    assert state.sites == (site(),)


def test_columns_may_stand_in_any_order_optional_ones_be_left_out_and_lines_be_blank(read):
    sites = (
        "time_zone,site,longitude_deg,latitude_deg,customer\n\nEurope/Amsterdam, North Field ,5.5,52,a grower\n,,,,\n"
    )
    placements = "\n".join(line.rsplit(",", 4)[0] for line in GOOD["placements.csv"].splitlines()[:2])
    state, _ = read(sites_csv=sites, placements_csv=placements)
    assert state.sites == (site(),)
    assert state.placements[0].valid_to is None


def test_identifiers_are_the_same_in_upper_and_lower_case(read):
    state, _ = read(
        placements_csv=GOOD["placements.csv"].lower().replace("north field", "North Field").replace("z", "Z")
    )
    assert {row.dev_eui for row in state.placements} == {dev_eui(1), dev_eui(2)}


def test_an_empty_limits_file_means_the_shipped_limits(read):
    state, _ = read(limits_toml="")
    assert state.limits.limits == (LimitLayer(),)


# --- one fault each: file, line, column, expected, got ------------------------------------------------------------


@pytest.mark.parametrize("name", GOOD)
def test_a_missing_file_is_the_only_fault_told(faults, name):
    """What others may find in it is not held against them."""
    assert faults(**{name.replace(".", "_"): None}) == [
        Fault(name, None, "", "a file of this name in the folder", "none")
    ]


CASES = {
    "sites.csv": [
        ("52.0", "north", "2: latitude_deg: expected a number, got 'north'"),
        ("52.0", "", "2: latitude_deg: expected a value, got nothing"),
        ("52.0", "nan", "2: latitude_deg: expected a finite number, got 'nan'"),
        ("Europe/Amsterdam", "CEST", "2: time_zone: expected an IANA time zone such as Europe/Lisbon, got 'CEST'"),
        (",customer", "", "1: customer: expected this column in the header, got none"),
        ("52.0,5.5", "52.0;5.5", "2: expected 5 cells, got 4"),
        ("a grower", '"a grower', "2: expected comma-separated values (RFC 4180), got unexpected end of data"),
    ],
    "probes.csv": [
        ("-2", "", "2: expected air_count, water_count and count_per_k all three or none, got some of them"),
        ("S-0002", "S-0001", "3: serial: expected each serial once, got S-0001 again (line 2)"),
        ("2025-06-01,340", "45809,340", "2: made_on: expected a date such as 2026-05-01, got '45809'"),
        ("_per_k", "_per_k,hardware", "1: hardware: expected each column once, got it again"),
    ],
    "placements.csv": [
        (
            f"{dev_eui(1)},0",
            f"{dev_eui(3)},0",
            f"2: dev_eui: expected a probe of probes.csv, got '{dev_eui(3)}'",
        ),
        ("North Field,row 4", "Moor,row 4", "2: site: expected a site of sites.csv, got 'Moor'"),
        ("topp-1980", "transducer-b", "3: curve: expected a soil curve of curves.toml, got 'transducer-b'"),
        ("row 4,10,loam", "row 4,10,mud", f"2: texture: expected {TEXTURES}, got 'mud'"),
        ("row 4,10", "row 4,0", "2: depth_cm: expected greater than 0, got '0'"),
        (
            "loam,2026-03-01T00:00:00Z,,",
            "loam,2026-03-01,,",
            "2: valid_from: expected a time with its offset, such as 2026-05-01T10:00:00Z, got '2026-03-01'",
        ),
        (
            "2026-06-01T00:00:00Z,topp",
            "2026-06-02T00:00:00Z,topp",
            f"4: valid_from: expected a time after the placement of line 3 ends (valid_to {LATER}), got {JUNE}",
        ),
    ],
    "curves.toml": [
        ("[0, 1]", "[1, 0]", "1: expected domain [low, high] with low under high, got [1.0, 0.0]"),
        ('"topp1980"', '"topp80"', f"10: kind: expected one of {KINDS}, got 'topp80'"),
        ("[1, 81]", '[1, 81]\nfor = "mud"', f"10: for: expected \"*\" or {TEXTURES}, got 'mud'"),
        ("[0, 1]", "[0, 1", "7: expected TOML, got Unclosed array (at line 7, column 1)"),
    ],
    "limits.toml": [
        ("fail = 0.2\n", "fall = 0.2\n", "2: limits.spike_fall: expected no such field, got 0.2"),
        ("fail = 0.25", "fail = 0", "5: texture.silt loam.spike_fail: expected greater than 0, got 0"),
        ("spike_fail = 0.25", "vwc_fail = [0, 'wet']", "5: texture.silt loam.vwc_fail.1: expected a number, got 'wet'"),
        ("silt loam", "silty", " texture.\"silty\": expected a USDA texture class, got 'silty'"),
        ("fail = 0.25", "suspect = 0.25", " expected spike_suspect at most spike_fail, got 0.25 and 0.2"),
        (
            dev_eui(1).lower(),
            dev_eui(3),
            f" probe.\"{dev_eui(3)}\": expected a dev_eui of probes.csv, got '{dev_eui(3)}'",
        ),
    ],
}


@pytest.mark.parametrize(
    ("name", "old", "new", "expected"),
    [(name, *case) for name, cases in CASES.items() for case in cases],
    ids=[f"{name}:{expected}" for name, cases in CASES.items() for _, _, expected in cases],
)
def test_a_fault_is_told_in_one_line_with_file_line_column_expected_and_got(faults, name, old, new, expected):
    found = faults(**{"placements_csv": SILTY, name.replace(".", "_"): but(name, old, new)})
    assert [str(fault) for fault in found] == [f"{name}:{expected}"]


def test_a_fault_has_its_five_parts(faults):
    assert faults(sites_csv=but("sites.csv", "52.0", "north")) == [
        Fault("sites.csv", 2, "latitude_deg", "a number", "'north'")
    ]


def test_a_file_that_is_no_utf_8_is_told_with_the_place_of_the_first_wrong_byte(faults):
    (fault,) = faults(sites_csv=b"site\nGr\xfcn\n")
    assert (fault.file, fault.expected) == ("sites.csv", "a readable file in UTF-8")
    assert "byte 0xfc in position 7" in fault.got


def test_two_versions_of_a_curve_from_the_same_instant_are_a_fault(faults):
    """Nobody could say which of them made a figure."""
    twice = GOOD["curves.toml"] + GOOD["curves.toml"].split("\n\n")[1]
    since = at("2026-03-01T00:00:00Z").isoformat()
    assert faults(curves_toml=twice) == [
        Fault("curves.toml", 16, "id", f"one 'topp-1980' from {since} on", "another in line 10")
    ]


def test_two_transducer_curves_for_one_hardware_from_the_same_instant_are_a_fault(faults):
    twice = GOOD["curves.toml"] + GOOD["curves.toml"].split("\n\n")[0].replace("transducer-b", "transducer-c")
    since = at("2026-03-01T00:00:00Z").isoformat()
    assert faults(curves_toml=twice) == [
        Fault("curves.toml", 16, "for", f"one transducer curve for 'B' from {since} on", "another in line 1")
    ]


def test_one_probe_in_upper_and_in_lower_case_has_two_limits(faults):
    twice = GOOD["limits.toml"] + f'\n[probe."{dev_eui(1)}"]\nstuck_counts = 3\n'
    assert faults(limits_toml=twice) == [
        Fault("limits.toml", None, "probe", "each dev_eui once", "one in upper and in lower case")
    ]


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        ("[curve]\nid = 'x'\n", Fault("curves.toml", None, "curve", "[[curve]], a list of tables", "one table")),
        ("curve = [1]\n", Fault("curves.toml", 1, "", "an object", "1")),
        ("[curves]\n", Fault("curves.toml", None, "curves", "[[curve]] tables only", "[curves]")),
    ],
)
def test_a_curve_file_of_another_shape_is_told_so(faults, content, fault):
    assert fault in faults(curves_toml=content)


# --- many faults --------------------------------------------------------------------------------------------------


def test_every_fault_is_told_at_once_in_order_of_file_and_line(faults):
    found = faults(
        sites_csv=but("sites.csv", "52.0,5.5", "152.0,505"),
        probes_csv=but("probes.csv", "S-0002", "S-0001").replace("2025-06-01,340", "soon,340"),
        placements_csv=but("placements.csv", "North Field,row 6", "South Field,row 6").replace("row 4,10", "row 4,-1"),
        curves_toml=but("curves.toml", '"topp1980"', '"topp80"'),
        limits_toml=but("limits.toml", "spike_fail = 0.2\n", "spike_fail = -1\n"),
    )
    assert [(fault.file, fault.line, fault.column) for fault in found] == [
        ("sites.csv", 2, "latitude_deg"),
        ("sites.csv", 2, "longitude_deg"),
        ("probes.csv", 2, "made_on"),
        ("placements.csv", 2, "depth_cm"),
        ("placements.csv", 4, "site"),
        ("curves.toml", 10, "kind"),
        ("limits.toml", 2, "limits.spike_fail"),
    ]


def test_a_row_with_a_fault_of_its_own_is_still_there_for_others_to_refer_to(faults):
    """One wrong latitude is one fault, not one more for every placement on that site; so with probes and curves."""
    assert [fault.column for fault in faults(sites_csv=but("sites.csv", "52.0", "north"))] == ["latitude_deg"]
    assert [fault.column for fault in faults(probes_csv=but("probes.csv", ",2025-06-01,340", ",soon,340"))] == [
        "made_on"
    ]
    assert [fault.column for fault in faults(curves_toml=but("curves.toml", "[1, 81]", "[81]"))] == ["domain.1"]
