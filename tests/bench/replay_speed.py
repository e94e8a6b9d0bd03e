"""Replay of a raw log: against loops anyone would write, a plain copy of its own output, two cores, and its own sizes.

What is measured is the chain from a stored raw log to stored readings, without what a revision keeps beside (staging,
comparing, merging): registry and codecs stand ready, as in a daemon. Loops read the same rows from their own table.
"""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from loamline.edges.store.connection import Store
from loamline.edges.store.replay import deliveries_of
from loamline_codecs import builtin_codecs
from loamline_schemas.tables import READING
from tests.bench.archive import Archive
from tests.bench.archive_registry import archive_registry, dev_eui
from tests.bench.measure import Cost, Figure, seconds
from tests.bench.plain.chain import PlainChain, write_by_appender, write_by_executemany
from tests.bench.plain.merging import SELECTED, Delivery
from tests.bench.replay_run import ReplayRun, make_store, run_apart

GIGABYTE = 1e9
_COPY = "CREATE OR REPLACE TABLE copy AS SELECT * FROM reading"
_COLUMNS = ", ".join(column.ddl for column in READING.columns)


@dataclass(frozen=True)
class Sizes:
    """Logs as probes by hours: `paired` for what is measured by turns, the others for growth from there and memory."""

    paired: Archive
    large: Archive
    wide: Archive
    obvious_probes: int
    good_probes: int
    rounds: int
    rounds_apart: int


QUICK = Sizes(Archive(1000, 100), Archive(1000, 200), Archive(3_000, 4), 2, 10, 2, 1)
FULL = Sizes(Archive(5_000, 200), Archive(10_000, 4000), Archive(1_000_000, 4), 20, 80, 5, 3)


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield how quick replay is, how it grows and what memory it takes."""
    sizes = QUICK if quick else FULL
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        make_store(at / "paired.duckdb", sizes.paired)
        yield from _against_others(at, sizes)
        yield from _against_itself(at, sizes)


def _against_others(at: Path, sizes: Sizes) -> Iterator[Figure]:
    archive = sizes.paired
    with Store.open(at / "paired.duckdb") as store, Store.open(at / "readings.duckdb", create=True) as fresh:
        replay = ReplayRun(store)
        deliveries, readings = replay.into(fresh)
        obvious, few = _loop(store, archive, at, "obvious", sizes.obvious_probes)
        good, some = _loop(store, archive, at, "good", sizes.good_probes)
        took = _by_turns(
            {
                "replay": (lambda: replay.into(fresh), deliveries),
                "obvious": (obvious, few),
                "good": (good, some),
                "copy": (lambda: fresh.con.execute(_COPY), readings),
            },
            sizes.rounds,
        )
    of = f"{deliveries} deliveries of {archive.probes} probes, {readings} readings"
    for name, words, goal, count in (
        ("obvious", "the obvious loop (parse, plain Python, executemany)", 500, few),
        ("good", "a good loop (compiled parser, plain Python, appender)", 35, some),
    ):
        detail = f"{_us(took['replay'])} a delivery against {_us(took[name])}; {of}; the loop: {count} of them"
        yield Figure(f"replay, against {words}", goal, _ratio(took["replay"], took[name]), detail)
    row = [second * deliveries / readings for second in took["replay"]]
    detail = f"{_us(row)} a reading against {_us(took['copy'])}; {of}"
    yield Figure("replay, against a plain copy of its readings", 0.55, _ratio(row, took["copy"]), detail)


def _against_itself(at: Path, sizes: Sizes) -> Iterator[Figure]:
    alone, together = [], []
    for _ in range(sizes.rounds_apart):
        alone += [run_apart(at / "paired.duckdb", at / "out.duckdb", "one", [0])]
        together += [run_apart(at / "paired.duckdb", at / "out.duckdb", "beside", [0, 1]).seconds]
    one = [done.seconds for done in alone]
    detail = f"{min(together):.1f} s against {min(one):.1f} s; the chain in one process, log and store in another"
    yield Figure("replay by two processes on two cores, against one on one", 1.5, _ratio(together, one), detail)

    grown = {"paired": alone[0]}
    for name, archive in (("large", sizes.large), ("wide", sizes.wide)):
        make_store(at / f"{name}.duckdb", archive)
        done = grown[name] = run_apart(at / f"{name}.duckdb", at / "out.duckdb", "one", [0])
        for file in (*at.glob(f"{name}.duckdb*"), *at.glob("out.duckdb*")):
            file.unlink()
        of = f"{done.deliveries} deliveries of {archive.probes} probes; the registry took {done.opened_s:.1f} s"
        detail = f"{done.peak_bytes / 1e6:.0f} MB at the peak; {of} to open"
        ratio = GIGABYTE / done.peak_bytes
        yield Figure(f"replay of a {name} log: 1 GB to its peak memory", 1, ratio, detail, "of what is allowed")
    costs = tuple(
        Cost("replay a delivery", grown[name].deliveries, 1e6 * grown[name].seconds / grown[name].deliveries)
        for name in ("paired", "large")
    )
    detail = " against ".join(f"{cost.us:.2f} us a delivery of {cost.size}" for cost in reversed(costs))
    ratio = costs[0].us / costs[1].us
    yield Figure("replay of a long log, against a shorter one, a delivery", 0.9, ratio, detail, costs=costs)


def _loop(store: Store, archive: Archive, at: Path, kind: str, probes: int) -> tuple[Callable[[], None], int]:
    """Return a loop over some probes' deliveries, from a table to a fresh table, and how many there are."""
    con = duckdb.connect(str(at / f"{kind}.duckdb"), config={"threads": 1})
    con.execute("SET TimeZone = 'UTC'")
    con.register("_rows", deliveries_of(store, range(1, probes + 1)))
    con.execute("CREATE TABLE uplink AS SELECT * FROM _rows")
    names = {number + 1: dev_eui(number) for number in range(archive.probes)}
    chain = PlainChain({1: archive_registry(probes)}, names, builtin_codecs().codecs, compiled=kind == "good")
    write = write_by_appender if kind == "good" else write_by_executemany

    def loop() -> None:
        con.execute(f"CREATE OR REPLACE TABLE reading ({_COLUMNS})")
        rows = con.execute(f"SELECT {SELECTED} FROM uplink").fetchall()  # noqa: S608 - our own names
        write(con, "reading", chain.readings(Delivery(*row) for row in rows))

    ((count,),) = con.execute("SELECT count(*) FROM uplink").fetchall()
    return loop, count


def _by_turns(ways: Mapping[str, tuple[Callable[[], object], int]], rounds: int) -> dict[str, list[float]]:
    """Run every way by turns, `rounds` times after one to warm up; return seconds a unit of each round."""
    took: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(rounds + 1):
        for name, (work, units) in ways.items():
            took[name].append(seconds(work) / units)
    return {name: each[1:] for name, each in took.items()}


def _ratio(measured: list[float], other: list[float]) -> float:
    return statistics.median(b / a for a, b in zip(measured, other, strict=True))


def _us(each: list[float]) -> str:
    return f"{min(each) * 1e6:.2f} us"
