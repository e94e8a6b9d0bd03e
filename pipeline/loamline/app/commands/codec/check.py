"""`loamline codec check`: everything that a codec must stand before it reads a probe's messages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import Progress

import loamline_codecs
from loamline.app.codecs import CodecDirOption, codec_dirs
from loamline.app.output import CommandError, console, print_json, progress_bar
from loamline_codecs import BUILT_IN, Codec, CodecSet, DeclarationError
from loamline_codecs.checking import MOST_CHECKS, Cases, Check, check_codec
from loamline_codecs.golden import UPDATE, Golden, builtin_folder, private_folder, private_update
from loamline_codecs.loading import codec_files, load_files

#: So many details of a check are shown to a person; `--json` tells all.
_SHOWN = 10
_STYLES = {"ok": "green", "failed": "bold red", "note": "yellow"}


@dataclass(frozen=True)
class _Subject:
    """One codec, and the file it is declared in where it is a private one."""

    codec: Codec
    file: Path | None


@dataclass(frozen=True)
class _Report:
    """What was found of one codec; without a name where its declaration can't be loaded."""

    name: str | None
    file: Path | None
    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        return all(check.verdict != "failed" for check in self.checks)


def check_command(
    which: Annotated[
        list[str] | None, typer.Argument(metavar="[NAME|FILE]...", help="Codecs by name or file; else all known ones.")
    ] = None,
    codec_dir: CodecDirOption = None,
    payloads: Annotated[int, typer.Option(help="Random payloads a codec.", min=0, max=10_000_000)] = 4000,
    seed: Annotated[int, typer.Option(help="What they are drawn from; the same seed, the same payloads.")] = 1,
    update: Annotated[
        bool, typer.Option("--update-goldens", help="First rewrite what the golden payloads must give.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of lines.")] = False,
) -> None:
    """Check codecs: the declaration, golden cases, the way back to bytes, and both executors side by side.

    They are compared on payloads truncated at every length, with a byte too many, with every single bit flipped, and
    on random ones. A note is worth reading and fails nothing. Leaves with 0 where all passed, with 1 where one failed.
    """
    try:
        codecs, subjects = _subjects(which or [], codec_dirs(codec_dir))
        with progress_bar() as progress:
            reports = list(_reports(progress, codecs, subjects, payloads=payloads, seed=seed, update=update))
    except DeclarationError as problem:
        reports = [_Report(None, None, (Check("declaration", "failed", "can't be loaded", (str(problem),)),))]
    passed = all(report.passed for report in reports)
    if as_json:
        print_json({"passed": passed, "codecs": [_as_object(report) for report in reports]})
    else:
        for report in reports:
            _print(report)
        failed = sum(not report.passed for report in reports)
        many = "1 codec" if len(reports) == 1 else f"{len(reports)} codecs"
        console.print(f"{many} checked: {f'{failed} failed' if failed else 'all passed'}")
    if not passed:
        raise typer.Exit(1)


def _subjects(which: Sequence[str], folders: Sequence[Path]) -> tuple[CodecSet, list[_Subject]]:
    """Return every codec that must live beside the others, and those to check; raises DeclarationError."""
    given = [Path(word) for word in which if _is_file(word) and not _is_builtin(Path(word))]
    for path in given:
        if not path.is_file():
            raise CommandError(f"expected the file of a codec at {path}, found none", 2)
    files = codec_files(folders)
    known = {path.resolve() for path in files}
    files += [path for path in dict.fromkeys(given) if path.resolve() not in known]
    codecs = load_files(files)
    private = zip(codecs.codecs[len(BUILT_IN) :], files, strict=True)
    subjects = [*(_Subject(codec, None) for codec in BUILT_IN), *(_Subject(codec, path) for codec, path in private)]
    return codecs, [_named(word, subjects) for word in dict.fromkeys(which)] or subjects


def _is_file(word: str) -> bool:
    return word.endswith(".py") or "/" in word


def _is_builtin(path: Path) -> bool:
    return path.resolve().parent == Path(loamline_codecs.__file__).parent


def _named(word: str, subjects: Sequence[_Subject]) -> _Subject:
    if _is_file(word) and not _is_builtin(Path(word)):
        return next(one for one in subjects if one.file and one.file.resolve() == Path(word).resolve())
    name = Path(word).stem.replace("_", "-") if _is_file(word) else word
    found = next((one for one in subjects if one.codec.name == name), None)
    if found is None:
        known = ", ".join(one.codec.name for one in subjects)
        raise CommandError(
            f"expected a codec's file or one of {known}, got {word!r}; --codec-dir DIR makes private ones known", 2
        )
    return found


def _reports(
    progress: Progress, codecs: CodecSet, subjects: Sequence[_Subject], *, payloads: int, seed: int, update: bool
) -> Iterator[_Report]:
    task = progress.add_task("", total=MOST_CHECKS * len(subjects))
    for nth, subject in enumerate(subjects):
        progress.update(task, description=subject.codec.name, completed=MOST_CHECKS * nth)
        checks = []
        for check in check_codec(
            codecs, subject.codec, _cases(codecs, subject, update=update), payloads=payloads, seed=seed
        ):
            checks.append(check)
            progress.advance(task)
        yield _Report(subject.codec.name, subject.file, tuple(checks))


def _cases(codecs: CodecSet, subject: _Subject, *, update: bool) -> Cases:
    name = subject.codec.name
    folder, command = builtin_folder(), UPDATE
    if subject.file is not None:
        folder, command = private_folder(subject.file), private_update(name, subject.file)
    golden = Golden(folder, codecs, command)
    examined = tuple(golden.examined(path, update=update) for path in golden.paths_of(name))
    return Cases(str(folder / name), examined, required=subject.file is not None)


def _print(report: _Report) -> None:
    where = f" ({report.file})" if report.file else ""
    if report.name:
        console.print(f"{report.name}{where}", style="bold", markup=False, soft_wrap=True)
    for check in report.checks:
        line = f"  {check.verdict:<6}  {check.name:<15}  {check.told}"
        console.print(line, style=_STYLES[check.verdict], markup=False, soft_wrap=True)
        for detail in check.details[:_SHOWN]:
            console.print("\n".join(f"          {line}" for line in detail.splitlines()), markup=False, soft_wrap=True)
        if len(check.details) > _SHOWN:
            console.print(f"          and {len(check.details) - _SHOWN} more; --json tells all")


def _as_object(report: _Report) -> dict[str, Any]:
    return {
        "codec": report.name,
        "file": report.file,
        "passed": report.passed,
        "checks": [
            {"check": check.name, "verdict": check.verdict, "told": check.told, "details": check.details}
            for check in report.checks
        ],
    }
