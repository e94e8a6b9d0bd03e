"""The manifest of an archive: `manifest.json` in its folder tells of every file, for whoever has no store to ask."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from loamline.edges.store.archived import BUCKETS, ArchivedFile
from loamline_schemas.tables import UPLINK

NAME = "manifest.json"


def remember(folder: Path, files: Sequence[ArchivedFile]) -> None:
    """Add files to the manifest of `folder`, durably; one that it tells of already is told anew."""
    fresh = {_path(folder, file): _told(file) for file in files}
    _rewrite(folder, fresh, set())


def forget(files: Sequence[ArchivedFile]) -> None:
    """Take files out of the manifest of their folder, where there is one."""
    for folder in sorted({file.file.parents[2] for file in files}):
        if (folder / NAME).exists():
            gone = {_path(folder, file) for file in files}
            _rewrite(folder, {}, gone)


def _rewrite(folder: Path, fresh_files: dict[str, Any], gone: set[str]) -> None:
    try:
        held = json.loads((folder / NAME).read_text())["files"]
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        held = {}  # the store's record is what counts
    content = {
        "buckets": BUCKETS,
        "columns": {column.name: column.note for column in UPLINK.columns},
        "files": {path: told for path, told in sorted((held | fresh_files).items()) if path not in gone},
    }
    fresh = folder / (NAME + ".writing")
    with fresh.open("w") as file:
        json.dump(content, file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(folder / NAME)


def _path(folder: Path, file: ArchivedFile) -> str:
    return file.file.resolve().relative_to(folder.resolve()).as_posix()


def _told(file: ArchivedFile) -> dict[str, Any]:
    return {
        "rows": file.rows,
        "first_seq": file.first_seq,
        "last_seq": file.last_seq,
        "first_heard_at": file.first_heard_at.isoformat(),
        "last_heard_at": file.last_heard_at.isoformat(),
        "size_bytes": file.size_bytes,
        "sha256": file.sha256,
        "content": file.content,
    }
