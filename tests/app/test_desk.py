"""The daemon's desk without a socket: requests answered between commits by the real loop, on a real store."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from loamline.app.demo.registry_folder import write_registry_folder
from loamline.app.ingest import Ingest, make_log
from loamline.app.request_forms import RegistryForm
from loamline.app.requests import registry_as_json
from loamline.edges.control import ControlError
from loamline.edges.inbox import Delivery
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.verify import verify
from loamline_codecs import builtin_codecs
from tests.support.asking import Asking, Either
from tests.support.large_store import fleet_registry, fleet_store, uplink

#: So many that staging takes three steps.
PROBES, HOURS = 24, 500
APPLY = {"request": "replay_apply", "reason": "a test", "asked_by": "tester"}


class OneEachTime:
    """Hands out one message of one uplink at every call, until stopped; the fleet's next hours."""

    def __init__(self, most: int = 10_000) -> None:
        self._most, self._closed = most, False
        self.acknowledged = 0
        self.sent: list[tuple[str, int]] = []

    def start(self) -> None:
        """Nothing to connect."""

    def receive(self, wait_s: float) -> list[Delivery]:  # noqa: ARG002 - as the protocol has it
        if self._closed or len(self.sent) == self._most:
            return []
        number, hour = len(self.sent) % PROBES, HOURS + len(self.sent) // PROBES
        told = uplink(number, hour)
        self.sent.append((told.dev_eui, told.fcnt))
        return [Delivery(1, 1, 1, "topic", told.model_dump_json(exclude_none=True).encode())]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        self.acknowledged += len(deliveries)
        return len(deliveries)

    def stop_intake(self) -> None:
        self._closed = True

    def close(self) -> None:
        """Nothing to leave."""


@pytest.fixture(scope="module")
def revised(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with a corrected soil curve, in which every reading is stale."""
    path = tmp_path_factory.mktemp("revised") / "s.duckdb"
    fleet_store(path, PROBES, HOURS)
    with Store.open(path) as store:
        save_state(store, fleet_registry(PROBES, slope=0.01), "corrected")
    return path


@pytest.fixture
def store(revised: Path, tmp_path: Path) -> Path:
    path = tmp_path / "s.duckdb"
    path.write_bytes(revised.read_bytes())
    return path


def run(store: Path, asking: Asking, source: OneEachTime | None = None) -> list[dict[str, Any]]:
    """Run the daemon until everything is answered; return its log."""
    log = io.StringIO()
    source = source or OneEachTime()
    daemon = Ingest(
        store=store,
        codecs=builtin_codecs(),
        source=source,
        requests=asking,
        log=make_log("json", file=log),
        shortest_pause_s=0.01,
    )
    asking.done = daemon.stop
    asking.daemon = daemon  # type: ignore[attr-defined]
    assert daemon.run()
    assert source.acknowledged == len(source.sent)
    return [json.loads(line) for line in log.getvalue().splitlines()]


def events(log: list[dict[str, Any]], event: str) -> Iterator[dict[str, Any]]:
    return (line for line in log if line["event"] == event)


def assert_whole(path: Path, source: OneEachTime | None = None) -> None:
    """Every message is stored, and all that is derived is what a derivation of the raw log gives."""
    with Store.open(path) as store:
        assert verify(store, builtin_codecs()).differences == 0
        for dev_eui, fcnt in source.sent if source else []:
            found = "SELECT count(*) FROM uplink JOIN probe_identity USING (probe_id) WHERE dev_eui = ? AND fcnt = ?"
            assert store.scalar(found, [dev_eui, fcnt]) == 1
        assert store.scalar("SELECT count(*) FROM reading_staged") == 0


def test_messages_are_stored_between_the_steps_of_a_replay_and_nothing_is_lost(store: Path) -> None:
    """One commit a step; the probes that were heard meanwhile are derived under the revision too."""
    source = OneEachTime()
    asking = Asking(APPLY, {"request": "replay_plan"})
    run(store, asking, source)
    applied, plan = asking.results
    assert applied["revision"] == 1
    assert applied["changed"] >= PROBES * HOURS
    assert plan["stale"] == 0
    assert len(source.sent) >= len(asking.heard) > 6
    assert {told["part"] for told in asking.heard} == {"planning", "staging", "merging"}
    assert_whole(store, source)


def test_apply_then_undo_leaves_what_was_there_and_what_came_meanwhile(store: Path) -> None:
    source = OneEachTime()
    asking = Asking(APPLY, {"request": "replay_undo"}, {"request": "replay_list"}, {"request": "replay_plan"})
    run(store, asking, source)
    applied, undone, rows, plan = asking.results
    assert (undone["revision"], undone["changed"]) == (1, applied["changed"])
    assert [(row["revision_id"], row["step"]) for row in rows] == [(1, "undone")]
    # What came before the correction is stale again; what came after it never was.
    assert plan["stale"] == PROBES * HOURS
    assert_whole(store, source)


def test_a_registry_loaded_between_two_messages_holds_for_the_next(store: Path) -> None:
    """Also for a probe that it is the first to name, and while a replay runs."""
    later = fleet_registry(PROBES + 1, slope=0.02)
    asking = Asking(APPLY, {"request": "replay_plan"})
    other = {"request": "registry_load", "state": registry_as_json(later), "note": "later"}
    once: list[Asking] = []

    def pick() -> Any:
        if asking.heard and asking.heard[-1]["part"] == "staging" and not once:
            once.append(Asking(other))
            return once[0].next_request()
        return asking.next_request()

    both, source = Either(pick), OneEachTime()
    asking.done = both.finish
    run(store, both, source)
    assert once[0].results[0]["changed"]
    assert once[0].results[0]["reference_id"] == 3
    assert {change["table"]: change["added"] for change in once[0].results[0]["changes"]}["probe"] == 1
    # The revision is to the state that was in force when it was asked for.
    assert asking.results[1]["stale"] > PROBES * HOURS
    assert_whole(store, source)


def test_a_registry_goes_over_the_socket_unchanged(tmp_path: Path) -> None:
    """The demo's registry has every kind of row."""
    write_registry_folder(tmp_path)
    state, faults = read_registry(tmp_path)
    assert faults == []
    assert state is not None
    told = json.loads(json.dumps({"request": "registry_load", "state": registry_as_json(state), "note": "x"}))
    assert RegistryForm.model_validate(told).state == state
    assert state.curves
    assert state.limits.limits
    assert state.soils


@pytest.mark.parametrize("part", ["planning", "staging", "merging"])
def test_stopped_in_the_middle_the_next_start_goes_on_by_itself(store: Path, part: str) -> None:
    """What was asked for is not answered, but told: it goes on. A plan alone left nothing to go on with."""
    first, source = Asking(APPLY), OneEachTime()
    first.hear = lambda told: first.daemon.stop() if told["part"] == part else None  # type: ignore[attr-defined]
    run(store, first, source)
    assert first.errors == ["the daemon stops; what was begun of a revision goes on when the daemon is up again"]
    second = Asking({"request": "replay_plan"})
    log = run(store, second, OneEachTime(0))
    resumed = part != "planning"
    assert len(list(events(log, "resuming a revision"))) == resumed
    assert second.results[0]["stale"] == (0 if resumed else PROBES * HOURS)
    assert_whole(store, source)


def test_a_client_that_leaves_does_not_end_the_replay(store: Path) -> None:
    gone = Asking(APPLY)
    gone.hear = lambda told: setattr(gone, "gone", told["part"] == "staging" or gone.gone)
    plan = Asking({"request": "replay_plan"})

    two = Either(lambda: gone.next_request() or (plan.next_request() if gone.gone else None))
    plan.done = two.finish
    log = run(store, two)
    assert [line["goes_on"] for line in events(log, "nobody waits for the answer any more")] == [True]
    assert gone.results == []
    assert plan.heard[0] == {"part": "waiting", "behind": "replay_apply"}
    assert plan.results[0]["stale"] == 0
    assert_whole(store)


def test_a_plan_that_nobody_waits_for_is_dropped(store: Path) -> None:
    gone = Asking({"request": "replay_plan"})
    gone.gone = True
    status = Asking({"request": "status"})

    two = Either(lambda: gone.next_request() or status.next_request())
    status.done = two.finish
    log = run(store, two)
    assert [line["goes_on"] for line in events(log, "nobody waits for the answer any more")] == [False]
    assert gone.heard == []


def test_a_job_is_told_of_by_status_which_does_not_wait_for_it(store: Path) -> None:
    apply, status = Asking(APPLY), Asking({"request": "status"})

    two = Either(lambda: apply.next_request() or (status.next_request() if apply.heard else None))
    apply.done = two.finish
    run(store, two)
    told = status.results[0]
    assert told["job"]["request"] == "replay_apply"
    assert told["job"]["part"] in ("planning", "staging")
    assert told["counts"]["accepted"] > 0
    assert told["waiting"] == []
    assert apply.results


def test_a_store_that_fails_in_the_middle_is_told_and_the_revision_goes_on_once_it_is_open(store: Path) -> None:
    asking, plan = Asking(APPLY), Asking({"request": "replay_plan"})

    source = OneEachTime()
    broken: list[int] = []

    def pick() -> Any:
        open_again = bool(broken) and len(source.sent) > broken[0] + 1
        return plan.next_request() if open_again else asking.next_request()

    def break_the_connection(told: dict[str, Any]) -> None:
        if told["part"] == "staging" and not broken:
            broken.append(len(source.sent))
            two.daemon._store.con.close()  # type: ignore[attr-defined]

    two = Either(pick)
    plan.done, asking.hear = two.finish, break_the_connection
    log = run(store, two, source)
    assert asking.errors[0].startswith("expected the store to be open, but it is away; the daemon's log says why")
    assert len(list(events(log, "resuming a revision"))) == 1
    assert plan.results[0]["stale"] == 0
    assert_whole(store, source)


@pytest.mark.parametrize(
    ("request_", "sentence"),
    [
        ({"request": "dance"}, "expected one of status, "),
        ({"request": "replay_undo", "revision": "x"}, "request replay_undo: revision: expected a whole number"),
        ({"request": "replay_undo"}, "expected an applied revision to take back, found none"),
        ({"request": "replay_show", "revision": 9}, "expected a revision of this store, got 9"),
        ({"request": "replay_apply", "asked_by": "x"}, "request replay_apply: reason: expected "),
        ({"request": "status", "more": 1}, "request status: more: expected "),
        ({"request": "replay_plan", "probes": ["S-none"]}, "expected the dev_eui or serial of a probe in the store"),
        ({"request": "registry_load", "state": {"sites": [{}]}, "note": ""}, "request registry_load: state."),
    ],
)
def test_what_cannot_be_answered_is_told_in_one_sentence(store: Path, request_: dict[str, Any], sentence: str) -> None:
    asking = Asking(request_, {"request": "status"})
    run(store, asking, OneEachTime(0))
    assert asking.errors[0].startswith(sentence)
    assert "\n" not in asking.errors[0]
    assert len(asking.results) == 1


def test_without_a_socket_the_daemon_does_without(store: Path) -> None:
    class Deaf(Asking):
        def start(self) -> None:
            raise ControlError("expected a shorter path")

    source = OneEachTime(3)
    log = io.StringIO()
    daemon = Ingest(
        store=store, codecs=builtin_codecs(), source=source, requests=Deaf(), log=make_log("json", file=log)
    )
    source.acknowledge = lambda _: daemon.stop() or 1  # type: ignore[method-assign, func-returns-value]
    assert daemon.run()
    assert "expected a shorter path" in log.getvalue()
