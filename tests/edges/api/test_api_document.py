"""The OpenAPI document: valid, with examples that fit their own schemas, and true of what is answered."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

import httpx
import jsonschema
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.checks import CHECKS

from tests.conftest import Stores
from tests.support.read_api import Api, served_api, two_growers_store

PATHS = ("/sites", "/sites/{site}", "/probes", "/probes/{dev_eui}", "/placements", "/readings", "/latest", "/quality",
         "/fleet", "/gateways", "/gateways/{gateway}", "/revisions", "/revisions/{revision_id}", "/curves",
         "/curves/{curve_id}")  # fmt: skip


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with served_api(two_growers_store(Stores(tmp_path_factory.mktemp("document")))) as running:
        yield running


@pytest.fixture(scope="module")
def document(api: Api) -> dict[str, Any]:
    told: dict[str, Any] = httpx.get(f"{api.url}/api/v1/openapi.json").json()
    return told


def test_the_document_is_openapi_3_1_and_tells_every_path_and_the_key(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")
    assert set(document["paths"]) == {f"/api/v1{path}" for path in PATHS}
    assert document["components"]["securitySchemes"]["key"]["scheme"] == "bearer"
    for told in document["paths"].values():
        assert set(told) == {"get"}
        assert told["get"]["security"] == [{"key": []}]
        assert {"401", "404", "406", "422", "429", "503"} <= set(told["get"]["responses"])


@pytest.mark.parametrize("path", PATHS)
def test_every_example_fits_its_schema_and_is_not_empty(document: dict[str, Any], path: str) -> None:
    content = document["paths"][f"/api/v1{path}"]["get"]["responses"]["200"]["content"]["application/json"]
    jsonschema.validate(content["example"], content["schema"])
    (row,) = content["example"].get("rows", [content["example"]])
    assert sum(value is not None for value in row.values()) > 3


@pytest.mark.parametrize("path", PATHS)
def test_requests_made_up_from_the_document_are_answered_as_it_says(api: Api, path: str) -> None:
    schema = schemathesis.openapi.from_url(f"{api.url}/api/v1/openapi.json")
    # A made-up name is not there, whatever its form; and a number that fits as text fits.
    unfit = ("negative_data_rejection", "positive_data_acceptance", "missing_required_header", "ignored_auth")
    wanted = [check for check in CHECKS.get_all() if check.__name__ not in unfit]
    key = {"authorization": f"Bearer {api.keys['operator'].text}"}

    @seed(7)
    @settings(
        max_examples=12,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
    )
    @given(case=schema[f"/api/v1{path}"]["GET"].as_strategy())
    def answered(case: Any) -> None:
        case.call_and_validate(checks=wanted, headers=key)

    answered()


class Page(HTMLParser):
    """Collects what a page would fetch, and the text of its headings."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.headings: list[str] = []
        self._in = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in = tag if tag in ("h1", "h2", "code") else self._in
        self.fetched += [value or "" for name, value in attrs if name == "src"] + [tag] * (tag in ("script", "link"))

    def handle_endtag(self, tag: str) -> None:
        self._in = "" if tag in ("h1", "h2") else self._in

    def handle_data(self, data: str) -> None:
        if self._in:
            self.headings.append(data.strip())


def test_the_docs_page_tells_every_path_and_fetches_nothing(api: Api) -> None:
    answer = httpx.get(f"{api.url}/api/v1/docs")
    page = Page()
    page.feed(answer.text)
    assert answer.headers["content-security-policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
    assert page.fetched == []
    assert {f"GET /api/v1{path}" for path in PATHS} <= set(page.headings)
