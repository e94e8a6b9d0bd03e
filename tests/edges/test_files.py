"""Files of canonical JSON: every line is an uplink or is told with its number, and nothing stops the rest."""

import gzip
import json

import pytest

from loamline.edges.files import read_lines
from loamline.edges.messages import Accepted, Rejected


def line(fcnt):
    return json.dumps({"dev_eui": "02AC000000000001", "fport": 10, "fcnt": fcnt, "payload_hex": "01"}).encode()


THREE = b"\n".join([line(1), line(2), line(3)]) + b"\n"


@pytest.fixture
def read(tmp_path):
    """Return a function that writes a file and tells of each line: its fcnt, or where and why it is none."""

    def reader(content, name="may.ndjson"):
        path = tmp_path / name
        path.write_bytes(content)
        return [told.uplink.fcnt if isinstance(told, Accepted) else told.detail for told in read_lines(path)]

    return reader


def test_a_plain_file_is_one_uplink_a_line(read):
    assert read(THREE) == [1, 2, 3]


def test_a_gzip_file_is_known_by_its_first_bytes_and_not_by_its_name(read):
    """RFC 1952: 1f 8b."""
    assert read(gzip.compress(THREE, mtime=0)) == [1, 2, 3]
    assert read(THREE, "plain.gz") == [1, 2, 3]


def test_gzip_files_put_behind_each_other_are_one(read):
    assert read(gzip.compress(THREE, mtime=0) + gzip.compress(line(4), mtime=0)) == [1, 2, 3, 4]


def test_the_last_line_needs_no_end(read):
    assert read(THREE.rstrip()) == [1, 2, 3]


def test_blank_lines_and_other_systems_line_ends_are_passed_over_and_counted(read):
    told = read(b"\n" + line(1) + b"\r\n\r\n   \n" + line(2) + b"\nrubbish\n")
    assert told[:2] == [1, 2]
    assert told[2].startswith("may.ndjson:6: expected JSON, got ")


@pytest.mark.parametrize("content", [b"", b"\n\n", gzip.compress(b"", mtime=0)])
def test_an_empty_file_holds_nothing(read, content):
    assert read(content) == []


def test_a_line_that_is_no_uplink_is_told_with_its_number_and_reason_and_the_rest_goes_on(read):
    told = read(line(1) + b"\n{}\n" + line(-3) + b"\n[1]\n" + line(2))
    assert told == [
        1,
        "may.ndjson:2: expected exactly one of payload_hex and payload_base64, got neither",
        "may.ndjson:3: fcnt: expected greater than or equal to 0, got -3",
        "may.ndjson:4[0]: expected an object, got 1",
        2,
    ]


@pytest.mark.parametrize(
    "content",
    [b'{"dev_eui": "\xff\xfe"}', b"\xc3", b"\x00\x01\x02", b'{"network": "\\ud800"}', b"[" * 5000, b"Infinity", b'"'],
    ids=["invalid UTF-8", "half a character", "binary", "half a surrogate", "too deep", "no JSON", "cut off"],
)
def test_whatever_stands_in_a_line_it_is_kept_as_it_came_and_told(tmp_path, content):
    path = tmp_path / "may.ndjson"
    path.write_bytes(line(1) + b"\n" + content + b"\n" + line(2) + b"\n")
    one, rubbish, two = read_lines(path)
    assert (one.uplink.fcnt, two.uplink.fcnt) == (1, 2)
    assert isinstance(rubbish, Rejected)
    assert (rubbish.source, rubbish.content) == ("may.ndjson:2", content)
    assert rubbish.detail.startswith("may.ndjson:2: expected ")


def test_an_uplink_keeps_the_bytes_that_it_came_in(tmp_path):
    path = tmp_path / "may.ndjson"
    path.write_bytes(b"  " + line(1) + b"  \n")
    (told,) = read_lines(path)
    assert told.envelope == line(1)


# --- damaged gzip files -------------------------------------------------------------------------------------------


def test_a_gzip_file_cut_short_gives_what_it_holds_and_tells_that_more_was_expected(read):
    whole = b"".join(line(number) + b"\n" for number in range(5000))
    packed = gzip.compress(whole, mtime=0)
    told = read(packed[: len(packed) // 2])
    count = len(told) - 1
    assert told[:-1] == list(range(count))
    assert count > 100
    assert told[-1].startswith(f"may.ndjson:{count + 1}: expected more of a gzip file, got ")


def test_a_gzip_file_without_its_checksum_is_told_though_every_line_came(read):
    told = read(gzip.compress(THREE, mtime=0)[:-8])
    assert told[:-1] == [1, 2, 3]
    assert told[-1].startswith("may.ndjson:4: expected more of a gzip file, got ")


def test_a_gzip_file_with_a_damaged_middle_is_told(read):
    packed = bytearray(gzip.compress(b"".join(line(number) + b"\n" for number in range(5000))))
    packed[len(packed) // 2 :] = b"\xff" * 40
    told = read(bytes(packed))
    assert told[:1000] == list(range(1000))
    assert "expected more of a gzip file, got " in told[-1]


@pytest.mark.parametrize("content", [b"\x1f\x8b", b"\x1f\x8bnot gzip at all", gzip.compress(THREE, mtime=0) + b"tail"])
def test_a_file_that_only_begins_like_gzip_is_told(read, content):
    assert "expected more of a gzip file, got " in read(content)[-1]


# --- how far --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [THREE * 2000, gzip.compress(THREE * 2000, mtime=0)], ids=["plain", "gzip"])
def test_progress_is_told_in_bytes_of_the_file_as_it_lies_on_disk(tmp_path, content):
    path = tmp_path / "may.ndjson"
    path.write_bytes(content)
    steps = []
    assert len(list(read_lines(path, steps.append))) == 6000
    assert steps == sorted(steps)
    assert steps[-1] == len(content)


def test_a_file_that_can_not_be_read_raises_what_the_system_says(tmp_path):
    with pytest.raises(FileNotFoundError):
        list(read_lines(tmp_path / "none"))
    with pytest.raises(IsADirectoryError):
        list(read_lines(tmp_path))
