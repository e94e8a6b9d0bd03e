"""The store, examined where it is free, or by asking the daemon that has it open."""

from __future__ import annotations

import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import duckdb

from loamline.app.codecs import known_codecs
from loamline.app.instants import ago
from loamline.app.life import heard_and_stored
from loamline.app.mirror_tending import mirror_in_words
from loamline.app.output import CommandError
from loamline.edges.control import ControlError
from loamline.edges.control_client import ControlClient
from loamline.edges.finding import Finding
from loamline.edges.store.connection import Store, StoreBusyError, StoreError, StoreOutdatedError
from loamline.edges.store.revisions import unfinished
from loamline.edges.store.stale import Scope, planning
from loamline_schemas.migrations import MIGRATIONS
from loamline_schemas.settings import Settings

#: What takes longer than this to count is left to the command that is there for it.
_PATIENCE_S = 10.0


@dataclass
class Examined:
    """Findings; whether the store was ever fed; how long its newest rows took (`heard_and_stored`), None unknown."""

    findings: list[Finding] = field(default_factory=list)
    fed: bool = False
    took: dict[str, Any] | None = None


def of_store(settings: Settings) -> Examined:
    """Examine a store that no daemon has open; it is opened to read."""
    path = settings.store
    daemon = Finding("daemon", "look", f"none has {path} open", "start it: `loamline ingest`")
    told = Examined([daemon])
    what = f"store {path}"
    if not path.exists():
        told.findings.append(Finding(what, "look", "there is none yet", "the daemon makes one at its start"))
        return told
    try:
        with Store.open(path, writable=False) as store:
            told.findings += _sound(what, store)
            told.fed, told.took = store.last_seq() > 0, heard_and_stored(store)
            told.findings.append(_stale(_counted(store, settings)))
    except StoreBusyError as problem:
        told.findings.append(Finding(what, "look", str(problem), "if that is the daemon, its log says why it is deaf"))
    except StoreOutdatedError as problem:
        told.findings.append(Finding(what, "look", str(problem), "a start of the daemon does that"))
    except (StoreError, duckdb.Error) as problem:
        told.findings.append(Finding(what, "broken", str(problem).splitlines()[0], "restore a backup, or as it says"))
    return told


def _sound(what: str, store: Store) -> Iterator[Finding]:
    count = len(store.archived)
    archive = f"{count} archived files in place" if count else "nothing archived"
    found = f"schema {MIGRATIONS[-1].number}, {store.last_seq()} uplinks, none missing by the watermark, {archive}"
    yield Finding(what, "fine", found)
    left = unfinished(store)
    if left is not None:
        yield Finding("replay", "look", f"revision {left.revision_id} is unfinished", "the daemon goes on with it")


def _counted(store: Store, settings: Settings) -> Generator[Any, None, int]:
    plan = yield from planning(store, known_codecs(settings.codec_dirs), Scope())
    return plan.stale


def of_daemon(settings: Settings, client: ControlClient) -> Examined:
    """Ask the running daemon."""
    told = Examined()
    try:
        status = client.answer("status")
    except ControlError as problem:
        told.findings.append(Finding("daemon", "broken", str(problem), "read the daemon's log"))
        return told
    told.took, told.fed = status.get("heard_and_stored"), bool(status.get("last_seq"))
    since, heard = status.get("since"), status.get("last_heard_at")
    told.findings.append(Finding("daemon", "fine", f"process {status.get('process')}, since {_when(since)}"))
    found = f"schema {status.get('schema')}, newest uplink {status.get('last_seq')}, checked by the daemon at its start"
    told.findings.append(Finding(f"store {settings.store}", "fine", found))
    for way in status.get("ways_in", ()):
        told.findings.append(_way_in(way))
    if (mirror := status.get("mirror")) is not None:
        troubled = mirror["late"] or mirror["failing_since"] is not None
        advice = "what the daemon's log says of the mirror; then free some room, or have it made less often"
        words = mirror_in_words(mirror)
        told.findings.append(Finding("mirror", "look" if troubled else "fine", words, advice if troubled else ""))
    words = "no uplink was ever heard" if heard is None else f"the last uplink was heard {_when(heard)}"
    late = heard is None or (datetime.now(UTC) - datetime.fromisoformat(heard)).total_seconds() > 86_400
    advice = "see that the network delivers; `loamline fleet` tells of every probe" if late else ""
    told.findings.append(Finding("uplinks", "look" if late else "fine", words, advice))
    told.findings.append(_stale(_asked(settings)))
    return told


def _way_in(way: dict[str, Any]) -> Finding:
    if way.get("open"):
        return Finding(way["name"], "fine", "open")
    canary = way.get("canary") or {}
    lost = ", canaries do not come back" if canary.get("missing") else ""
    stands = "connected" if way.get("connected", True) else "not connected"
    found = f"{stands}, {'subscribed' if way.get('subscribed', True) else 'not subscribed'}{lost}"
    return Finding(way["name"], "broken", found, "what follows on this broker says why; else the daemon's log")


def _asked(settings: Settings) -> Generator[Any, None, int]:
    # A connection of its own: hanging up is how a question is taken back.
    from loamline.app.opening import daemon_of  # noqa: PLC0415

    client = daemon_of(settings.store)
    if client is None:
        raise ControlError("expected the daemon to answer, but it left meanwhile")
    with client:
        plan = yield from client.ask("replay_plan")
    stale: int = plan["stale"]
    return stale


def _stale(counting: Generator[Any, None, int]) -> Finding:
    """Return whether readings are stale, as far as that is counted soon enough."""
    what, until = "readings", time.monotonic() + _PATIENCE_S
    try:
        while time.monotonic() < until:
            next(counting)
    except StopIteration as end:
        if not end.value:
            return Finding(what, "fine", "none is stale: all agree with registry and codecs")
        advice = "`loamline replay preview` shows what would change, `loamline replay apply` changes it"
        return Finding(what, "look", f"{end.value} are stale: registry or codecs changed since", advice)
    except (CommandError, ControlError, duckdb.Error) as problem:
        return Finding(what, "unseen", f"could not be counted: {problem}", "run `loamline replay plan`")
    counting.close()
    found = f"whether any is stale takes longer than {_PATIENCE_S:g} s to count"
    return Finding(what, "unseen", found, "run `loamline replay plan`")


def _when(text: str | None) -> str:
    if text is None:
        return "an unknown time"
    told = datetime.fromisoformat(text)
    return f"{told.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ} ({ago(datetime.now(UTC) - told)})"
