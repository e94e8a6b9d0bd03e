"""Which stored readings a replay would derive from other inputs, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import MINUTE_US, Bools, Ints, floats, group_starts, instants, ints, whole
from loamline.core.provenance import RULES, Registry
from loamline.core.reference import microseconds
from loamline.core.staleness import CAUSES, changed_inputs, used
from loamline.edges.stepping import result_of
from loamline.edges.store.connection import Store
from loamline.edges.store.read_again import restated
from loamline.edges.store.registry import latest_reference, probe_ids, registry
from loamline.edges.store.revisions import CURRENT, Span
from loamline.edges.store.windows import EARLIEST_US
from loamline_codecs import CodecSet, Refusal

#: Readings that are looked at in one go.
BLOCK = 500_000
#: Payloads of uplinks set aside that are tried in one go, and statuses that are read again.
_TRIED, _STATUSES = 1_000, 10_000
_LOOKED_AT = (
    "probe_id, depth_index, measured_at, moisture_count, reference_id, codec, codec_digest, coalesce(rules, 1) AS rules"
)


@dataclass(frozen=True)
class Scope:
    """What a replay is to be about; nothing given means everything. What is at `until` is out of it."""

    probes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    since: datetime | None = None
    until: datetime | None = None

    def as_fields(self) -> dict[str, Any]:
        """Return what is given, for JSON."""
        told = {"probes": list(self.probes), "sites": list(self.sites), "curves": list(self.curves)}
        times = {"since": self.since, "until": self.until}
        return {k: v for k, v in told.items() if v} | {k: v.isoformat() for k, v in times.items() if v}

    def holds(self, at: datetime) -> bool:
        """Return whether an instant is within its times."""
        return (self.since is None or at >= self.since) and (self.until is None or at < self.until)


@dataclass
class Plan:
    """The stale readings of a scope: how many, by cause, site, probe and month (UTC), and the span of each probe's.

    `readable`: by probe, the raw-log rows set aside that a codec reads by now. `restated`: statuses that it reads
    otherwise; they count as a cause, and are no readings.
    """

    reference_id: int
    stale: int = 0
    causes: Counter[str] = field(default_factory=Counter)
    sites: Counter[str] = field(default_factory=Counter)
    probes: Counter[str] = field(default_factory=Counter)
    months: Counter[str] = field(default_factory=Counter)
    spans: dict[int, Span] = field(default_factory=dict)
    readable: dict[int, list[int]] = field(default_factory=dict)
    restated: int = 0

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to replay."""
        return not self.stale and not self.readable and not self.restated

    def as_fields(self) -> dict[str, Any]:
        """Return it for JSON; a site of none, where readings had no placement, is the empty string."""
        counters = {name: getattr(self, name) for name in ("causes", "sites", "probes", "months")}
        told = {name: dict(sorted(counter.items())) for name, counter in counters.items()}
        return {"reference_id": self.reference_id, "stale": self.stale, **told}


def plan(
    store: Store,
    codecs: CodecSet,
    scope: Scope | None = None,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> Plan:
    """Return what is stale under the registry state in force and these codecs. Writes nothing."""
    return result_of(planning(store, codecs, scope or Scope()), lambda step: progress(*step))


def planning(
    store: Store, codecs: CodecSet, scope: Scope, block: int = BLOCK, known: Registry | None = None
) -> Generator[tuple[int, int], None, Plan]:
    """Return the same in steps of `block` readings, unless a probe has more; yields those looked at and all there are.

    Between two steps the store may be written by others, on this thread. `known` is the registry of the writer that
    does so.
    """
    numbers = probe_ids(store)
    names = {number: dev_eui for dev_eui, number in numbers.items()}
    known = known or registry(store, numbers)
    told = Plan(latest_reference(store))
    wanted = sorted(numbers[name] for name in scope.probes if name in numbers) if scope.probes else None
    counts = store.con.execute("SELECT probe_id, count(*) FROM reading GROUP BY ALL ORDER BY probe_id").fetchall()
    total = sum(count for number, count in counts if wanted is None or number in wanted)
    done = 0
    for chunk in chunks(counts, block, wanted):
        yield min(done, total), total
        rows = _block(store, chunk)
        _look_at(rows, told, codecs, known, scope, names)
        done += rows.num_rows
    for _ in _look_at_set_aside(store, told, codecs, wanted, scope, names):
        yield total, total
    for _ in _look_at_statuses(store, told, codecs, known, wanted, scope, names):
        yield total, total
    return told


def _block(store: Store, probes: Sequence[int]) -> pa.Table:
    """Return the readings of `probes` with their provenance."""
    store.con.register("_chunk", pa.table({"probe_id": pa.array(probes, pa.int32())}))
    query = (
        f"SELECT {_LOOKED_AT} FROM {CURRENT} "  # noqa: S608 - our own names
        "JOIN provenance USING (provenance_id) WHERE probe_id IN (SELECT probe_id FROM _chunk)"
    )
    rows = store.con.sql(query).to_arrow_table()
    store.con.unregister("_chunk")
    return rows


def chunks(counts: Sequence[tuple[int, int]], most: int, probes: Sequence[int] | None = None) -> Iterator[list[int]]:
    """Yield probes in chunks of at most `most` rows, or one probe that has more by itself; all, or only `probes`."""
    only = None if probes is None else set(probes)
    chunk: list[int] = []
    size = 0
    for probe_id, count in counts:
        if only is not None and probe_id not in only:
            continue
        if chunk and size + count > most:
            yield chunk
            chunk, size = [], 0
        chunk.append(probe_id)
        size += count
    if chunk:
        yield chunk


def _look_at(
    block: pa.Table, told: Plan, codecs: CodecSet, known: Registry, scope: Scope, names: dict[int, str]
) -> None:
    probe, depth = ints(whole(block, "probe_id")), ints(whole(block, "depth_index"))
    at, state = instants(whole(block, "measured_at")), ints(whole(block, "reference_id"))
    count = floats(whole(block, "moisture_count"))
    causes = {cause: np.zeros(len(probe), dtype=bool) for cause in (*CAUSES, "codec", "rules")}
    site = np.full(len(probe), "", dtype=object)
    about = np.zeros(len(probe), dtype=bool)
    latest = known.states[told.reference_id]
    for number in np.unique(state).tolist():
        rows = np.flatnonzero(state == number)
        samples = probe[rows], depth[rows], at[rows]
        before, after = (used(side.resolve(*samples), count[rows]) for side in (known.states[number], latest))
        for cause, changed in changed_inputs(before, after, known.catalogue).by_cause.items():
            causes[cause][rows] = changed
        placements = known.catalogue.placements.rows
        sites = np.array([*(row.site for row in placements), ""], dtype=object)
        site[rows] = np.where(after.placement >= 0, sites[after.placement], sites[before.placement])
        curves = np.array([*(row.id for row in known.catalogue.curves.rows), ""], dtype=object)
        about[rows] = np.logical_or.reduce(
            [
                np.isin(curves[column].astype(str), scope.curves)
                for side in (before, after)
                for column in (side.soil, side.transducer)
            ]
        )
    digests = {codec.name: codec.digest for codec in codecs.codecs}
    held = zip(whole(block, "codec").to_pylist(), whole(block, "codec_digest").to_pylist(), strict=True)
    causes["codec"] |= np.array([name in digests and digests[name] != digest for name, digest in held], dtype=bool)
    causes["rules"] |= ints(whole(block, "rules")) != RULES
    inside = _inside(scope, at, site, about)
    stale = inside & np.logical_or.reduce(list(causes.values()))
    told.stale += int(stale.sum())
    told.causes.update({cause: int((rows & inside).sum()) for cause, rows in causes.items() if (rows & inside).any()})
    told.sites.update(site[stale].tolist())
    months, counts = np.unique(at[stale].astype("datetime64[us]").astype("datetime64[M]"), return_counts=True)
    told.months.update(dict(zip(months.astype(str).tolist(), counts.tolist(), strict=True)))
    _note_spans(told, probe[stale], at[stale], names)


def _inside(scope: Scope, at: Ints, site: Any, about: Bools) -> Bools:
    inside = np.ones(len(at), dtype=bool)
    if scope.sites:
        inside &= np.isin(site.astype(str), scope.sites)
    if scope.curves:
        inside &= about
    if scope.since is not None:
        inside &= at >= microseconds(scope.since)
    if scope.until is not None:
        inside &= at < microseconds(scope.until)
    return inside


def _note_spans(told: Plan, probe: Ints, at: Ints, names: dict[int, str]) -> None:
    if not len(probe):
        return
    order = np.lexsort((at, probe))
    starts = np.flatnonzero(group_starts(probe[order]))
    ends = np.append(starts[1:], len(order))
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        number = int(probe[order[start]])
        told.probes[names[number]] += end - start
        told.spans[number] = Span(number, int(at[order[start]]), int(at[order[end - 1]]))


def _look_at_set_aside(
    store: Store, told: Plan, codecs: CodecSet, wanted: Sequence[int] | None, scope: Scope, names: dict[int, str]
) -> Iterator[None]:
    """Find what was set aside and can be read by now; scopes by site or curve have no say in what was never read."""
    yield
    if scope.sites or scope.curves:
        return
    rows = store.con.execute(
        "SELECT a.seq, a.probe_id, a.heard_at, u.fport, u.payload "  # noqa: S608 - our own names
        f"FROM set_aside a JOIN {store.raw_log()} u USING (seq) ORDER BY a.seq"
    ).fetchall()
    for index, (seq, number, heard_at, fport, payload) in enumerate(rows, 1):
        if index % _TRIED == 0:
            yield
        if not scope.holds(heard_at) or (wanted is not None and number not in wanted) or number not in names:
            continue
        if not isinstance(codecs.parse(fport, payload), Refusal):
            told.readable.setdefault(number, []).append(seq)
            told.causes["set_aside"] += 1
            told.probes[names[number]] += 0
            # Its samples are to be derived under the state in force, wherever within its reach they lie.
            at = microseconds(heard_at)
            _widen(told, number, at - codecs.longest_age_minutes * MINUTE_US, at)


def _look_at_statuses(
    store: Store,
    told: Plan,
    codecs: CodecSet,
    known: Registry,
    wanted: Sequence[int] | None,
    scope: Scope,
    names: dict[int, str],
) -> Iterator[None]:
    """Find what a codec reads otherwise by now of statuses, on which scopes by site or curve have no say either."""
    if scope.sites or scope.curves:
        return
    counts = store.con.execute("SELECT probe_id, count(*) FROM status GROUP BY ALL ORDER BY probe_id").fetchall()
    for chunk in chunks(counts, _STATUSES, wanted):
        yield
        for number, heard_at in restated(store, codecs, known, chunk):
            if not scope.holds(heard_at):
                continue
            told.restated += 1
            told.causes["codec"] += 1
            told.probes[names[number]] += 0
            _widen(told, number, microseconds(heard_at), microseconds(heard_at))


def _widen(told: Plan, number: int, since_us: int, until_us: int) -> None:
    held = told.spans.get(number, Span(number, until_us, until_us))
    first = max(min(held.measured_from_us, since_us), EARLIEST_US)
    told.spans[number] = Span(number, first, max(held.measured_to_us, until_us))
