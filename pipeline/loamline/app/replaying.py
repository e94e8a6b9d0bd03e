"""The work behind `loamline replay`, for whoever has the store open: a command, or the daemon that a command asked.

Everything given and returned is plain data. Long work is a generator of short steps: whoever drives it may commit to
the store between two of them, on the same thread, by the writer that was given. The first progress of the part
"merging" says that a revision was published or taken back.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_curve, find_probe, find_site
from loamline.edges.store.replay import Deriver, Progress, Replay, derive_here
from loamline.edges.store.revisions import RevisionRow, give_up, open_revision, revision_rows, unfinished, withdraw
from loamline.edges.store.stale import Plan, Scope, plan, planning
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

__all__ = [
    "Applied",
    "Plan",
    "Progress",
    "ReplayError",
    "RevisionRow",
    "Scope",
    "applying",
    "begin_apply",
    "begin_undo",
    "known_scope",
    "plan_now",
    "planned",
    "revision_of",
    "steps",
    "undoing",
]

#: Readings that a step of planning looks at: some 50 ms of work.
_PLANNED = 25_000


class ReplayError(Exception):
    """A replay that can't begin; the message says what was expected, what came and what to do next."""


@dataclass(frozen=True)
class Applied:
    """What `applying` or `undoing` did.

    `revision` and `changed`: the revision and how many readings it changed; None and 0 where nothing was stale.
    `resumed`: a revision that was found unfinished and is finished now, None where there was none.
    """

    revision: int | None
    changed: int
    resumed: int | None = None


def known_scope(store: Store, scope: Scope) -> Scope:
    """Return a scope with the names that people type as those of the store. Raises ReplayError for an unknown one."""
    try:
        return replace(
            scope,
            probes=tuple(dev_eui for name in scope.probes for dev_eui in find_probe(store, name)),
            sites=tuple(find_site(store, name) for name in scope.sites),
            curves=tuple(find_curve(store, name) for name in scope.curves),
        )
    except UnknownNameError as problem:
        raise ReplayError(str(problem)) from None


def plan_now(
    store: Store,
    codecs: CodecSet,
    scope: Scope,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Plan:
    """Return what is stale in `scope`. Writes nothing. Raises ReplayError for an unknown name.

    `progress` is called with the readings seen and all there are.
    """
    return plan(store, codecs, known_scope(store, scope), progress)


def applying(
    store: Store,
    codecs: CodecSet,
    scope: Scope,
    reason: str,
    by: str,
    now: datetime,
    writer: Writer | None = None,
    deriver: Deriver = derive_here,
) -> Generator[Progress, None, Applied]:
    """Finish what an earlier process left, then recalculate what is stale in `scope`; nothing stale, nothing done.

    `deriver` runs the chain, in this process or elsewhere.
    """
    scope = known_scope(store, scope)
    left = unfinished(store)
    if left is not None:
        yield from steps(store, codecs, left.revision_id, writer, deriver)
    told = yield from planned(store, codecs, scope, writer)
    resumed = None if left is None else left.revision_id
    if told.nothing:
        # Where the revision that was resumed left nothing to do, it is the answer.
        changed = 0 if resumed is None else revision_of(store, resumed).changed or 0
        return Applied(resumed, changed, resumed)
    number = _open(store, told, scope, reason, by, now)
    yield from steps(store, codecs, number, writer, deriver)
    return Applied(number, revision_of(store, number).changed or 0, resumed)


def undoing(
    store: Store, codecs: CodecSet, revision: int | None = None, writer: Writer | None = None
) -> Generator[Progress, None, Applied]:
    """Take a revision back, the latest applied one where none is named. Raises ReplayError where there is none.

    One in preparation is dropped, if it is named. One whose withdrawal an earlier process left is finished.
    """
    left = unfinished(store)
    if left is not None and left.step == "preparing" and revision == left.revision_id:
        give_up(store, left.revision_id, datetime.now(UTC))
        return Applied(left.revision_id, 0)
    if left is not None and left.step != "preparing":
        yield from steps(store, codecs, left.revision_id, writer)
        if left.step in ("withdrawing", "undone") and revision in (None, left.revision_id):
            return Applied(left.revision_id, left.changed or 0, left.revision_id)
    number = begin_undo(store, revision)
    yield from steps(store, codecs, number, writer)
    return Applied(number, revision_of(store, number).changed or 0)


def begin_apply(store: Store, codecs: CodecSet, scope: Scope, reason: str, by: str, now: datetime) -> int | None:
    """Record a revision of what is stale in `scope`, to be driven by `steps`; None where nothing is stale.

    Raises ReplayError while another revision is unfinished: finish that one first.
    """
    scope = known_scope(store, scope)
    _refuse_beside_another(store)
    told = plan(store, codecs, scope)
    return None if told.nothing else _open(store, told, scope, reason, by, now)


def begin_undo(store: Store, revision: int | None = None) -> int:
    """Begin to take back a revision, the latest applied one where none is named; return its number.

    Raises ReplayError where there is no such revision, it is not applied, or another one is unfinished.
    """
    _refuse_beside_another(store)
    applied = [row.revision_id for row in revision_rows(store) if row.step == "applied"]
    if revision is None and not applied:
        raise ReplayError("expected an applied revision to take back, found none")
    number = applied[-1] if revision is None else revision
    step = revision_of(store, number).step
    if step != "applied":
        raise ReplayError(f"expected an applied revision to take back, got {number}, which is {step}")
    withdraw(store, number)
    return number


def steps(
    store: Store, codecs: CodecSet, revision: int, writer: Writer | None = None, deriver: Deriver = derive_here
) -> Iterator[Progress]:
    """Do what is left of a revision, one short step at a time."""
    return Replay(store, codecs, writer, deriver=deriver).finish(revision)


def revision_of(store: Store, number: int) -> RevisionRow:
    """Return a revision's row. Raises ReplayError where there is none."""
    for row in revision_rows(store):
        if row.revision_id == number:
            return row
    raise ReplayError(f"expected a revision of this store, got {number}; `loamline replay list` shows them")


def planned(
    store: Store, codecs: CodecSet, scope: Scope, writer: Writer | None, block: int = _PLANNED
) -> Generator[Progress, None, Plan]:
    """Return what is stale in `scope`, step by step. Writes nothing. Raises ReplayError for an unknown name."""
    scope = known_scope(store, scope)
    work = planning(store, codecs, scope, block, None if writer is None else writer.registry)
    while True:
        try:
            done, total = next(work)
        except StopIteration as end:
            told: Plan = end.value
            return told
        yield Progress("planning", done, total)


def _open(store: Store, told: Plan, scope: Scope, reason: str, by: str, now: datetime) -> int:
    return open_revision(
        store,
        reference_id=told.reference_id,
        reason=reason,
        asked_by=by,
        scope=json.dumps(scope.as_fields()),
        now=now,
        spans=told.spans.values(),
    )


def _refuse_beside_another(store: Store) -> None:
    left = unfinished(store)
    if left is not None:
        raise ReplayError(
            f"expected no unfinished revision, found {left.revision_id}, which is {left.step}; finish it by "
            f"`loamline replay apply`, or drop it by `loamline replay undo {left.revision_id}`"
        )
