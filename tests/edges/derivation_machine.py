"""A store under everything that can happen to it, held after every step against a derivation of its whole raw log.

The air side makes uplinks of several probes, which wait at the broker; the daemon's side commits some of them in any
order and acknowledges them, or dies first, or dies before it can say so. What was not acknowledged comes again, and
some comes late. The registry changes in between, and replays go on and are taken back. After every step, `verify` has
to find no difference, not a bit.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from loamline.app.replaying import Scope, begin_apply, begin_undo
from loamline.core.reference import RegistryState
from loamline.edges.messages import Accepted
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.replay import Progress, Replay
from loamline.edges.store.revisions import revision_rows, unfinished
from loamline.edges.store.verify import verify
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.registry import PlacementRow
from loamline_schemas.uplink import Reception, Uplink
from tests.support.registry_rows import SITES, curve_rows, placement_row, probe_row

START = datetime(2026, 1, 10, tzinfo=UTC)
LONG_AGO = START - timedelta(days=400)
CODECS = builtin_codecs()

#: Which payload each probe sends, and whether its envelopes carry a time and an address.
PROBES = {
    "02AA000000000001": "measurement-v1",
    "02AA000000000002": "measurement-v2",
    "02AA000000000003": "measurement-v3",
    "02AA000000000004": "measurement-v4",
    "02AA000000000005": "measurement-v3",
}
UNTIMED = "02AA000000000005"
STRANGER = "02AA000000000004"


# --- the air side -------------------------------------------------------------------------------------------------


@dataclass
class Probe:
    """One probe in the soil, as its network hears it."""

    dev_eui: str
    at: datetime = START
    fcnt: int = 65_500  # soon to roll over
    dev_addr: int = 1
    counter: int = 0
    count: int = 1500
    degc: float = 4.0
    older: list[tuple[int | None, float]] = field(default_factory=list)


@dataclass(frozen=True)
class Course:
    """What a probe does next: `number` uplinks, so many minutes apart, in a soil that behaves as `soil` says.

    `odd`: what one uplink among them says that the others don't; `late`: it comes long after them. `lose`: of eight
    uplinks, so many are lost on the way. `again`: minutes after which another gateway's copy is heard. `event`: what
    happens to the probe first.
    """

    number: int
    minutes: int
    soil: str
    degc: float | None
    odd: str
    late: bool
    lose: int
    again: tuple[int, ...]
    event: str
    seed: int


COURSES = st.builds(
    Course,
    number=st.sampled_from([1, 2, 3, 9, 30, 90, 220, 220]),
    minutes=st.sampled_from([60, 60, 60, 60, 60, 59, 120, 10, 14, 30 * 60, 85 * 60, 85 * 60]),
    soil=st.sampled_from(["still", "still", "drying", "noisy"]),
    degc=st.sampled_from([None, None, -1.0, 0.25, 0.25, 0.25, 3.0]),
    odd=st.sampled_from(["nothing", "count", "count", "frost", "frost", "thaw", "fault"]),
    late=st.booleans(),
    lose=st.sampled_from([0, 0, 0, 1, 4]),
    again=st.sampled_from([(), (), (), (), (1,), (-9,), (9, 18), (11,), (9, 18, 27, 36), (0,)]),
    event=st.sampled_from(
        ["nothing", "nothing", "nothing", "restart", "address", "no address", "status", "unreadable", "babble"]
    ),
    seed=st.integers(0, 999),
)

#: A network says one uplink again every nine minutes, for six days: longer than a window.
BABBLE = tuple(range(9, 6 * 24 * 60, 9))


def emitted(probe: Probe, course: Course) -> tuple[list[Uplink], list[Uplink]]:
    """Return the deliveries that come of a course, those in time and those that are late; move the probe on."""
    rng = random.Random(course.seed)
    in_time: list[Uplink] = []
    late: list[Uplink] = []
    if course.event == "restart":
        probe.fcnt, probe.counter = 0, 0
    if course.event == "address":
        probe.dev_addr, probe.fcnt = probe.dev_addr + 1, 0
    odd = rng.randrange(course.number)
    for number in range(course.number):
        probe.at += timedelta(minutes=course.minutes, seconds=rng.choice([0, 0, 0, 1, -2]))
        probe.fcnt, probe.counter = (probe.fcnt + 1) % 0x1_0000, (probe.counter + 1) % 4096
        step = {"still": 0, "drying": -1, "noisy": rng.choice([-7, 7])}[course.soil]
        probe.count = max(600, min(3400, probe.count + step))
        probe.degc = probe.degc if course.degc is None else course.degc
        told = _told(probe, course.odd if number == odd else "nothing")
        probe.older = [told, *probe.older][:8]
        if rng.randrange(8) < course.lose:
            continue
        event = course.event if number == 0 else "nothing"
        fport, payload = _payload(probe, event, rng)
        deliveries = _deliveries(probe, course, BABBLE if event == "babble" else course.again, fport, payload, rng)
        if event == "babble":
            late.append(deliveries.pop(len(deliveries) // 2))
        (late if course.late and number == odd else in_time).extend(deliveries)
    return in_time, late


def _told(probe: Probe, odd: str) -> tuple[int | None, float]:
    """Return count and temperature as the probe measures them now."""
    count = {"fault": None, "count": min(3400, probe.count + 400)}.get(odd, probe.count)
    return count, {"frost": -1.0, "thaw": 3.0}.get(odd, probe.degc)


def _payload(probe: Probe, event: str, rng: random.Random) -> tuple[int, bytes]:
    if event == "unreadable":
        return 10, bytes([0x7F, probe.counter % 256])
    if event == "status":
        status = {"reset_cause": 1, "firmware": "5.2", "supply_rest_v": 3.6, "supply_transmit_v": 3.3}
        hours = {"hours_since_power_up": probe.counter, "transmissions": 100}
        return 11, CODECS.by_name("status-v1").build({**status, **hours}, [])
    told: dict[str, Any] = {"supply_v": 3.6, "firmware": "1.0", "sample_counter": probe.counter}
    count, degc = probe.older[0]
    newest = {"moisture_count": count, "soil_temperature_degc": degc}
    version = PROBES[probe.dev_eui]
    codec = CODECS.by_name(version)
    if version == "measurement-v1":
        return 10, codec.build(told, [newest])
    if version == "measurement-v2":
        depth_1 = {"moisture_count": probe.count - 3, "soil_temperature_degc": degc}
        return 10, codec.build(told, [newest, depth_1])
    if version == "measurement-v3":
        # One in so many older samples says something else than it did when it was the newest: a conflict.
        samples = [
            {"moisture_count": older and older + rng.choice([0, 0, 0, 2]), "soil_temperature_degc": then}
            for older, then in probe.older[1 : 1 + rng.randrange(8)]
        ]
        return 10, codec.build({**told, "interval_minutes": rng.choice([60, 60, 60, 10, 255])}, [newest, *samples])
    depths = [{"permittivity": count and count / 100 + depth, "soil_temperature_degc": degc} for depth in range(2)]
    return 10, codec.build(told, depths)


def _deliveries(
    probe: Probe, course: Course, again: tuple[int, ...], fport: int, payload: bytes, rng: random.Random
) -> list[Uplink]:
    timed = probe.dev_eui != UNTIMED
    first = Uplink(
        dev_eui=probe.dev_eui,
        dev_addr=None if course.event == "no address" else f"{probe.dev_addr:08X}",
        fport=fport,
        fcnt=probe.fcnt,
        payload_hex=payload.hex(),
        heard_at=probe.at if timed else None,
        spreading_factor=9,
        receptions=(Reception(gateway="A", rssi_dbm=-100 - rng.randrange(9), snr_db=rng.randrange(-10, 5)),),
    )
    copies = [
        first.model_copy(
            update={
                "heard_at": probe.at + timedelta(minutes=later) if timed else None,
                "receptions": (Reception(gateway=f"B{later}", rssi_dbm=-90 - rng.randrange(9), snr_db=1.0),),
            }
        )
        for later in again
    ]
    return [first, *copies]


# --- the registry -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Told:
    """One registry state, by what of it changes."""

    moved_on_day: int = 3
    coefficients: tuple[float, ...] = (1, 30, 49)
    limits: str = "shipped"
    known: bool = True


STATES = st.builds(
    Told,
    moved_on_day=st.sampled_from([3, 9]),
    coefficients=st.sampled_from([(1, 30, 49), (1, 31, 48)]),
    limits=st.sampled_from(["shipped", "wide", "narrow"]),
    known=st.booleans(),
)

LIMITS = {
    "shipped": LimitsFile(),
    "wide": LimitsFile(
        limits=(LimitLayer(stuck_suspect_hours=30, stuck_fail_hours=200, largest_gap_minutes=400),),
        probe={"02AA000000000001": (LimitLayer(interval_minutes=15),)},
    ),
    "narrow": LimitsFile(
        limits=(LimitLayer(stuck_suspect_hours=2, stuck_fail_hours=6, largest_gap_minutes=90, spike_suspect=0.01),)
    ),
}


def registry_state(told: Told) -> RegistryState:
    """Return a registry of all probes but one, which is a stranger now and then; the first one was moved."""
    known = [dev_eui for dev_eui in PROBES if told.known or dev_eui != STRANGER]
    moved = START + timedelta(days=told.moved_on_day)
    first = next(iter(PROBES))
    return RegistryState(
        sites=SITES,
        probes=tuple(probe_row(dev_eui) for dev_eui in known),
        placements=(
            *(_placement(dev_eui, LONG_AGO, moved if dev_eui == first else None) for dev_eui in known),
            _placement(first, moved, None),
        ),
        curves=curve_rows(LONG_AGO, told.coefficients),
        limits=LIMITS[told.limits],
    )


def _placement(dev_eui: str, since: datetime, until: datetime | None) -> PlacementRow:
    return placement_row(dev_eui, f"since {since:%d}", since, until)


# --- the daemon's side --------------------------------------------------------------------------------------------


class Killed(BaseException):
    """The process is gone: nobody handles this."""


class DyingConnection:
    """A connection that fails or kills at one statement: before it runs, or after."""

    def __init__(self, con: Any) -> None:
        self._con = con
        self.left: int | None = None  # statements until it happens; None: never
        self.after_commit = False
        self.error: BaseException = Killed()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)

    def execute(self, query: str, parameters: Any = None) -> Any:
        """Run a statement, or not."""
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                self.left = None
                raise self.error
        told = self._con.execute(query) if parameters is None else self._con.execute(query, parameters)
        if self.after_commit and query == "COMMIT":
            self.after_commit = False
            raise Killed
        return told


class Daemon:
    """An open store and its writer; it can die and come back."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.open()

    def open(self) -> None:
        """Open the store."""
        self.worked = False
        self.store = Store.open(self.path, create=True)
        self.dying = DyingConnection(self.store.con)
        self.store.con = self.dying  # type: ignore[assignment]
        self.writer = Writer(self.store, CODECS)

    def close(self) -> None:
        """Close the store, in whatever state it is."""
        self.store.close()

    def restart(self) -> None:
        """Come back after an end, however it came."""
        self.close()
        self.open()

    def commit(self, uplinks: Sequence[Uplink], now: datetime) -> None:
        """Commit uplinks as one batch."""
        self.worked = True
        self.writer.commit([Accepted(uplink, b"{}") for uplink in uplinks], now)


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
