"""The work behind `loamline backup` and `restore`: written by whoever has the store open, checked by this process."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from loamline.app.archive_work import done_by
from loamline.app.output import CommandError, rfc3339
from loamline.app.replay_work import Told, telling
from loamline.edges.stepping import result_of
from loamline.edges.store.archived import sha256
from loamline.edges.store.backup import (
    FORM,
    BackupError,
    Held,
    Manifest,
    backing_up,
    check_bytes,
    checking,
    manifest_of,
    manifest_path,
    named,
    put_in_place,
)


def back_up(store: Path, out: Path) -> dict[str, Any]:
    """Back the store up and return what the backup holds; CommandError where it comes to nothing, with `out` absent."""
    for there in (out, manifest_path(out)):
        if there.exists():
            raise CommandError(f"expected no file at {there}, found one; name another --out, or move that one away", 2)
    if not out.parent.is_dir():
        raise CommandError(f"expected the folder {out.parent} for --out, found none; make it first", 2)
    unfinished = out.with_name(out.name + ".unfinished")
    _remove(unfinished)
    try:
        written = done_by(
            store,
            "backup",
            lambda opened: backing_up(opened, unfinished, begun=False),
            writable=False,
            file=unfinished.absolute(),
        )
        held = Held(**written["held"])
        with telling() as told:
            wrong = _driven(checking(unfinished, held), told)
        if wrong:
            raise CommandError("\n".join([*wrong, "no backup was made: try again, on another disk"]))
        size_bytes, made_at = unfinished.stat().st_size, rfc3339(datetime.now(UTC))
        manifest = Manifest(FORM, made_at, size_bytes, sha256(unfinished), held, written["archived"])
        named(unfinished, out, manifest)
    except (OSError, duckdb.Error) as problem:
        raise CommandError(f"expected to write {out}, got {str(problem).splitlines()[0]}") from problem
    finally:
        _remove(unfinished)
    return {"backup": str(out), **_told(manifest), "archived_absent": written["absent"]}


def restore(backup: Path, store: Path) -> dict[str, Any]:
    """Make a store of a backup and return what it holds; CommandError, and no store, where that is not possible."""
    try:
        manifest = manifest_of(backup)
        with telling() as told:
            told("comparing", 0, 0)
            check_bytes(backup, manifest)
            wrong = _driven(checking(backup, manifest.held), told)
            if wrong:
                raise CommandError("\n".join([*wrong, "nothing was restored: use another backup"]))
            told("copying", 0, 0)
            put_in_place(backup, store, manifest)
    except BackupError as problem:
        raise CommandError(str(problem)) from problem
    absent = [file["path"] for file in manifest.archived if not (store.absolute().parent / file["path"]).exists()]
    return {"store": str(store), **_told(manifest), "archived_absent": absent}


def _told(manifest: Manifest) -> dict[str, Any]:
    fields = asdict(manifest)
    held = fields.pop("held")
    return {**fields, "rows": held["rows"], "last_seq": held["last_seq"], "schema": held["schema"]}


def _driven(steps: Generator[dict[str, Any], None, Any], told: Told) -> list[str]:
    wrong: list[str] = result_of(
        steps, lambda step: told(f"{step['part']} what was written", step["done"], step["total"])
    )
    return wrong


def _remove(unfinished: Path) -> None:
    for name in ("", ".wal"):
        unfinished.with_name(unfinished.name + name).unlink(missing_ok=True)
