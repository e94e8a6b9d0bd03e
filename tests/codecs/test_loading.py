"""Private codecs join the built-in ones; whatever is wrong with a file is one sentence with its path and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from loamline_codecs import BUILT_IN, DeclarationError, builtin_codecs, load_codecs
from loamline_codecs.loading import codec_files, load_files, read_codec

_PRIVATE = """
from construct import Const, Int8ub, Struct
from loamline_codecs import Codec, Match, Quantity

CODEC = Codec("private-v1", "A test bench's.", "status", Match(20, 8, 9),
              Struct("version" / Const(9, Int8ub), "supply" / Int8ub),
              (Quantity("supply_rest_v", "supply", "V", scale="0.02"),))
"""


def refusal(folder: Path) -> str:
    with pytest.raises(DeclarationError) as caught:
        load_codecs([folder])
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_without_folders_the_built_in_codecs_are_known() -> None:
    assert load_codecs([]) is builtin_codecs()


def test_private_codecs_join_the_built_in_ones(tmp_path: Path) -> None:
    (tmp_path / "bench.py").write_text(_PRIVATE)
    (tmp_path / "notes.txt").write_text("not a codec")
    codecs = load_codecs([tmp_path])
    assert [codec.name for codec in codecs.codecs] == [*(codec.name for codec in BUILT_IN), "private-v1"]
    message = codecs.parse(20, bytes([9, 180]))
    assert getattr(message, "uplink", None) == {"supply_rest_v": 3.6}


def test_a_file_that_begins_with_an_underscore_is_the_authors_own(tmp_path: Path) -> None:
    (tmp_path / "_shared.py").write_text("not even Python")
    assert load_codecs([tmp_path]) is builtin_codecs()


def test_a_folder_named_twice_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "bench.py").write_text(_PRIVATE)
    assert codec_files([tmp_path, tmp_path / "." / ".." / tmp_path.name]) != []
    assert len(load_codecs([tmp_path, tmp_path / ".." / tmp_path.name]).codecs) == len(BUILT_IN) + 1


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("\n\nCODEC = Struct()\n", ", line 3: expected a declaration, got NameError: name 'Struct' is not defined"),
        ("def f():\n  1 / 0\nf()\n", ", line 2: expected a declaration, got ZeroDivisionError: division by zero"),
        ("x = 1\nCODEC = (\n", ", line 2: expected a declaration, got SyntaxError: '(' was never closed"),
        ("import sys\nsys.exit()", ", line 2: expected a declaration, got SystemExit"),
        ("raise ValueError('two\\nlines')", ", line 1: expected a declaration, got ValueError: two lines"),
        ("", ": expected a Codec called CODEC, got no such name"),
        ("\nCODEC = 'measurement-v5'", ", line 2: expected CODEC to be a Codec, got str"),
        (
            "import construct\n\nlayout = construct.Int17ub\n",
            ", line 3: expected a declaration, got AttributeError: module 'construct' has no attribute 'Int17ub'",
        ),
    ],
)
def test_a_file_that_declares_no_codec_is_refused_with_path_and_line(
    tmp_path: Path, content: str, sentence: str
) -> None:
    path = tmp_path / "empty.py"
    path.write_text(content)
    assert refusal(tmp_path) == f"{path}{sentence}"


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "binary.py"
    path.write_bytes(b"\x00\xff\xfe")
    assert refusal(tmp_path).startswith(str(path))


def test_a_file_that_can_not_be_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "gone.py"
    path.symlink_to(tmp_path / "nowhere")
    assert refusal(tmp_path) == f"{path}: expected to read it, got No such file or directory"


def test_a_folder_named_like_a_codec_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder.py").mkdir()
    assert refusal(tmp_path).startswith(f"{tmp_path / 'folder.py'}: expected ")


def test_an_absent_folder_is_refused_and_a_file_in_its_place_too(tmp_path: Path) -> None:
    """A misspelled folder must not pass for one without codecs: its messages would be set aside unseen."""
    absent, file = tmp_path / "absent", tmp_path / "file"
    file.touch()
    assert refusal(absent) == f"{absent}: expected a folder of codecs, got No such file or directory"
    assert refusal(file) == f"{file}: expected a folder of codecs, got Not a directory"


@pytest.mark.parametrize(
    ("former", "now", "expected"),
    [
        ('"supply_rest_v"', '"battery"', "codec private-v1: "),
        ("Match(20, 8, 9)", "Match(11, 4, 1)", "codec private-v1: "),
        ("Match(20, 8, 9)", "None", "expected a declaration of a codec, got AttributeError"),
        ('"private-v1"', '"measurement-v2"', "codec measurement-v2: "),
    ],
)
def test_a_declaration_that_can_not_join_the_others_is_told_with_its_file(
    tmp_path: Path, former: str, now: str, expected: str
) -> None:
    path = tmp_path / "bench.py"
    path.write_text(_PRIVATE.replace(former, now))
    assert refusal(tmp_path).startswith(f"{path}: {expected}")


def test_of_two_private_codecs_the_later_one_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text(_PRIVATE)
    (tmp_path / "b.py").write_text(_PRIVATE.replace("private-v1", "private-v2"))
    assert refusal(tmp_path).startswith(f"{tmp_path / 'b.py'}: codec private-v2: expected messages of its own")


def test_files_can_be_loaded_by_themselves(tmp_path: Path) -> None:
    path = tmp_path / "bench.py"
    path.write_text(_PRIVATE)
    assert load_files([path]).codecs[-1].digest == read_codec(path).digest


def test_reading_a_codec_leaves_nothing_behind_in_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "bench.py"
    path.write_text(_PRIVATE)
    load_codecs([tmp_path])
    assert list(tmp_path.iterdir()) == [path]
