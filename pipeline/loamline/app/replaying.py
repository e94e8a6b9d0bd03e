"""The work behind `loamline replay`, for whoever has the store open: a command, or the daemon that a command asked.

Everything given and returned is plain data. Whoever drives `steps` may write to the store between two of them, on
the same thread; a running writer reloads after the step in which `Progress.part` turns to merging, since from then on
other registry states hold.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime

from loamline.edges.store.connection import Store
from loamline.edges.store.provenances import Provenances
from loamline.edges.store.replay import Progress, Replay
from loamline.edges.store.revisions import RevisionRow, open_revision, revision_rows, unfinished, withdraw
from loamline.edges.store.stale import Plan, Scope, plan
from loamline_codecs import CodecSet

__all__ = ["Plan", "Progress", "ReplayError", "Scope", "begin_apply", "begin_undo", "plan_now", "revision_of", "steps"]


class ReplayError(Exception):
    """A replay that can't begin; the message says what was expected, what came and what to do next."""


def plan_now(
    store: Store,
    codecs: CodecSet,
    scope: Scope,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Plan:
    """Return what is stale in `scope`. Writes nothing. `progress` is called with readings seen and all there are."""
    return plan(store, codecs, scope, progress)


def begin_apply(store: Store, codecs: CodecSet, scope: Scope, reason: str, by: str, now: datetime) -> int | None:
    """Record a revision of what is stale in `scope`, to be driven by `steps`; None where nothing is stale.

    Raises ReplayError while another revision is unfinished: finish that one first.
    """
    _refuse_beside_another(store)
    told = plan(store, codecs, scope)
    if told.nothing:
        return None
    return open_revision(
        store,
        reference_id=told.reference_id,
        reason=reason,
        asked_by=by,
        scope=json.dumps(scope.as_fields()),
        now=now,
        spans=told.spans.values(),
    )


def begin_undo(store: Store, revision: int | None = None) -> int:
    """Begin to take back a revision, the latest applied one where none is named; return its number.

    Raises ReplayError where there is no such revision, it is not applied, or another one is unfinished.
    """
    rows = revision_rows(store)
    applied = [row.revision_id for row in rows if row.step == "applied"]
    if revision is None and not applied:
        raise ReplayError("expected an applied revision to take back, found none")
    number = applied[-1] if revision is None else revision
    found = [row for row in rows if row.revision_id == number]
    if not found:
        raise ReplayError(f"expected a revision of this store, got {number}; `loamline replay list` shows them")
    left = unfinished(store)
    if left is not None and left.revision_id == number and left.step == "withdrawing":
        return number  # it goes on where it stopped
    _refuse_beside_another(store)
    if found[0].step != "applied":
        raise ReplayError(f"expected an applied revision, got {number}, which is {found[0].step}")
    withdraw(store, number)
    return number


def steps(
    store: Store, codecs: CodecSet, revision: int, provenances: Provenances | None = None
) -> Iterator[Progress]:
    """Do what is left of a revision, one short step at a time, the work of a step before its `Progress`."""
    return Replay(store, codecs, provenances).finish(revision)


def revision_of(store: Store, number: int) -> RevisionRow:
    """Return a revision's row. Raises ReplayError where there is none."""
    for row in revision_rows(store):
        if row.revision_id == number:
            return row
    raise ReplayError(f"expected a revision of this store, got {number}; `loamline replay list` shows them")


def _refuse_beside_another(store: Store) -> None:
    left = unfinished(store)
    if left is not None:
        raise ReplayError(
            f"expected no unfinished revision, found {left.revision_id} ({left.step}); finish it by `loamline replay apply`"
        )
