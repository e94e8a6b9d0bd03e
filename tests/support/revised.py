"""Registries with one thing corrected, and ways to drive a replay to its end, or not so far."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loamline.app.replaying import Applied, Scope, applying, plan_now, undoing
from loamline.core.reference import RegistryState
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.verify import verify
from loamline_codecs import CodecSet, builtin_codecs

CODECS = builtin_codecs()
ASKED_AT = datetime(2026, 8, 1, tzinfo=UTC)


def with_bench(registry: RegistryState, *coefficients: float, since: datetime | None = None) -> RegistryState:
    """Return a registry with curve p1-bench corrected; `since`: from then on only, beside the old one."""
    curves = []
    for curve in registry.curves:
        if curve.id != "p1-bench":
            curves.append(curve)
            continue
        if since is not None:
            curves.append(curve)
        update = {"coefficients": coefficients} | ({} if since is None else {"valid_from": since, "id": "p1-bench-2"})
        curves.append(curve.model_copy(update=update))
    return replace(registry, curves=tuple(curves))


def load(store: Store, registry: RegistryState) -> int:
    """Record a registry; return its number."""
    return save_state(store, registry, "revised")[0]


def drive(work: Generator[Any, None, Any], steps: int | None = None) -> Any:
    """Drive work to its end and return its result, or only so many steps of it and return None."""
    while steps is None or steps > 0:
        try:
            next(work)
        except StopIteration as end:
            return end.value
        steps = None if steps is None else steps - 1
    work.close()
    return None


def apply(store: Store, scope: Scope | None = None, codecs: CodecSet = CODECS, steps: int | None = None) -> Applied:
    """Recalculate what is stale."""
    done: Applied = drive(applying(store, codecs, scope or Scope(), "a test", "tester", ASKED_AT), steps)
    return done


def undo(store: Store, revision: int | None = None, codecs: CodecSet = CODECS, steps: int | None = None) -> Applied:
    """Take a revision back."""
    done: Applied = drive(undoing(store, codecs, revision), steps)
    return done


def stale(store: Store, scope: Scope | None = None, codecs: CodecSet = CODECS) -> int:
    """Return how many readings are stale."""
    return plan_now(store, codecs, scope or Scope()).stale


def assert_verified(store: Store, codecs: CodecSet = CODECS) -> None:
    """Compare all that is stored with a derivation of the raw log."""
    told = verify(store, codecs, first=3)
    assert told.differences == 0, told.first


def exported(loamline: Any, store: Path, *arguments: object) -> bytes:
    """Return what `loamline export` writes, as CSV."""
    out = store.with_suffix(".csv")
    done = loamline("export", "--store", store, "--out", out, *arguments)
    assert done.exit_code == 0, done.output
    return out.read_bytes()
