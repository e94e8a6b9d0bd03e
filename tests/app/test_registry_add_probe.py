"""`loamline registry add-probe`: from a QR code's text to a row that the folder's loading takes."""

import json

import pytest

from loamline.core.qr import crc16_modbus
from tests.app.test_registry_command import FOLDER

BARE = "LW:D0:02AA0000000000F0:02AA000000000041:AABB1122:SS-0041:PV2"
QR = f"{BARE}:C{crc16_modbus(BARE.encode()):04X}"
MADE = ("--hardware", "B", "--made-on", "2026-02-14")


@pytest.fixture
def folder(tmp_path):
    for name, content in FOLDER.items():
        (tmp_path / name).write_text(content)
    return tmp_path


@pytest.fixture
def refused(loamline, folder):
    """Return a function that runs the command, is sure that nothing was written, and gives code and sentence."""

    def runner(*arguments):
        before = (folder / "probes.csv").read_bytes()
        done = loamline("registry", "add-probe", *arguments)
        assert done.exit_code != 0
        assert done.stdout == ""
        assert (folder / "probes.csv").read_bytes() == before
        assert len(done.stderr.strip().splitlines()) == 1
        return done.exit_code, done.stderr.strip()

    return runner


def test_a_probe_is_added_and_the_folder_loads_with_it(loamline, folder, tmp_path):
    counts = ("--air-count", "350", "--water-count", "3350", "--count-per-k", "-1.5")
    done = loamline("registry", "add-probe", "--qr", QR, "--dir", folder, *MADE, *counts)
    assert done.exit_code == 0, done.stderr
    assert done.stdout.splitlines()[-1] == f"added as line 3 of {folder / 'probes.csv'}; load the folder to use it"
    assert (folder / "probes.csv").read_text() == (
        FOLDER["probes.csv"] + "02AA000000000041,S-0041,B,2026-02-14,350.0,3350.0,-1.5\n"
    )
    loaded = loamline("registry", "load", folder, "--store", tmp_path / "soil.duckdb", "--json")
    assert json.loads(loaded.stdout)["tables"]["probe"]["added"] == 2


def test_as_json_it_says_what_the_text_says_and_where_the_row_stands(loamline, folder):
    done = loamline("registry", "add-probe", "--qr", QR, "--dir", folder, *MADE, "--json")
    assert json.loads(done.stdout) == {
        "dev_eui": "02AA000000000041",
        "join_eui": "02AA0000000000F0",
        "profile_id": "AABB1122",
        "vendor_id": "AABB",
        "vendor_profile_id": "1122",
        "owner_token": None,
        "serial": "S-0041",
        "proprietary": "V2",
        "checksum": QR[-4:],
        "file": str(folder / "probes.csv"),
        "line": 3,
    }


def test_show_only_says_what_the_text_says(loamline, folder):
    before = (folder / "probes.csv").read_bytes()
    done = loamline("registry", "add-probe", "--qr", QR, "--dir", folder, "--show")
    assert done.exit_code == 0
    assert f"checksum           {QR[-4:]}, verified" in done.stdout
    assert (folder / "probes.csv").read_bytes() == before


def test_a_text_without_a_checksum_is_taken_and_told_as_such(loamline):
    done = loamline("registry", "add-probe", "--qr", BARE, "--show")
    assert "checksum           none" in done.stdout


def test_a_serial_that_the_text_leaves_out_comes_from_the_option(loamline, folder):
    text = "LW:D0:02AA0000000000F0:02AA000000000041:AABB1122"
    done = loamline("registry", "add-probe", "--qr", text, "--dir", folder, *MADE, "--serial", "S-0042")
    assert done.exit_code == 0, done.stderr
    assert (folder / "probes.csv").read_text().splitlines()[-1].startswith("02AA000000000041,S-0042,B,")


def test_a_wrong_checksum_is_told_with_the_right_one_and_its_place(refused, folder):
    wrong = f"{BARE}:C0000"
    assert refused("--qr", wrong, "--dir", folder, *MADE) == (
        2,
        (
            f"expected {QR[-4:]}, the CheckSum of all before it, at character {len(wrong) - 3} of the QR text, "
            "got '0000'; nothing was written"
        ),
    )


def test_a_text_that_is_none_of_a_probe_is_refused(refused, folder):
    code, told = refused("--qr", "https://example.org", "--dir", folder, *MADE)
    assert (code, told) == (2, "expected LW at character 1 of the QR text, got 'https'; nothing was written")


def test_a_known_probe_is_refused_with_its_line(refused, folder):
    known = "LW:D0:02AA0000000000F0:02AC000000000001:AABB1122:SS-0041"
    assert refused("--qr", known, "--dir", folder, *MADE) == (
        1,
        "probes.csv:2: dev_eui: expected a new probe, got 02AC000000000001 again; nothing was written",
    )


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (
            (),
            "--hardware: expected a value, got nothing; --made-on: expected a value, got nothing; nothing was written",
        ),
        (
            ("--hardware", "B", "--made-on", "lately"),
            "--made-on: expected a date such as 2026-05-01, got 'lately'; nothing was written",
        ),
        (
            (*MADE, "--air-count", "340"),
            "expected air_count, water_count and count_per_k all three or none, got some of them; nothing was written",
        ),
        (
            (*MADE, "--serial", "S-0042"),
            "expected --serial S-0041, as the QR code says, got S-0042; nothing was written",
        ),
    ],
    ids=["nothing told", "no date", "half a record", "another serial"],
)
def test_options_that_make_no_record_are_told_by_their_names(refused, folder, options, expected):
    assert refused("--qr", QR, "--dir", folder, *options) == (2, expected)


def test_without_a_folder_only_showing_is_possible(refused):
    assert refused("--qr", QR, *MADE) == (
        2,
        "expected --dir with the registry folder, or --show, got neither; nothing was written",
    )


def test_a_folder_without_probes_is_told_so(refused, folder):
    code, told = refused("--qr", QR, "--dir", folder / "elsewhere", *MADE)
    assert (code, told) == (1, f"expected probes.csv in {folder / 'elsewhere'}, found none; nothing was written")
