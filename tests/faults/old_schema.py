"""Stores of every released schema, opened by this release: migrated with all they hold, and killed on the way.

    uv run python -m tests.faults.old_schema --seed 1

A store of schema N is made of what migrations 1 to N say, and filled with what a store of today holds in those tables
and columns. It is opened, and must then have the tables of a fresh store, every row that it had, and take new uplinks.
The kill comes in the N-th system call on its files, by strace: each migration is then there as a whole or not at all,
and the next start finishes.
"""

from __future__ import annotations

import random
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import duckdb

from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.store.connection import Store
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.migrations import MIGRATIONS, RECORD_DDL
from loamline_schemas.tables import TABLES
from tests.faults.campaign import finish, parser, tell
from tests.faults.injection import CALLS, MISSING, calls_in, files_of, strace_program, traced
from tests.support.uplinks import as_bytes, fleet, raw_log, registered_store

_MODULE = "tests.faults.open_store"
_UPLINKS = 120
SCHEMAS = tuple(migration.number for migration in MIGRATIONS)


@dataclass
class Summary:
    """What a campaign came to; `faults` must be empty. `kills`: by schema, in how many calls the migration was killed.

    `finished_before`: migrations that a kill found committed.
    """

    seed: int
    opened: int = 0
    kills: dict[int, int] = field(default_factory=dict)
    finished_before: dict[int, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether every store came through whole."""
        return not self.faults


def today(folder: Path, seed: int) -> Path:
    """Return a store of this release with uplinks, readings, uplinks set aside and rejected messages."""
    store = folder / "today.duckdb"
    with registered_store(store) as opened:
        told = [as_bytes(uplink) for uplink in islice(fleet(seed), _UPLINKS)]
        messages = [read_canonical(content, "t") for content in (*told, b"no uplink", b"\xff\x00")]
        Writer(opened, builtin_codecs()).commit(messages)
    return store


def of_schema(number: int, store: Path, path: Path) -> Path:
    """Make a store of schema `number` at `path`, filled from `store` as far as its tables and columns go."""
    con = duckdb.connect(str(path))
    con.execute("SET TimeZone = 'UTC'")
    con.execute(RECORD_DDL)
    for migration in MIGRATIONS[:number]:
        for statement in migration.statements:
            con.execute(statement)
        con.execute("INSERT INTO migration VALUES (?, ?, ?)", [migration.number, migration.name, datetime.now(UTC)])
    con.execute(f"ATTACH '{store}' AS today (READ_ONLY)")
    for name, columns in _shape(number).items():
        listed = ", ".join(f'"{column}"' for column in columns)
        con.execute(f'INSERT INTO "{name}" ({listed}) SELECT {listed} FROM today."{name}"')  # noqa: S608
    con.close()
    return path


def _shape(number: int) -> dict[str, list[str]]:
    """Return the tables and columns that a store of schema `number` has."""
    return {
        table.name: [column.name for column in table.columns if column.since <= number]
        for table in TABLES
        if table.since <= number
    }


def _found_shape(path: Path) -> tuple[list[int], dict[str, list[str]]]:
    """Return the migrations that a file says it had, and the tables and columns that it has."""
    con = duckdb.connect(str(path))
    try:
        numbers = [number for (number,) in con.execute("SELECT number FROM migration ORDER BY 1").fetchall()]
        rows = con.execute(
            "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal AND table_name <> 'migration' "
            "AND schema_name = 'main' ORDER BY table_name, column_index"
        ).fetchall()
    finally:
        con.close()
    shape: dict[str, list[str]] = {}
    for table, column in rows:
        shape.setdefault(table, []).append(column)
    return numbers, shape


def _rows(path: Path, shape: dict[str, list[str]]) -> dict[str, list[Any]]:
    con = duckdb.connect(str(path))
    try:
        con.execute("SET TimeZone = 'UTC'")
        return {
            name: sorted(
                map(repr, con.execute(f'SELECT {", ".join(map(_quoted, columns))} FROM "{name}"').fetchall())  # noqa: S608
            )
            for name, columns in shape.items()
        }
    finally:
        con.close()


def _quoted(name: str) -> str:
    return f'"{name}"'


def opened_whole(number: int, path: Path, had: dict[str, list[Any]], seed: int) -> list[str]:
    """Open a store that was of schema `number` and held the rows `had`; return what is wrong afterwards."""
    Store.open(path).close()
    numbers, shape = _found_shape(path)
    problems = []
    if numbers != list(SCHEMAS):
        problems.append(f"expected migrations {SCHEMAS}, got {numbers}")
    wanted = _shape(SCHEMAS[-1])
    if {name: set(columns) for name, columns in shape.items()} != {name: set(told) for name, told in wanted.items()}:
        problems.append("expected the tables of a fresh store, got others")
    if _rows(path, _shape(number)) != had:
        problems.append("expected every row as before, got other rows")
    more = [as_bytes(uplink) for uplink in islice(fleet(seed), _UPLINKS, _UPLINKS + 40)]
    before = raw_log(path).total()
    with Store.open(path) as store:
        Writer(store, builtin_codecs()).commit([read_canonical(content, "t") for content in more])
    if raw_log(path).total() != before + len(more):
        problems.append(f"expected {len(more)} more uplinks, got {raw_log(path).total() - before}")
    return problems


def campaign(
    seed: int, folder: Path, *, schemas: tuple[int, ...] = SCHEMAS, most_kills: int | None, tell: Callable[[str], None]
) -> Summary:
    """Open a store of each schema, and kill the migration in every call, or `most_kills` times of each schema."""
    summary, rng = Summary(seed), random.Random(seed)
    store = today(folder, seed)
    for number in schemas:
        old = of_schema(number, store, folder / f"schema{number}.duckdb")
        had = _rows(old, _shape(number))
        whole = _copied(old, folder / f"whole{number}")
        summary.faults += [f"schema {number}: {problem}" for problem in opened_whole(number, whole, had, seed)]
        summary.opened += 1
        if strace_program() is None or number == SCHEMAS[-1]:
            continue
        counted = _copied(old, folder / f"counted{number}")
        told = traced([_MODULE, str(counted)], files_of(counted), log=folder / "calls")
        assert told.returncode == 0, told.stderr
        counts = calls_in(folder / "calls")
        points = [(call, n) for call in CALLS for n in range(1, counts[call] + 1)]
        if most_kills is not None:
            rng.shuffle(points)
        for call, n in points:
            # Which of its threads makes a call is chance, and so is whether one makes an N-th: what did not kill it
            # is no kill, and the next one is tried.
            if most_kills is not None and summary.kills.get(number, 0) >= most_kills:
                break
            inside = folder / f"killed{number}-{call}{n}"
            killed = _copied(old, inside)
            ended = traced([_MODULE, str(killed)], files_of(killed), fault=(call, "kill", n), log=folder / "calls")
            summary.kills[number] = summary.kills.get(number, 0) + (ended.returncode != 0)
            problems = _killed_whole(number, killed, summary) + opened_whole(number, killed, had, seed)
            summary.faults += [f"schema {number}, killed in {call} {n}: {problem}" for problem in problems]
            shutil.rmtree(inside)
        tell(f"schema {number}: {summary.kills.get(number, 0)} kills, {len(summary.faults)} faults so far")
    return summary


def _killed_whole(number: int, path: Path, summary: Summary) -> list[str]:
    numbers, shape = _found_shape(path)
    finished = len(numbers) - number
    summary.finished_before[finished] = summary.finished_before.get(finished, 0) + 1
    wanted = _shape(numbers[-1])
    if numbers != list(range(1, numbers[-1] + 1)):
        return [f"expected migrations without a gap, got {numbers}"]
    if {name: set(columns) for name, columns in shape.items()} != {name: set(told) for name, told in wanted.items()}:
        return [f"expected the tables of schema {numbers[-1]} as a whole, got others"]
    return []


def _copied(store: Path, folder: Path) -> Path:
    folder.mkdir()
    return Path(shutil.copy(store, folder / "s.duckdb"))


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser("old_schema", "Open stores of every released schema, and kill the migration.", "--seed 1")
    flags.add_argument("--most-kills", type=int, help="so many of each schema, drawn by the seed, instead of all")
    told = flags.parse_args()
    if strace_program() is None:
        tell(MISSING)
        return 2
    return finish(lambda folder: campaign(told.seed, folder, most_kills=told.most_kills, tell=tell))


if __name__ == "__main__":
    sys.exit(main())
