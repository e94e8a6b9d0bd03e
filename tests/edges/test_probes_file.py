"""One row more for probes.csv: in the file's own order and line ends, or nothing at all."""

import pytest

from loamline.edges.probes_file import ProbesFileError, append_probe
from tests.core.registry_builder import dev_eui, probe

HEADER = "dev_eui,serial,hardware,made_on,air_count,water_count,count_per_k"
LINE = f"{dev_eui(1)},S-0001,B,2025-06-01,340,3340,-2"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "probes.csv"


def test_the_row_stands_at_the_end_in_the_order_of_the_files_own_columns(path):
    path.write_text("serial,made_on,hardware,dev_eui\nS-0001,2025-06-01,B,02AC000000000001\n")
    assert append_probe(path, probe(2, air_count=None, water_count=None, count_per_k=None)) == 3
    assert path.read_text().splitlines()[2] == f"S-0002,2025-06-01,B,{dev_eui(2)}"


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", [True, False])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_byte_order_mark_line_ends_and_what_stood_there_stay_as_they_were(path, end, last, mark):
    before = mark + (HEADER + end + LINE + (end if last else "")).encode()
    path.write_bytes(before)
    append_probe(path, probe(2))
    after = f"{dev_eui(2)},S-0002,B,2025-06-01,340.0,3340.0,-2.0{end}".encode()
    assert path.read_bytes() == before + (b"" if last else end.encode()) + after


@pytest.mark.parametrize(
    ("content", "row", "expected"),
    [
        (f"{HEADER}\n{LINE}\n", probe(1), f"probes.csv:2: dev_eui: expected a new probe, got {dev_eui(1)} again"),
        (
            f"{HEADER}\n{LINE.lower()}\n",
            probe(1, serial="other"),
            f"probes.csv:2: dev_eui: expected a new probe, got {dev_eui(1)} again",
        ),
        (
            f"{HEADER}\n{LINE}\n",
            probe(2, serial="S-0001"),
            "probes.csv:2: serial: expected a new probe, got S-0001 again",
        ),
        (
            "dev_eui,serial,hardware,made_on\n",
            probe(2),
            "probes.csv:1: expected the column air_count in the header, got none",
        ),
        ("", probe(2), "probes.csv:1: expected the column air_count in the header, got none"),
        (
            f'{HEADER}\n"open\n',
            probe(2),
            "probes.csv:2: expected comma-separated values (RFC 4180), got unexpected end of data",
        ),
    ],
    ids=["known", "known in lower case", "known serial", "no such column", "empty", "no CSV"],
)
def test_a_file_that_cannot_take_the_row_is_told_and_stays_as_it_is(path, content, row, expected):
    path.write_text(content)
    with pytest.raises(ProbesFileError) as problem:
        append_probe(path, row)
    assert str(problem.value) == expected
    assert path.read_text() == content


def test_a_column_that_no_probe_has_is_refused(path):
    path.write_text(f"{HEADER},colour\n")
    with pytest.raises(
        ProbesFileError, match=r"probes\.csv:1: expected dev_eui, .* each at most once, got .*,? colour"
    ):
        append_probe(path, probe(2))


def test_a_folder_without_the_file_gets_none(path):
    with pytest.raises(ProbesFileError, match=r"expected probes\.csv in .*, found none"):
        append_probe(path, probe(2))
    assert not path.exists()
