"""What can be asked of the running daemon: a name, a form that the request has to fit, and who answers it.

An answer is a generator: it yields what to tell of progress, one object after each short step, and returns the result.
Live messages are stored between two steps. All of it runs on the one thread that may touch the store.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from loamline.app import archive_work, key_work
from loamline.app.fleet_problems import noted_problems
from loamline.app.looking import AsOf, Look, exporting_into, previewing_into
from loamline.app.mirroring import LONGEST_STEP_S, mirroring
from loamline.app.replaying import Progress, ReplayError, applying, planned, revision_of, steps, undoing
from loamline.app.request_forms import (
    ApplyForm,
    ArchiveRunForm,
    AsOfForm,
    BackupForm,
    Form,
    KeyForm,
    KeyIdForm,
    MirrorForm,
    PreviewForm,
    RegistryForm,
    RestoreForm,
    RevisionForm,
    ScopeForm,
    SiteForm,
)
from loamline.core.reference import RegistryState
from loamline.edges.control_caller import Taker
from loamline.edges.sentences import sentence
from loamline.edges.store.api_keys import KeyRowError
from loamline.edges.store.aside import aside, in_a_thread
from loamline.edges.store.backup import backing_up
from loamline.edges.store.connection import Store
from loamline.edges.store.lending import Lender, LendingError
from loamline.edges.store.reading_api import StoreReader
from loamline.edges.store.registry import latest_reference, save_state
from loamline.edges.store.revisions import revision_rows
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

_Done = TypeVar("_Done")
Answer = Generator[dict[str, Any], None, Any]


@dataclass(frozen=True)
class Work:
    """What an answer may use. `status` tells how the daemon is, `reload` reads again what its settings name."""

    store: Store
    writer: Writer
    codecs: CodecSet
    status: Callable[[], dict[str, Any]]
    reload: Callable[[], dict[str, Any]] | None = None
    lender: Lender = field(default_factory=Lender)


@dataclass(frozen=True)
class HandedOver:
    """A result after which `taker` has the connection to whoever asked, None where nobody is there any more."""

    told: Any
    taker: Taker


@dataclass(frozen=True)
class Kind:
    """How one request is answered.

    `job`: one after another, a step between two commits; others are answered at once, beside a job.
    `goes_on`: also when nobody waits for the answer any more.
    """

    form: type[Form]
    answer: Callable[[Work, Any], Answer]
    job: bool = False
    goes_on: bool = False


def registry_as_json(state: RegistryState) -> Any:
    """Return a registry as the field `state` of `registry_load` takes it."""
    return _REGISTRY.dump_python(state, mode="json", by_alias=True)


def read_request(told: dict[str, Any]) -> tuple[Kind, Form]:
    """Return what is asked. Raises ValueError with a sentence where there is no such request or it does not fit."""
    name = told["request"]
    if name not in REQUESTS:
        raise ValueError(f"expected one of {', '.join(REQUESTS)} as request, got {name[:60]!r}; is this daemon older?")
    try:
        return REQUESTS[name], REQUESTS[name].form.model_validate(told)
    except ValidationError as problem:
        raise ValueError(f"request {name}: {sentence(problem)}") from None


def _status(work: Work, _: Form) -> Answer:
    yield from ()
    return work.status()


def _reload(work: Work, _: Form) -> Answer:
    yield from ()
    if work.reload is None:
        raise ReplayError("expected a daemon with settings to read again, got one without")
    return work.reload()


def _problems(work: Work, told: SiteForm) -> Answer:
    yield from ()
    return noted_problems(work.store, told.site)


def _lend(work: Work, _: Form) -> Answer:
    """Lend the store as it stands; what is read of it is asked over the same connection (`edges/store/lending.py`)."""
    yield from ()
    try:
        loan = work.lender.lend(work.store)
    except LendingError as problem:
        raise ReplayError(str(problem)) from None
    return HandedOver({"folder": str(work.store.path.absolute().parent)}, loan.begin)


def _key_create(work: Work, told: KeyForm) -> Answer:
    yield from ()
    fields = told.model_dump(exclude={"request"})
    return _key(lambda: key_work.key_create(work.store, **fields))


def _key_list(work: Work, _: Form) -> Answer:
    yield from ()
    return key_work.key_list(work.store)


def _key_revoke(work: Work, told: KeyIdForm) -> Answer:
    yield from ()
    return _key(lambda: key_work.key_revoke(work.store, key_id=told.key_id))


def _key(do: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    try:
        return do()
    except (KeyRowError, ValueError) as problem:
        raise ReplayError(str(problem)) from None


def _load_registry(work: Work, told: RegistryForm) -> Answer:
    yield from ()
    before = latest_reference(work.store)
    number, changes = save_state(work.store, told.state, told.note)
    if number != before:
        work.writer.registered()
    return {"reference_id": number, "changed": number != before, "changes": [vars(change) for change in changes]}


def _plan(work: Work, told: ScopeForm) -> Answer:
    found = yield from _telling(planned(work.store, work.codecs, told.scope(), work.writer))
    return found.as_fields()


def _apply(work: Work, told: ApplyForm) -> Answer:
    scope, by, now = told.scope(), told.asked_by, datetime.now(UTC)
    done = applying(work.store, work.codecs, scope, told.reason, by, now, work.writer)
    return vars((yield from _telling(done)))


def _undo(work: Work, told: RevisionForm) -> Answer:
    done = undoing(work.store, work.codecs, told.revision, work.writer)
    return vars((yield from _telling(done)))


def _list(work: Work, _: Form) -> Answer:
    yield from ()
    return [vars(row) for row in revision_rows(work.store)]


def _show(work: Work, told: RevisionForm) -> Answer:
    yield from ()
    return vars(revision_of(work.store, told.revision or len(revision_rows(work.store))))


def _preview(work: Work, told: PreviewForm) -> Answer:
    scope, codecs = told.scope(), work.codecs
    return _beside(
        work.store, lambda seen: previewing_into(seen, codecs, scope, told.file, whole_probes=told.whole_probes)
    )


def _as_of(work: Work, told: AsOfForm) -> Answer:
    asked = AsOf(told.probe, told.site, told.since, told.until, told.revision, told.instant)
    return _beside(work.store, lambda seen: exporting_into(seen, work.codecs, asked, told.file))


def _archive_run(work: Work, told: ArchiveRunForm) -> Answer:
    return archive_work.running(work.store, told.folder, told.before, datetime.now(UTC))


def _archive_restore(work: Work, told: RestoreForm) -> Answer:
    return archive_work.restored(work.store, told.month, delete=told.delete)


def _archive_list(work: Work, _: Form) -> Answer:
    return archive_work.listed(work.store)


def _archive_check(work: Work, _: Form) -> Answer:
    return archive_work.checked(work.store)


def _backup(work: Work, told: BackupForm) -> Answer:
    return _beside(work.store, lambda seen: backing_up(seen, told.file, begun=True))


def _mirror(work: Work, told: MirrorForm) -> Answer:
    # A view for each file, so that no version of a row is kept for longer.
    reader = StoreReader(work.store, at_once=1, time_limit_s=LONGEST_STEP_S)
    return _told(in_a_thread(mirroring(reader.view, told.folder, datetime.now(UTC)), reader.closed))


def _beside(store: Store, look: Callable[[Store], Look]) -> Answer:
    """Answer by a look that a thread of its own takes, so that no long statement holds a commit up."""
    return _told(aside(store, look))


def _told(seen: Generator[dict[str, Any] | None, None, Any]) -> Answer:
    told: dict[str, Any] = {"part": "looking", "done": 0, "total": 0}
    try:
        while True:
            item = next(seen)
            told = told if item is None else item
            yield told
    except StopIteration as end:
        return end.value
    finally:
        seen.close()


def finishing(work: Work, number: int) -> Answer:
    """Do what is left of a revision."""
    for told in steps(work.store, work.codecs, number, work.writer):
        yield vars(told)
    return vars(revision_of(work.store, number))


def _telling(done: Generator[Progress, None, _Done]) -> Generator[dict[str, Any], None, _Done]:
    while True:
        try:
            told = next(done)
        except StopIteration as end:
            result: _Done = end.value
            return result
        yield vars(told)


#: One line a request. A new one is a form, a generator and a line.
REQUESTS = {
    "status": Kind(Form, _status),
    "lend": Kind(Form, _lend),
    "problems": Kind(SiteForm, _problems),
    "registry_load": Kind(RegistryForm, _load_registry),
    "replay_plan": Kind(ScopeForm, _plan, job=True),
    "replay_preview": Kind(PreviewForm, _preview, job=True),
    "replay_apply": Kind(ApplyForm, _apply, job=True, goes_on=True),
    "replay_undo": Kind(RevisionForm, _undo, job=True, goes_on=True),
    "replay_list": Kind(Form, _list),
    "replay_show": Kind(RevisionForm, _show),
    "reload": Kind(Form, _reload),
    "export_as_of": Kind(AsOfForm, _as_of, job=True),
    "backup": Kind(BackupForm, _backup, job=True),
    "mirror": Kind(MirrorForm, _mirror, job=True),
    "key_create": Kind(KeyForm, _key_create),
    "key_list": Kind(Form, _key_list),
    "key_revoke": Kind(KeyIdForm, _key_revoke),
    "archive_run": Kind(ArchiveRunForm, _archive_run, job=True),
    "archive_list": Kind(Form, _archive_list),
    "archive_check": Kind(Form, _archive_check, job=True),
    "archive_restore": Kind(RestoreForm, _archive_restore, job=True),
}
_REGISTRY = TypeAdapter(RegistryState)
