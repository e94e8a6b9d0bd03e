"""What the daemon reads again while it runs: registry folder, maps, keys and codecs, all of it or nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
from structlog.typing import FilteringBoundLogger

from loamline.app.codecs import known_codecs
from loamline.app.output import CommandError
from loamline.app.readers import Readers, make_readers
from loamline.core.reference import RegistryState
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference, save_state
from loamline.edges.store.revisions import unfinished
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet
from loamline_schemas.settings import Settings


class Reloading:
    """Takes up what the settings' files hold now. `codecs` are those in force. Belongs to the thread that stores."""

    def __init__(self, settings: Settings, *, readers: Readers, codecs: CodecSet, log: FilteringBoundLogger) -> None:
        self._settings, self._readers, self._log = settings, readers, log
        self.codecs = codecs

    def begin(self, store: Store, writer: Writer) -> None:
        """Load the registry folder that the settings name, at the start; a broken one leaves the store's in force."""
        folder = self._settings.registry_dir
        if folder is None:
            return
        try:
            state, faults = registry_in(folder)
            if state is not None:
                faults = self._record(state, folder, store, writer)[1]
        except Exception as problem:  # noqa: BLE001 - no folder may keep the daemon from its work
            faults = [_defect(problem)]
        if faults:
            self._refuse(faults)

    def take_up(self, store: Store, writer: Writer) -> dict[str, Any]:
        """Put all that was read in force, for the batches that follow; with one fault all stays as it was.

        Returns `taken` and `faults` (sentences); where it was taken up `codecs_changed`, `registry_changed` and the
        registry state in force, `reference_id`, too.
        """
        try:
            return self._take_up(store, writer)
        except Exception as problem:  # noqa: BLE001 - no reload may stop the daemon
            return self._refuse([_defect(problem)])

    def _take_up(self, store: Store, writer: Writer) -> dict[str, Any]:
        made, faults = make_readers(self._settings)
        codecs = self.codecs
        try:
            codecs = known_codecs(self._settings.codec_dirs)
        except CommandError as problem:
            faults.append(f"codec_dirs: {problem}")
        changed = _contents(codecs) != _contents(self.codecs)
        if changed and unfinished(store) is not None:
            faults.append(
                "codec_dirs: expected no revision at work while codecs change, got one; reload once it is done"
            )
        state, folder = None, self._settings.registry_dir
        if folder is not None:
            state, of_registry = registry_in(folder)
            faults += of_registry
        recorded = False
        if state is not None and folder is not None and not faults:
            recorded, of_store = self._record(state, folder, store, writer)
            faults += of_store
        if faults:
            return self._refuse(faults)
        if changed:
            writer.use_codecs(codecs)
            self.codecs = codecs
        self._readers.exchange(made)
        reference = latest_reference(store)
        self._log.info("reloaded", codecs_changed=changed, registry_changed=recorded, reference_id=reference)
        return {
            "taken": True,
            "faults": [],
            "codecs_changed": changed,
            "registry_changed": recorded,
            "reference_id": reference,
        }

    def _record(self, state: RegistryState, folder: Path, store: Store, writer: Writer) -> tuple[bool, list[str]]:
        """Record a registry; return whether it is another one, and why it can't be recorded."""
        before = latest_reference(store)
        try:
            number, _ = save_state(store, state, f"loaded from {folder.name}")
        except duckdb.Error as problem:
            return False, [f"registry_dir: expected to record {folder}, got {str(problem).splitlines()[0]}"]
        if number != before:
            writer.registered()
            self._log.info("registry loaded", reference_id=number, folder=str(folder))
        return number != before, []

    def _refuse(self, faults: list[str]) -> dict[str, Any]:
        for fault in faults:
            self._log.error("not taken up", sentence=fault)
        self._log.error("registry, maps, keys and codecs stay as they were", faults=len(faults))
        return {"taken": False, "faults": faults}


def registry_in(folder: Path) -> tuple[RegistryState | None, list[str]]:
    """Return the registry of a folder that the settings name, or None and every fault as a sentence."""
    if not folder.is_dir():
        return None, [f"registry_dir: expected a registry folder at {folder}, found none"]
    state, faults = read_registry(folder)
    return state, [f"registry_dir: {fault}" for fault in faults]


def _defect(problem: Exception) -> str:
    told = (str(problem).splitlines() or ["no reason"])[0]
    return f"expected to read registry, maps, keys and codecs, got {type(problem).__name__}: {told}; please report this"


def _contents(codecs: CodecSet) -> list[tuple[str, str]]:
    return sorted((codec.name, codec.digest) for codec in codecs.codecs)
