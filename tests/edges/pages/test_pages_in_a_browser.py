"""The pages in a real browser: accessible by the axe rules, walked by keys, harmless whatever names say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from tests.support.report_pages import HOSTILE, MINE, QUOTED, Served

DESKTOP, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


SCHEMES = ("light", "dark")
#: What a page would hold if a name in it had come to life.
_ALIVE = "document.querySelectorAll('img, main script, script:not([src]), [onerror], [onload]').length"


@dataclass
class Seen:
    """What was seen of one page on one paper."""

    violations: list[Any]
    alive: int
    fits_a_phone: bool
    hosts: set[str]


def watched(page: Any) -> Any:
    """Return the page, with what goes wrong in it kept in `troubles`, and the hosts that it asks in `hosts`."""
    page.troubles, page.hosts = [], set()
    page.on("pageerror", lambda error: page.troubles.append(f"error: {error}"))
    page.on("dialog", lambda dialog: (page.troubles.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    page.on("request", lambda asked: page.hosts.add(asked.url.split("/")[2]) if "//" in asked.url else None)
    page.on(
        "console",
        lambda told: page.troubles.append(told.text) if told.type == "error" and "404" not in told.text else None,
    )
    return page


@pytest.fixture
def tab(chromium: Any) -> Iterator[Any]:
    """A tab of a browser of its own."""
    context = chromium.new_context(color_scheme="light", viewport=DESKTOP, reduced_motion="reduce")
    yield watched(context.new_page())
    context.close()


@pytest.fixture(scope="module", params=SCHEMES)
def walked(request: Any, chromium: Any, open_report: Served) -> Iterator[tuple[dict[str, Seen], Any]]:
    """Every page, once in each paper: what was seen, by address, and the tab."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python").Axe()
    context = chromium.new_context(color_scheme=request.param, viewport=DESKTOP, reduced_motion="reduce")
    page = watched(context.new_page())
    seen = {}
    for path in open_report.paths():
        page.set_viewport_size(DESKTOP)
        page.goto(open_report.url + path)
        drawn(page)
        page.evaluate("document.querySelectorAll('details').forEach(told => told.open = true)")
        told = axe.run(page).response["violations"]
        page.set_viewport_size(PHONE)
        fits = comes_true(page, "document.documentElement.scrollWidth <= innerWidth")
        violations = [(one["id"], one["nodes"][0]["html"][:200]) for one in told]
        seen[path] = Seen(violations, page.evaluate(_ALIVE), fits, set(page.hosts))
    yield seen, page
    context.close()


def comes_true(page: Any, condition: str) -> bool:
    """Return whether a condition comes true; asked from outside, since the pages' policy forbids to evaluate text."""
    for _ in range(200):
        if page.evaluate(condition):
            return True
        page.wait_for_timeout(50)
    return False


def drawn(page: Any) -> None:
    """Wait until every chart of a page is drawn."""
    assert comes_true(page, "[...document.querySelectorAll('figure.chart')].every(f => f.dataset.drawn === 'yes')")


def test_no_page_violates_a_rule_of_accessibility(walked: tuple[dict[str, Seen], Any]) -> None:
    """The rules of axe-core (WCAG 2.2 A and AA and best practices), tables unfolded, on both papers."""
    assert {path: seen.violations for path, seen in walked[0].items() if seen.violations} == {}


def test_axe_would_notice(open_report: Served, tab: Any) -> None:
    """The check above can fail: an image without words is told."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python").Axe()
    tab.goto(f"{open_report.url}/about")
    tab.evaluate("document.querySelector('main').append(document.createElement('img'))")
    assert [told["id"] for told in axe.run(tab).response["violations"]] == ["image-alt"]


def test_no_name_of_anybodys_comes_to_life(walked: tuple[dict[str, Seen], Any]) -> None:
    """Sites, labels, serials, gateways, reasons and messages that try to run are text; no page logs an error."""
    seen, page = walked
    assert {path for path, one in seen.items() if one.alive} == set()
    assert page.troubles == []


def test_each_name_is_shown_as_it_is(open_report: Served, tab: Any) -> None:
    tab.goto(open_report.url + open_report.paths()[2])
    assert tab.locator("h1").inner_text() == MINE
    assert HOSTILE in tab.locator("main").inner_text()
    tab.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}")
    assert tab.locator("h1").inner_text() == f"S-0001 {QUOTED}"


def test_nothing_is_fetched_from_elsewhere(open_report: Served, walked: tuple[dict[str, Seen], Any]) -> None:
    assert set().union(*(one.hosts for one in walked[0].values())) == {open_report.url.split("/")[2]}


def test_no_page_is_wider_than_a_phone(walked: tuple[dict[str, Seen], Any]) -> None:
    assert {path for path, seen in walked[0].items() if not seen.fits_a_phone} == set()


def test_the_first_tab_leads_past_the_head_of_a_page(open_report: Served, tab: Any) -> None:
    page = tab
    page.goto(open_report.url)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_every_control_is_reached_by_the_tabulator_alone_and_shows_that_it_is(open_report: Served, tab: Any) -> None:
    page = tab
    page.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}?days=7")
    drawn(page)
    controls = "a[href], button, select, summary, input:not([type=hidden]), [tabindex='0']"
    many = page.evaluate(f'[...document.querySelectorAll("{controls}")].filter(c => c.checkVisibility()).length')
    reached = set()
    for _ in range(2 * many):  # a date has a stop for day, month, year and calendar each
        page.keyboard.press("Tab")
        outline, number = page.evaluate(
            f'(() => {{ const at = document.activeElement; const all = [...document.querySelectorAll("{controls}")];'
            "return [getComputedStyle(at).outlineStyle, all.indexOf(at)]; })()"
        )
        if number >= 0:
            assert outline == "solid"
            reached.add(number)
    assert len(reached) == many


def test_keys_walk_the_line_of_a_chart_and_lead_to_how_a_figure_came_about(open_report: Served, tab: Any) -> None:
    page = tab
    page.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}?days=7")
    drawn(page)
    page.locator(".walk .later").focus()
    page.keyboard.press("End")
    last = page.locator(".walk output").inner_text()
    page.keyboard.press("ArrowLeft")
    before = page.locator(".walk output").inner_text()
    assert last != before
    assert "10 cm: 0." in before
    assert "m³/m³ ± 0." in before
    page.locator(".walk .explain").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/reading?**")
    assert page.locator("h1").inner_text() == "How this figure came about"
    assert "equals the stored one" in page.locator("main").inner_text()
    assert page.troubles == []


def test_a_point_of_a_chart_leads_to_its_derivation(open_report: Served, tab: Any) -> None:
    page = tab
    page.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}?days=7")
    drawn(page)
    plot = page.locator(".drawing .nsewdrag").first
    box = plot.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    line = page.evaluate(
        "(() => { const at = document.querySelector('.scatterlayer path.js-line[style*=\"stroke-width: 1.6\"]');"
        "const half = at.getPointAtLength(at.getTotalLength() / 2), by = at.getScreenCTM();"
        "return [half.x * by.a + by.e, half.y * by.d + by.f]; })()"
    )
    page.mouse.move(*line)
    page.wait_for_timeout(100)
    page.mouse.click(*line)
    page.wait_for_url("**/reading?**")


def test_the_paper_can_be_switched_and_stays_so(open_report: Served, tab: Any) -> None:
    """Charts take the other inks at once; the next page is on the chosen paper."""
    page = tab
    page.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}?days=7")
    drawn(page)
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    ink = "document.querySelector('.drawing .ytick text').style.fill"
    light = page.evaluate(f"[{paper}, {ink}]")
    page.get_by_role("button", name="Dark paper").click()
    dark = page.evaluate(f"[{paper}, {ink}]")
    assert all(one != other for one, other in zip(light, dark, strict=True))
    page.goto(f"{open_report.url}/about")
    assert page.evaluate(paper) == dark[0]
    page.get_by_role("button", name="Light paper").click()
    assert page.evaluate(paper) == light[0]


def test_without_scripts_every_figure_stands_in_a_table(open_report: Served, chromium: Any) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{open_report.url}/probes/{open_report.stores.BARLEY}?days=7")
    assert "The drawing needs JavaScript" in page.locator(".drawing").first.inner_text()
    page.locator("summary").first.click()
    rows = page.locator("details").first.locator("tbody tr")
    assert rows.count() == 113
    assert rows.first.locator("a").inner_text() == "explain"
    context.close()


def test_a_verdict_is_told_by_a_word_beside_its_pattern(open_report: Served, tab: Any) -> None:
    """No two patterns are alike in shades of grey, either: each has another background than plain colour, or none."""
    page = tab
    page.goto(f"{open_report.url}/about")
    told = page.evaluate(
        "[...document.querySelectorAll('.swatch')].map(s => [s.parentElement.textContent.trim(),"
        "getComputedStyle(s).backgroundImage.slice(0, 40), getComputedStyle(s).backgroundColor])"
    )
    assert [word for word, _, _ in told] == ["pass", "not evaluated", "suspect", "fail", "missing"]
    assert len({tuple(look) for _, *look in told}) == 5
