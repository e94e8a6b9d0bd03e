"""Running tests in a copy of the project, each time in a fork of one process that has the libraries loaded."""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import multiprocessing
import os
import re
import resource
import signal
import sys
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import coverage
import numpy as np
import pytest
from hypothesis import Phase, settings

from tests.mutation.mutants import Mutant

#: Loaded before forking, since they take longer than most tests; the last brings most of the project.
LIBRARIES = (
    "construct", "duckdb", "fastapi", "ioos_qc.qartod", "matplotlib.pyplot", "numpy", "plotly", "pyarrow.compute",
    "pyarrow.parquet", "pydantic_settings", "rich.console", "scipy.interpolate", "typer.testing", "uvicorn",
    "loamline.app.cli",
)  # fmt: skip
PROJECT = {"loamline", "loamline_codecs", "loamline_schemas"}
CACHED = type(cache(lambda: None))
MOST_EXAMPLES = 20
MOST_BYTES = 6 << 30
FORK = multiprocessing.get_context("fork")
#: pytest would like to rewrite a library's assertions before anything loads it.
QUIET = (
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    "--no-header",
    "--tb=short",
    "--basetemp=.mutation/tmp",
)


@dataclass
class Known:
    """What one run of all tests told: seconds of each test, and which ran which line of which module."""

    seconds: dict[str, float] = field(default_factory=dict)
    lines: dict[str, dict[int, list[str]]] = field(default_factory=dict)

    def tests_of(self, mutant: Mutant, most_seconds: float) -> list[str]:
        """Return the tests that a mutant's statement concerns, quick ones first, no more than take so long together.

        Empty: no test runs it.
        """
        running = self._running(mutant.path, range(mutant.lines[0], mutant.lines[1] + 1))
        if mutant.at_import:  # what it defines is used by the rest of its module, and by modules that import it
            name = re.compile(rf"\b{Path(mutant.path).stem}\b")
            users = [path for path in self.lines if path == mutant.path or name.search(Path(path).read_text())]
            running = set().union(*(self._running(path, self.lines.get(path, {})) for path in users))
        quick = sorted(running & self.seconds.keys(), key=self.seconds.__getitem__)
        until = np.cumsum([self.seconds[test] for test in quick])
        return quick[: max(1, int(np.searchsorted(until, most_seconds)))]

    def importing_runs(self, mutant: Mutant) -> bool:
        """Say whether the statement runs outside of tests too: when modules are imported, or cases made."""
        of_module = self.lines.get(mutant.path, {})
        return mutant.at_import or any(
            "" in of_module.get(line, ()) for line in range(mutant.lines[0], mutant.lines[1] + 1)
        )

    def _running(self, path: str, lines: Iterable[int]) -> set[str]:
        of_module = self.lines.get(path, {})
        return {test for line in lines for test in of_module.get(line, ())}


class _Chosen:
    """A pytest plugin: runs the chosen tests in their order, with few and always the same examples, and times them."""

    def __init__(self, chosen: list[str] | None, known: Known) -> None:
        self.order = None if chosen is None else {test: rank for rank, test in enumerate(chosen)}
        self.known = known
        self.seconds: dict[str, float] = {}
        self.run_by_importing: dict[str, set[int]] = {}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for test in {getattr(item, "function", None) for item in items}:
            if given := getattr(test, "_hypothesis_internal_use_settings", None):
                test._hypothesis_internal_use_settings = settings(
                    given,
                    max_examples=min(MOST_EXAMPLES, given.max_examples),
                    derandomize=True,
                    database=None,
                    phases=[Phase.explicit, Phase.generate],
                )
        if self.order is not None:
            # A test of an unknown name has a parameter that the change makes another: it stays in.
            items[:] = [item for item in items if item.nodeid in self.order or item.nodeid not in self.known.seconds]
            items.sort(key=lambda item: self.order.get(item.nodeid, -1))

    def pytest_collection_finish(self) -> None:
        if measuring := coverage.Coverage.current():
            data = measuring.get_data()
            self.run_by_importing = {name: set(data.lines(name) or ()) for name in data.measured_files()}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


def load_libraries() -> None:
    """Import what every fork needs."""
    for name in LIBRARIES:
        importlib.import_module(name)


def record(folders: list[str], keep: Path) -> Known:
    """Run all tests once with coverage by test, and keep what that told; read it instead if it was kept."""
    if not keep.exists():
        code = _forked(_record, (folders, keep), 3600)
        if code != 0:
            raise RuntimeError(f"expected the tests to pass in the copy, pytest ended with {code}: see .mutation/log")
    told = json.loads(keep.read_text())
    return Known(told["seconds"], {path: {int(n): t for n, t in of.items()} for path, of in told["lines"].items()})


def noticed(mutant: Mutant, known: Known, most_seconds: float) -> str:
    """Return `noticed`, `survived`, `too slow` or `not run` for one mutant; the module's text is put back."""
    tests = known.tests_of(mutant, most_seconds)
    if not tests:
        return "not run"
    path = Path(mutant.path)
    source, stamp = path.read_text(), path.stat().st_mtime_ns
    try:
        made = mutant.made(source)
        path.write_text(made)
        text = None if known.importing_runs(mutant) else made
        code = _forked(_run, (tests, known, path, text), 20 + 5 * int(sum(known.seconds[test] for test in tests)))
    finally:
        path.write_text(source)
        os.utime(path, ns=(stamp, stamp))
    return "too slow" if code is None else "survived" if code == 0 else "noticed"


def _forked(do: Any, arguments: tuple[Any, ...], most_cpu_s: int) -> int | None:
    """Run a function in a fork of this process, and end it with all that it started; None: it took too long.

    Seconds are of the processor, since the machine may be busy; one that only waits is given twenty times as long.
    """
    process = FORK.Process(target=_child, args=(do, arguments, most_cpu_s))
    process.start()
    try:
        process.join(20 * most_cpu_s)
    finally:
        late = process.is_alive()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.join()
    return None if late or process.exitcode == -signal.SIGXCPU else process.exitcode


def _child(do: Any, arguments: tuple[Any, ...], most_cpu_s: int) -> None:
    os.setsid()
    resource.setrlimit(resource.RLIMIT_CPU, (most_cpu_s, most_cpu_s + 5))
    resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES, MOST_BYTES))
    with Path(".mutation/log").open("w") as log:
        os.dup2(log.fileno(), 1)
        os.dup2(log.fileno(), 2)
    sys.exit(do(*arguments))


def _run(tests: list[str], known: Known, path: Path, made: str | None) -> int:
    """Run tests with the module's functions as changed; None, or where they don't fit: import the project anew."""
    sys.dont_write_bytecode = True
    if made is None or not _replaced(path, made):
        _forget_the_project()
    files = sorted({test.partition("::")[0] for test in tests})
    return int(pytest.main([*QUIET, *files], plugins=[_Chosen(tests, known)]))


def _forget_the_project() -> None:
    """Have the project's modules imported anew."""
    for name in [name for name in sys.modules if name.partition(".")[0] in PROJECT]:
        del sys.modules[name]


def _replaced(path: Path, made: str) -> bool:
    """Give the functions of a loaded module the code of its changed text; say whether all of it fits them."""
    file = str(path.resolve())
    codes = {(code.co_qualname, code.co_firstlineno): code for code in _codes(compile(made, file, "exec"))}
    for held in gc.get_objects():
        if isinstance(held, FunctionType) and held.__code__.co_filename == file:
            code = codes.get((held.__code__.co_qualname, held.__code__.co_firstlineno))
            if code is None or len(code.co_freevars) != len(held.__code__.co_freevars):
                return False
            held.__code__ = code
        elif isinstance(held, CACHED):
            held.cache_clear()  # of what importing worked out
    return True


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for inner in code.co_consts:
        if isinstance(inner, CodeType):
            yield from _codes(inner)


def _record(folders: list[str], keep: Path) -> int:
    _forget_the_project()  # so that what importing runs is recorded, too
    chosen = _Chosen(None, Known())
    code = pytest.main(
        [*QUIET, *folders, "--cov", "--cov-context=test", "--cov-report=", "--cov-fail-under=0"], plugins=[chosen]
    )
    data = coverage.CoverageData()
    data.read()
    known = Known(chosen.seconds)
    for name in data.measured_files():
        lines, early = data.contexts_by_lineno(name).items(), chosen.run_by_importing.get(name, set())
        known.lines[Path(name).relative_to(Path.cwd()).as_posix()] = {
            line: sorted({told.partition("|")[0] for told in contexts} - {""}) + [""] * (line in early)
            for line, contexts in lines
        }
    if code == 0:
        keep.write_text(json.dumps(asdict(known)))
    return int(code)
