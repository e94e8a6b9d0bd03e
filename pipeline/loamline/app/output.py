"""How commands speak: tables and sentences for people, JSON for scripts, one way to fail."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from loamline.core.rfc3339 import rfc3339

__all__ = ["CommandError", "console", "errors", "fail", "print_json", "progress_bar", "put_text", "rfc3339"]

#: Results go to standard output, everything else to standard error.
console = Console(highlight=False)
errors = Console(stderr=True, highlight=False)


class CommandError(Exception):
    """A command that can't go on; the message says what was expected, what came and what to do next."""

    def __init__(self, message: str, code: int = 1) -> None:
        super().__init__(message)
        self.code = code


def fail(message: str, code: int = 1) -> NoReturn:
    """Print one sentence to standard error and leave with `code`."""
    errors.print(message, style="red", markup=False, soft_wrap=True)
    raise typer.Exit(code)


def print_json(content: Any) -> None:
    """Print `content` as JSON; times as RFC 3339, nothing coloured or wrapped."""
    sys.stdout.write(json.dumps(content, indent=2, default=_plain, ensure_ascii=False, allow_nan=False) + "\n")


def put_text(text: str, out: Path | None, told: Console) -> None:
    """Write `text` to the file `out`, and say so on `told`; to standard output where no file is named."""
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8", newline="\n")
    except OSError as problem:
        raise CommandError(f"--out: expected a file that can be written, got {out}: {problem.strerror}") from None
    told.print(f"wrote {out}", markup=False, soft_wrap=True)


def progress_bar() -> Progress:
    """Return a progress display on standard error, shown on a terminal only and gone when done."""
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=errors,
        disable=not errors.is_terminal,
        transient=True,
    )


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return rfc3339(value)
    return str(value)
