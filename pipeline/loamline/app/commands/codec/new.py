"""`loamline codec new`: a private codec to start from, with golden cases that it already passes."""

from __future__ import annotations

import re
import shlex
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption, codec_dirs, known_codecs
from loamline.app.output import CommandError, console
from loamline_codecs import CodecSet, DeclarationError
from loamline_codecs.golden import private_folder
from loamline_codecs.loading import read_codec
from loamline_codecs.skeleton import NAME, case_texts, declaration_text, file_name

#: The lowest FPort that is suggested; application FPorts are 1 to 223 (LoRaWAN 1.0.4, 4.3.2).
_FIRST_PORT, _LAST_PORT = 10, 223


def new_command(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Lower-case letters, digits and hyphens: soil-stake.")],
    folder: Annotated[Path, typer.Option("--dir", metavar="DIR", help="The folder of private codecs; made if absent.")],
    port: Annotated[
        int | None,
        typer.Option("--port", "-p", min=1, max=_LAST_PORT, help="The FPort; else one that no known codec reads."),
    ] = None,
    version: Annotated[
        int | None, typer.Option("--version", min=0, max=255, help="The payload version, byte 0; else 1.")
    ] = None,
    codec_dir: CodecDirOption = None,
) -> None:
    """Write a commented declaration NAME-vVERSION to DIR, and golden cases that it passes, to be changed from there.

    Nothing is overwritten.
    """
    whole, number = _named(name, version)
    path = folder / file_name(whole)
    cases = private_folder(path) / whole
    for taken in (path, cases):
        if taken.exists():
            raise CommandError(f"expected no {taken} yet, got one: nothing was written; choose another --version", 2)
    known = known_codecs((*codec_dirs(codec_dir), *([folder] if folder.is_dir() else [])))
    fport = _free_port(known, whole, number) if port is None else port
    told = shlex.quote(str(folder))
    check = f"loamline codec check {whole} --codec-dir {told}"
    text = declaration_text(whole, fport, number, check)
    files = {path: text} | {cases / title: case for title, case in _cases(known, whole, text).items()}
    _write(files)
    for written in files:
        console.print(f"wrote {written}", markup=False, soft_wrap=True)
    console.print(
        f"It reads FPort {fport} with byte 0 = 0x{number:02X}. Next: draw your bytes at the top of {path.name}, "
        "change layout and quantities to match, give the cases payloads of your data sheet, then\n"
        f"  {check} --update-goldens\n"
        "and compare what that wrote with the data sheet. The daemon reads it by codec_dirs in its settings, or "
        f"by --codec-dir {told}.",
        markup=False,
        soft_wrap=True,
    )


def _named(name: str, version: int | None) -> tuple[str, int]:
    """Return the codec's whole name and its payload version; a name may tell the version itself, as soil-stake-v2."""
    if not NAME.fullmatch(name):
        raise CommandError(
            f"NAME: expected lower-case letters, digits and single hyphens, such as soil-stake, got {name!r}", 2
        )
    found = re.fullmatch(r"(.+)-v(\d{1,3})", name)
    if found is None:
        number = 1 if version is None else version
        return f"{name}-v{number}", number
    told = int(found[2])
    if told > 255 or (version is not None and version != told):
        expected = f"-v{version}" if version is not None else "a version of 0 to 255"
        raise CommandError(f"NAME: expected it to end with {expected}, got {name!r}", 2)
    return f"{found[1]}-v{told}", told


def _free_port(known: CodecSet, name: str, version: int) -> int:
    """Return the FPort of an earlier version of the same name where it is free there, else one that nobody reads."""
    family = name.rpartition("-v")[0]
    claimed = {codec.match.fport for codec in known.codecs}
    for codec in known.codecs:
        fport = codec.match.fport
        if codec.name.rpartition("-v")[0] == family and not any(
            version in other.match.first_bytes for other in known.codecs if other.match.fport == fport
        ):
            return fport
    free = [fport for fport in range(_FIRST_PORT, _LAST_PORT + 1) if fport not in claimed]
    if not free:
        raise CommandError(f"expected an FPort that no codec reads from {_FIRST_PORT} on, found none; give --port", 2)
    return free[0]


def _cases(known: CodecSet, name: str, text: str) -> dict[str, str]:
    """Return the golden files, made by the very declaration; leaves where another codec has its name or its match."""
    with tempfile.TemporaryDirectory() as place:
        draft = Path(place) / file_name(name)
        draft.write_text(text, encoding="utf-8")
        try:
            codecs = CodecSet((*known.codecs, read_codec(draft)))
        except DeclarationError as problem:
            raise CommandError(f"{problem}; nothing was written: choose another --port, --version or NAME", 2) from None
    return case_texts(codecs, name)


def _write(files: dict[Path, str]) -> None:
    done: list[str] = []
    for path, text in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except OSError as problem:
            so_far = f"; already written: {', '.join(done)}" if done else ""
            raise CommandError(f"expected to write {path}, got {problem.strerror}{so_far}") from None
        done.append(str(path))
