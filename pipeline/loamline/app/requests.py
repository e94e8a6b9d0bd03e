"""What can be asked of the running daemon: a name, a form that the request has to fit, and who answers it.

An answer is a generator: it yields what to tell of progress, one object after each short step, and returns the result.
Live messages are stored between two steps. All of it runs on the one thread that may touch the store.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, TypeAdapter, ValidationError

from loamline.app.replaying import Progress, Scope, applying, planned, revision_of, steps, undoing
from loamline.core.reference import RegistryState
from loamline.edges.sentences import sentence
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference, save_state
from loamline.edges.store.revisions import revision_rows
from loamline.edges.store.writer import Writer
from loamline_codecs import CodecSet

_Done = TypeVar("_Done")
Answer = Generator[dict[str, Any], None, Any]


@dataclass(frozen=True)
class Work:
    """What an answer may use. `status` tells how the daemon is."""

    store: Store
    writer: Writer
    codecs: CodecSet
    status: Callable[[], dict[str, Any]]


class Form(BaseModel):
    """A request's fields; `request` is its name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    request: str


class ScopeForm(Form):
    """What a replay is to be about; nothing given means everything."""

    probes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    since: AwareDatetime | None = None
    until: AwareDatetime | None = None

    def scope(self) -> Scope:
        """Return it as the store's side takes it."""
        return Scope(self.probes, self.sites, self.curves, self.since, self.until)


class ApplyForm(ScopeForm):
    """A revision to make."""

    reason: str
    asked_by: str


class RevisionForm(Form):
    """A revision that is meant, the latest where none is named."""

    revision: int | None = None


class RegistryForm(Form):
    """A registry that was read from a folder and checked."""

    state: RegistryState
    note: str


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
    "registry_load": Kind(RegistryForm, _load_registry),
    "replay_plan": Kind(ScopeForm, _plan, job=True),
    "replay_apply": Kind(ApplyForm, _apply, job=True, goes_on=True),
    "replay_undo": Kind(RevisionForm, _undo, job=True, goes_on=True),
    "replay_list": Kind(Form, _list),
    "replay_show": Kind(RevisionForm, _show),
}
_REGISTRY = TypeAdapter(RegistryState)
