"""Which problems are in force, kept up to date as uplinks come and time passes; each change makes an event.

A turn looks at the probes that were heard since the last one, at those whose silence is due (a heap of instants), and
at some of all others, which come round every hour and after a start or a new registry: at most `SLICE` of them, so that
what a turn reads does not grow with the fleet or with history. What was not looked at yet is looked at soon.
"""

from __future__ import annotations

import heapq
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import islice
from typing import Any
from uuid import uuid4

from loamline.core.columns import HOUR_US, instant
from loamline.core.fleet_problems import (
    FORGOTTEN_GATEWAY_US,
    SLOTS,
    Due,
    Moment,
    Problem,
    firmware_problems,
    forgotten_after_us,
    gateway_due,
    gateway_problems,
    probe_due,
    probe_problems,
    store_due,
    store_problems,
)
from loamline.core.problem_kinds import OF_SILENCE, Kind
from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import last_event_seq
from loamline.edges.store.problem_facts import Known, gateway_slots, known_probes, last_heard_us, probe_numbers
from loamline.edges.store.problem_log import Change, InForce, in_order, stored_problems, write_changes

#: Subjects that one turn looks at, and those of them that are kept for the round of all.
SLICE, OF_THE_ROUND = 60, 20
ROUND_US = HOUR_US

#: ("probe", number), ("gateway", name), ("hardware", name) or ("store", "").
_Key = tuple[str, Any]
_STORE: _Key = ("store", "")


class Problems:
    """The problems of an open store; used by the thread that opened it.

    `source` names us in events; without it none are made. `settle`: so long after the first turn no problem of silence
    begins, as what waited for us comes first. `keep` False only looks, and writes nothing.
    """

    def __init__(
        self, store: Store, now: datetime, *, source: str | None = None, settle: timedelta = timedelta(0),
        keep: bool = True, most: int = SLICE,
    ) -> None:  # fmt: skip
        self._store, self._source, self._keep, self._most = store, source, keep, most
        self._settled_at = now + settle
        self._seq, self._event_seq = store.last_seq(), last_event_seq(store)
        self._last_us = last_heard_us(store)
        self._newest_us = max(self._last_us.values(), default=None)
        month = instant(max(_us(now), FORGOTTEN_GATEWAY_US) - FORGOTTEN_GATEWAY_US)
        self._slots = {name: slots[-SLOTS:] for name, slots in gateway_slots(store, since=month).items()}
        self._in_force: dict[str, dict[Kind, InForce]] = {}
        for problem in stored_problems(store):
            self._in_force.setdefault(problem.subject, {})[problem.kind] = problem
        self._urgent: dict[_Key, None] = {}
        self._round: dict[_Key, None] = {}
        self._withheld: set[_Key] = set()
        self._due: dict[_Key, Due] = {}
        self._by_now: list[tuple[int, _Key]] = []
        self._by_heard: list[tuple[int, _Key]] = []
        self._runs: dict[int, tuple[str, str]] = {}
        self._firmware: dict[str, Counter[str]] = {}
        self._went_round = False
        self._registry = self._registry_state()
        self._begin_round(now)

    @property
    def in_force(self) -> list[InForce]:
        """Every problem in force, the gravest first."""
        return in_order(one for kinds in self._in_force.values() for one in kinds.values())

    @property
    def waiting(self) -> int:
        """How many subjects are still to be looked at."""
        return len(self._urgent) + len(self._round)

    def turn(self, now: datetime) -> int:
        """Look at what is due, and note what changed, with its events, in one transaction; return how many changes.

        Raises duckdb.Error; then nothing is changed, and the next turn looks at the same again.
        """
        self._take_up_new()
        moment = Moment(_us(now), self._newest_us)
        self._queue_due(now, moment)
        some = self._some()
        changes, dues, runs = self._judge(some, now, moment)
        self._write(changes, now)
        for key in some:
            self._urgent.pop(key, None)
            self._round.pop(key, None)
        self._runs_of(runs)
        for key, due in dues.items():
            self._remember(key, due, moment)
        if not self._round and not self._went_round:
            self._went_round = True
            self._urgent |= dict.fromkeys(("hardware", name) for name in self._hardware())
        return len(changes)

    # What to look at ---------------------------------------------------------------------------------

    def _take_up_new(self) -> None:
        rows = self._store.con.execute(
            "SELECT probe_id, epoch_us(max(heard_at)), max(seq) FROM uplink WHERE seq > ? GROUP BY probe_id",
            [self._seq],
        ).fetchall()
        if not rows:
            return
        heard = gateway_slots(self._store, after_seq=self._seq)
        for number, at, _ in rows:
            self._last_us[number] = max(self._last_us.get(number, at), at)
            self._urgent[("probe", number)] = None
        newest = max(at for _, at, _ in rows)
        self._newest_us = newest if self._newest_us is None else max(self._newest_us, newest)
        for name, slots in heard.items():
            self._slots[name] = sorted({*self._slots.get(name, ()), *slots})[-SLOTS:]
            self._urgent[("gateway", name)] = None
        self._urgent[_STORE] = None
        self._seq = max(seq for _, _, seq in rows)

    def _queue_due(self, now: datetime, moment: Moment) -> None:
        for heap, clock_us in ((self._by_now, moment.now_us), (self._by_heard, moment.heard_until_us)):
            while heap and heap[0][0] < clock_us:
                at, key = heapq.heappop(heap)
                due = self._due.get(key, Due())
                if at in (due.now_us, due.heard_until_us):
                    self._urgent[key] = None
        if now >= self._settled_at and self._withheld:
            self._urgent |= dict.fromkeys(self._withheld)
            self._withheld.clear()
        registry = self._registry_state()
        if registry != self._registry or (not self._round and _us(now) - self._round_us >= ROUND_US):
            self._registry = registry
            self._begin_round(now)

    def _begin_round(self, now: datetime) -> None:
        self._round_us = _us(now)
        gateways = {*self._slots, *(name for kind, _, name in map(_parted, self._in_force) if kind == "gateway")}
        self._round = dict.fromkeys([_STORE, *(("gateway", name) for name in sorted(gateways))])
        self._round |= dict.fromkeys(("probe", number) for number in probe_numbers(self._store))

    def _some(self) -> list[_Key]:
        urgent = list(islice(self._urgent, max(self._most - min(len(self._round), OF_THE_ROUND), 1)))
        rest = (key for key in self._round if key not in self._urgent)
        return urgent + list(islice(rest, self._most - len(urgent)))

    def _remember(self, key: _Key, due: Due, moment: Moment) -> None:
        self._due[key] = due
        # What is past is told already, or was withheld: only a change can make it be asked about again.
        if due.now_us is not None and due.now_us >= moment.now_us:
            heapq.heappush(self._by_now, (due.now_us, key))
        if due.heard_until_us is not None and due.heard_until_us >= moment.heard_until_us:
            heapq.heappush(self._by_heard, (due.heard_until_us, key))

    def _registry_state(self) -> tuple[Any, ...]:
        (row,) = self._store.con.execute(
            "SELECT (SELECT max(reference_id) FROM reference), count(*), max(published_at), max(undone_at) "
            "FROM revision"
        ).fetchall()
        return tuple(row)

    # Judging -----------------------------------------------------------------------------------------

    def _judge(
        self, keys: list[_Key], now: datetime, moment: Moment
    ) -> tuple[list[Change], dict[_Key, Due], list[Known]]:
        changes: list[Change] = []
        dues: dict[_Key, Due] = {}
        numbers = [name for kind, name in keys if kind == "probe"]
        knowns = known_probes(self._store, numbers, self._last_us, now)
        for known in knowns:
            key: _Key = ("probe", known.probe_id)
            changes += self._changes(key, f"probe/{known.facts.dev_eui}", probe_problems(known.facts, moment), now,
                                     _who(known))  # fmt: skip
            dues[key] = probe_due(known.facts)
        for key in keys:
            kind, name = key
            if kind == "gateway":
                slots = self._slots.get(name, [])
                changes += self._changes(key, f"gateway/{name}", gateway_problems(slots, moment) if slots else [], now,
                                         {"gateway": name})  # fmt: skip
                due = gateway_due(slots)
                late = due.heard_until_us is not None and due.heard_until_us < moment.heard_until_us
                dues[key] = Due(None, forgotten_after_us(slots)) if late else due
            elif kind == "hardware":
                found = firmware_problems(self._firmware.get(name, {}), self._newest_us or moment.now_us)
                changes += self._changes(key, f"hardware/{name}", found, now, {"hardware": name})
            elif kind == "store":
                changes += self._changes(key, "store", store_problems(moment), now, {})
                dues[key] = store_due(moment.newest_us)
        return changes, dues, knowns

    def _changes(
        self, key: _Key, subject: str, found: list[Problem], now: datetime, who: dict[str, Any]
    ) -> list[Change]:
        held = self._in_force.get(subject, {})
        told = {problem.kind: problem for problem in found}
        changes = [Change(one, who, ended=True) for kind, one in held.items() if kind not in told]
        for kind, problem in told.items():
            since = instant(problem.since_us)
            if kind not in held:
                if kind in OF_SILENCE and now < self._settled_at:
                    self._withheld.add(key)
                    continue
                changes.append(Change(InForce(kind, subject, since, now, problem.detail, str(uuid4())), who))
            elif since < held[kind].since or (kind in OF_SILENCE and since != held[kind].since):
                # Of other kinds the onset may have left the stretch: what was noted goes further back.
                changes.append(Change(replace(held[kind], since=since), who, silently=True))
        return changes

    def _runs_of(self, knowns: list[Known]) -> None:
        """Count each probe's firmware by its hardware, and have the hardware looked at whose counts changed."""
        for known in knowns:
            runs = (known.hardware, known.firmware)
            placed = known.facts.placed_since_us is not None
            fresh = (str(runs[0]), str(runs[1])) if placed and None not in runs else None
            before = self._runs.get(known.probe_id)
            if fresh == before:
                continue
            for pair, step in ((before, -1), (fresh, 1)):
                if pair is not None:
                    self._firmware.setdefault(pair[0], Counter())[pair[1]] += step
                    if self._went_round:
                        self._urgent[("hardware", pair[0])] = None
            self._runs.pop(known.probe_id, None)
            if fresh is not None:
                self._runs[known.probe_id] = fresh

    def _hardware(self) -> set[str]:
        return {*self._firmware, *(name for kind, _, name in map(_parted, self._in_force) if kind == "hardware")}

    # Writing -----------------------------------------------------------------------------------------

    def _write(self, changes: list[Change], now: datetime) -> None:
        if not changes:
            return
        if self._keep:
            # A number is used once in a life, so that what is being sent is never taken for another.
            self._event_seq += write_changes(self._store, changes, now, self._source, self._event_seq)
        for change in changes:
            kinds = self._in_force.setdefault(change.problem.subject, {})
            if change.ended:
                del kinds[change.problem.kind]
            else:
                kinds[change.problem.kind] = change.problem
            if not kinds:
                del self._in_force[change.problem.subject]


def _who(known: Known) -> dict[str, Any]:
    return {
        "dev_eui": known.facts.dev_eui,
        "serial": known.serial,
        "site": known.site,
        "label": known.label,
        "firmware": known.firmware,
    }


def _parted(subject: str) -> tuple[str, str, str]:
    return subject.partition("/")


def _us(at: datetime) -> int:
    return (at - instant(0)) // timedelta(microseconds=1)
