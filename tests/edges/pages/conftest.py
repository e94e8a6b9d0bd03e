"""One hostile store, its pages with and without keys, and a headless Chromium."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Stores
from tests.support.report_pages import Served, hostile_store, served_pages


@pytest.fixture(scope="session")
def report_maker(tmp_path_factory: pytest.TempPathFactory) -> Stores:
    return Stores(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="session")
def report_store(report_maker: Stores) -> Path:
    return hostile_store(report_maker)


@pytest.fixture(scope="session")
def served_report(report_store: Path, report_maker: Stores) -> Iterator[tuple[Served, Served]]:
    with served_pages(report_store, report_maker) as served:
        yield served


@pytest.fixture(scope="session")
def open_report(served_report: tuple[Served, Served]) -> Served:
    """The pages as on one's own machine: no key is asked for."""
    return served_report[0]


@pytest.fixture(scope="session")
def keyed_report(served_report: tuple[Served, Served]) -> Served:
    """The pages behind keys."""
    return served_report[1]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A headless browser; where there is none, the test is skipped and says so."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs the program chromium")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        yield browser
        browser.close()
