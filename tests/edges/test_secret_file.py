"""Files of secrets: for their owner's eyes alone, and never shown."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from loamline.edges.secret_file import SecretFileError, read_secret, read_secret_lines


def a_file(folder: Path, content: bytes, mode: int = 0o600) -> Path:
    path = folder / "kept"
    path.write_bytes(content)
    path.chmod(mode)
    return path


def refused(path: Path) -> str:
    with pytest.raises(SecretFileError) as problem:
        read_secret_lines(path)
    return str(problem.value)


@pytest.mark.parametrize(("content", "expected"), [(b" p#w \n", " p#w "), (b"pw\r\n", "pw"), (b"pw", "pw")])
def test_a_password_is_all_but_the_end_of_the_line(tmp_path: Path, content: bytes, expected: str) -> None:
    """It may begin or end with anything."""
    assert read_secret(a_file(tmp_path, content)) == expected


def test_several_secrets_stand_one_a_line_and_notes_among_them(tmp_path: Path) -> None:
    assert read_secret_lines(a_file(tmp_path, b"# since May\none\n\n  two \n")) == ["one", "two"]


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644, 0o700 | 0o001])
def test_a_file_that_others_may_read_is_refused_with_what_to_do(tmp_path: Path, mode: int) -> None:
    path = a_file(tmp_path, b"well kept\n", mode)
    assert refused(path) == (
        f"expected {path} to be readable by its owner alone (mode 0600), got mode {mode:04o}; run `chmod 600 {path}`"
    )


def test_what_a_link_points_to_counts(tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.symlink_to(a_file(tmp_path, b"well kept\n", 0o644))
    assert "got mode 0644" in refused(link)


def test_what_is_no_secret_is_told_by_name(tmp_path: Path) -> None:
    """An absent file, an empty one, one of notes, one that is not text, a folder, a pipe that nobody writes to."""
    absent, pipe = tmp_path / "absent", tmp_path / "pipe"
    os.mkfifo(pipe, 0o600)
    assert refused(absent) == f"expected to read {absent}, got No such file or directory"
    assert refused(a_file(tmp_path, b" \n")).endswith("got an empty file")
    assert refused(a_file(tmp_path, b"# nothing\n")).endswith("got only notes")
    assert refused(a_file(tmp_path, b"\xff\xfe")).endswith("got bytes that are not UTF-8")
    assert refused(tmp_path).startswith("expected ")
    assert refused(pipe) == f"expected a plain file at {pipe}, got another kind"
