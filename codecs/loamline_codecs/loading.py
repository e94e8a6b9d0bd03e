"""Where codecs come from: the built-in family, one literal tuple here, and private ones from folders."""

from __future__ import annotations

import runpy
import traceback
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path

from loamline_codecs import measurement_v1, measurement_v2, measurement_v3, measurement_v4, status_v1
from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import Codec, DeclarationError

BUILT_IN = (
    measurement_v1.CODEC,
    measurement_v2.CODEC,
    measurement_v3.CODEC,
    measurement_v4.CODEC,
    status_v1.CODEC,
)


@cache
def builtin_codecs() -> CodecSet:
    """Return the built-in probe family's codecs."""
    return CodecSet(BUILT_IN)


def load_codecs(folders: Iterable[Path]) -> CodecSet:
    """Return the built-in codecs and the private ones of `folders`, in the folders' order and by file name.

    Raises DeclarationError with one sentence: which file, where it can be told which line, expected and got.
    """
    return load_files(codec_files(folders))


def codec_files(folders: Iterable[Path]) -> list[Path]:
    """Return the files that declare a private codec each: every `*.py` but those that begin with "_"."""
    found = []
    for folder in folders:
        try:
            inside = sorted(folder.iterdir())
        except OSError as problem:
            raise DeclarationError(f"{folder}: expected a folder of codecs, got {problem.strerror}") from None
        found += [path for path in inside if path.suffix == ".py" and not path.name.startswith("_")]
    return list({path.resolve(): path for path in found}.values())


def load_files(files: Sequence[Path]) -> CodecSet:
    """Return the built-in codecs and then the one that each of `files` declares; raises DeclarationError."""
    codecs = builtin_codecs()
    for path, codec in [(path, read_codec(path)) for path in files]:
        # One by one, so that a fault is told with its file: what stood before is known to be without.
        try:
            codecs = CodecSet((*codecs.codecs, codec))
        except DeclarationError as problem:
            raise DeclarationError(f"{path}: {problem}") from None
        except Exception as problem:  # noqa: BLE001 - a declaration of wrong types may fail anywhere
            raise DeclarationError(f"{path}: expected a declaration of a codec, got {_words(problem)}") from None
    return codecs


def read_codec(path: Path) -> Codec:
    """Return the CODEC of one Python file; raises DeclarationError. The file is run: it is its owner's own code."""
    try:
        declared = runpy.run_path(str(path))
    except OSError as problem:
        raise DeclarationError(f"{_place(problem, path)}: expected to read it, got {problem.strerror}") from None
    except (Exception, SystemExit) as problem:  # noqa: BLE001 - anything may go wrong in a file that somebody wrote
        raise DeclarationError(f"{_place(problem, path)}: expected a declaration, got {_words(problem)}") from None
    if "CODEC" not in declared:
        raise DeclarationError(f"{path}: expected a Codec called CODEC, got no such name")
    codec = declared["CODEC"]
    if not isinstance(codec, Codec):
        line = _line_of_assignment(path)
        raise DeclarationError(f"{path}, line {line}: expected CODEC to be a Codec, got {type(codec).__name__}")
    return codec


def _place(problem: BaseException, path: Path) -> str:
    """Return the file and, where the problem arose in it, the line."""
    line = problem.lineno if isinstance(problem, SyntaxError) and problem.filename == str(path) else None
    for frame in traceback.extract_tb(problem.__traceback__):
        if frame.filename == str(path):
            line = frame.lineno
    return f"{path}, line {line}" if line else str(path)


def _words(problem: BaseException) -> str:
    said = problem.msg if isinstance(problem, SyntaxError) else str(problem)
    return f"{type(problem).__name__}: {' '.join(said.split())}".removesuffix(": ")


def _line_of_assignment(path: Path) -> int:
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    return next((number for number, line in enumerate(lines, start=1) if line.startswith("CODEC")), 1)
