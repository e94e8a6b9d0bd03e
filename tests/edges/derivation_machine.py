"""A store under everything that can happen to it, held after every step against a derivation of its whole raw log.

The air side makes uplinks of several probes, which wait at the broker; the daemon's side commits some of them in any
order and acknowledges them, or dies first, or dies before it can say so. What was not acknowledged comes again, and
some comes late. The registry changes in between, and replays go on and are taken back. After every step, `verify` has
to find no difference, not a bit.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import duckdb
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from loamline.app.replaying import Scope, begin_apply, begin_undo
from loamline.edges.store.registry import save_state
from loamline.edges.store.replay import Progress, Replay
from loamline.edges.store.revisions import revision_rows, unfinished
from loamline.edges.store.verify import verify
from loamline_schemas.uplink import Reception, Uplink
from tests.edges.machine_air import CODECS, COURSES, PROBES, START, UNTIMED, Course, Probe, emitted
from tests.edges.machine_daemon import Daemon, Killed
from tests.edges.machine_registry import STATES, Told, registry_state

SEEDS = st.integers(0, 999)
#: How much of what waits a commit takes; the rest is late.
SHARES = st.sampled_from([1.0, 1.0, 1.0, 1.0, 0.5, 0.2])


class Derivation(RuleBasedStateMachine):
    """See the module's text."""

    @initialize(told=STATES)
    def begin(self, told: Told) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.daemon = Daemon(Path(self.folder.name) / "s.duckdb")
        self.probes = [Probe(dev_eui) for dev_eui in PROBES]
        self.waiting: list[Uplink] = []
        self.late: list[Uplink] = []
        self.work: Iterator[Progress] | None = None
        self.acknowledged: list[Uplink] = []
        self.now = START
        self.unchecked = True
        self._load(told)

    def teardown(self) -> None:
        if hasattr(self, "daemon"):
            self.daemon.close()
            self.folder.cleanup()

    # What comes ---------------------------------------------------------------------------------------

    @rule(
        courses=st.lists(st.tuples(st.integers(0, len(PROBES) - 1), COURSES), min_size=1, max_size=3),
        ending=st.sampled_from(["committed", "committed", "late ones, too", "late ones, too", "waiting"]),
        share=SHARES,
        cuts=st.integers(1, 3),
        seed=SEEDS,
    )
    def send(self, courses: list[tuple[int, Course]], ending: str, share: float, cuts: int, seed: int) -> None:
        """Probes send; their uplinks are committed, or wait for what is to happen next."""
        for which, course in courses:
            probe = self.probes[which]
            in_time, late = emitted(probe, course)
            self.waiting += in_time
            self.late += late
            self.now = max(self.now, probe.at)
        if ending != "waiting" and self.waiting:
            self.commit(share, cuts, seed)
        if ending == "late ones, too" and self.late:
            self.come_late()

    @precondition(lambda self: self.late)
    @rule()
    def come_late(self) -> None:
        """What was late is committed by itself."""
        self.waiting, others = self.late, self.waiting
        self.commit(1.0, 1, 0)
        self.waiting, self.late = others, []

    @rule(course=COURSES, number=st.integers(1, 3))
    def hear_without_a_time(self, course: Course, number: int) -> None:
        """A probe whose messages carry no time sends; each is committed as it comes."""
        probe = self.probes[list(PROBES).index(UNTIMED)]
        told, late = emitted(probe, replace(course, number=number, event="nothing", again=()))
        self.late += late
        for uplink in told:
            self.now += timedelta(minutes=course.minutes)
            self.daemon.commit([uplink], self.now)
        self.acknowledged += told
        self.unchecked = True

    @precondition(lambda self: self.acknowledged)
    @rule(
        which=st.integers(0, 10**6),
        of=st.sampled_from(["any", "any", "untimed"]),
        how=st.sampled_from(["same", "gateway", "gateway", "minutes", "hours"]),
    )
    def redeliver(self, which: int, of: str, how: str) -> None:
        """Something that was acknowledged comes again: the same, by another gateway, or heard a little later."""
        those = [told for told in self.acknowledged if told.heard_at is None] if of == "untimed" else []
        those = those or self.acknowledged
        uplink = those[which % len(those)]
        heard = uplink.heard_at
        if how != "same":
            uplink = uplink.model_copy(update={"receptions": (Reception(gateway="C", rssi_dbm=-80, snr_db=3),)})
        if heard is not None and how in ("minutes", "hours"):
            later = timedelta(minutes=7) if how == "minutes" else timedelta(hours=30)
            uplink = uplink.model_copy(update={"heard_at": heard + later})
        self.waiting.append(uplink)

    # What is done with it -----------------------------------------------------------------------------

    @precondition(lambda self: self.waiting)
    @rule(share=SHARES, cuts=st.integers(1, 3), seed=SEEDS)
    def commit(self, share: float, cuts: int, seed: int) -> None:
        """Some of what waits is committed, in any order, in one batch or several; the rest is late."""
        some = self._some(share, seed)
        for number in range(cuts):
            batch = some[number::cuts]
            if batch:
                self._tick()
                self.daemon.commit(batch, self.now)
        self._acknowledge(some)

    @precondition(lambda self: self.waiting)
    @rule(statement=st.integers(0, 25), error=st.booleans(), seed=SEEDS)
    def die_before_the_commit(self, statement: int, error: bool, seed: int) -> None:
        """A statement fails, or the process ends at it; nothing is acknowledged. It may have gone well after all."""
        some = self._some(1.0, seed)
        self._tick()
        self.daemon.dying.left = statement
        self.daemon.dying.error = duckdb.IOException("planted") if error else Killed()
        try:
            self.daemon.commit(some, self.now)
        except Killed:
            self._restart()
        except duckdb.IOException:
            pass  # the writer goes on with the next batch
        self.daemon.dying.left = None
        self.unchecked = True

    @precondition(lambda self: self.waiting)
    @rule(share=SHARES, seed=SEEDS)
    def die_after_the_commit(self, share: float, seed: int) -> None:
        """The batch is on disk, but nobody was told; it comes again."""
        some = self._some(share, seed)
        self._tick()
        self.daemon.dying.after_commit = True
        try:
            self.daemon.commit(some, self.now)
        except Killed:
            self._restart()
        self.daemon.dying.after_commit = False
        self.unchecked = True

    @precondition(lambda self: self.daemon.worked)
    @rule()
    def restart(self) -> None:
        """The daemon is stopped and started."""
        self._restart()

    def _restart(self) -> None:
        self.work = None
        self.daemon.restart()

    @rule(told=STATES)
    def change_the_registry(self, told: Told) -> None:
        """A revised registry is loaded; what is stored stays under the state that it came under."""
        self._load(told)

    @rule(undo=st.booleans(), most=st.sampled_from([1, 2, 4, 1000]))
    def recalculate(self, undo: bool, most: int) -> None:
        """Some steps of a replay under the registry in force, or of taking one back; others may come between."""
        self.work = self.work or self._begin(undo)
        for _ in range(most):
            if self.work is None or next(self.work, None) is None:
                self.work = None
                break
        self.unchecked = True

    def _begin(self, undo: bool) -> Iterator[Progress] | None:
        store = self.daemon.store
        left = unfinished(store)
        if left is not None:
            number = left.revision_id
        elif undo:
            applied = [row for row in revision_rows(store) if row.step == "applied"]
            number = begin_undo(store) if applied else None
        else:
            number = begin_apply(store, CODECS, Scope(), "corrected", "tester", self.now)
        return None if number is None else Replay(store, CODECS, self.daemon.writer, chunk=100).finish(number)

    # What has to hold ---------------------------------------------------------------------------------

    @invariant()
    def stored_is_what_the_raw_log_gives(self) -> None:
        if getattr(self, "unchecked", False):
            told = verify(self.daemon.store, CODECS, first=4)
            assert told.differences == 0, told
            self.unchecked = False

    @invariant()
    def nothing_acknowledged_is_lost(self) -> None:
        if getattr(self, "acknowledged", None):
            rows = self.daemon.store.con.execute(
                "SELECT DISTINCT dev_eui, fcnt, payload FROM uplink JOIN probe_identity USING (probe_id)"
            ).fetchall()
            held = {(dev_eui, fcnt, bytes(payload)) for dev_eui, fcnt, payload in rows}
            assert {(told.dev_eui, told.fcnt, told.payload) for told in self.acknowledged} <= held

    # ---------------------------------------------------------------------------------------------------

    def _some(self, share: float, seed: int) -> list[Uplink]:
        """Return some of what waits, in any order."""
        return random.Random(seed).sample(self.waiting, max(1, round(share * len(self.waiting))))

    def _acknowledge(self, some: list[Uplink]) -> None:
        done = {id(uplink) for uplink in some}
        self.waiting = [uplink for uplink in self.waiting if id(uplink) not in done]
        self.acknowledged += some
        self.unchecked = True

    def _tick(self) -> None:
        self.now += timedelta(minutes=5)

    def _load(self, told: Told) -> None:
        save_state(self.daemon.store, registry_state(told), "test")
        self.daemon.writer.reload()
