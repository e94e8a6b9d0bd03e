"""A real read API on a loopback port, over stores of two growers with a probe that moved from one to the other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import httpx

from loamline.core.reference import RegistryState
from loamline.edges.api import Limits, make_api, serve_in_thread
from loamline.edges.api.auth import NewKey, new_key
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_schemas.key_tables import Scope
from loamline_schemas.registry import PlacementRow, SiteRow
from tests.conftest import Stores

NORTH, SOUTH = "grower north", "grower south"
#: Stood at the northern grower's for the first 60 hours, and at the southern one's since; nobody told an end.
MOVED = "02BB000000000003"
MOVED_AT = Stores.START + timedelta(hours=60)
NOW = Stores.START + timedelta(days=5)
UNPLACED = "02BB0000000000FF"
GENEROUS = Limits(requests_per_minute=1e6, burst=1_000_000, strangers_per_minute=1e6)


def two_growers(stores: Stores) -> RegistryState:
    """Return the registry of `Stores`, the field the northern grower's and the orchard the southern one's."""
    state = stores.registry()
    zones = {"North field": "Europe/Lisbon", "Pear orchard": "Pacific/Auckland"}
    owners = {"North field": NORTH, "Pear orchard": SOUTH}
    sites = tuple(
        SiteRow(site=name, customer=owners[name], latitude_deg=1, longitude_deg=2, time_zone=zone)
        for name, zone in zones.items()
    )
    moved = (
        PlacementRow(dev_eui=MOVED, depth_index=0, site="North field", label="edge", depth_cm=10, texture="loam",
                     valid_from=datetime(2020, 1, 1, tzinfo=UTC)),
        PlacementRow(dev_eui=MOVED, depth_index=0, site="Pear orchard", label="row 1", depth_cm=12, texture="loam",
                     valid_from=MOVED_AT),
    )  # fmt: skip
    record = next(row for row in state.probes if row.dev_eui == stores.BARLEY)
    probes = (*state.probes, record.model_copy(update={"dev_eui": MOVED, "serial": "S-0003"}))
    return replace(state, sites=sites, probes=probes, placements=(*state.placements, *moved))


def two_growers_store(stores: Stores) -> Path:
    """Return a store of `Stores.season`, and of the probe that moved."""
    gateway = {"receptions": ({"gateway": "gw-moved", "rssi_dbm": -90.0, "snr_db": 3.0},)}
    moving = [stores.v1(MOVED, hour, 1800 - hour, **(gateway if hour < 60 else {})) for hour in range(120)]
    return stores.make([*stores.season(), *moving], registry=two_growers(stores))


@dataclass
class Api:
    """A served API, and keys to it by name: `operator`, `north`, `south`, and what a test makes beside them."""

    url: str
    reader: StoreReader
    store: Store
    keys: dict[str, NewKey] = field(default_factory=dict)

    def key(self, name: str, customer: str | None, *scopes: Scope) -> NewKey:
        """Make a key, by the store's own connection."""
        made = self.keys[name] = new_key()
        told = {"key_id": made.key_id, "digest": made.digest, "customer": customer, "note": name, "now": NOW}
        add_key(self.store, scopes=scopes, **told)
        return made

    def get(
        self, path: str, key: str = "operator", headers: Mapping[str, str] | None = None, **query: Any
    ) -> httpx.Response:
        """Ask for `path` of the API."""
        told = {"authorization": f"Bearer {self.keys[key].text}", **(headers or {})}
        if query:
            path += ("&" if "?" in path else "?") + urlencode(query)
        return httpx.get(f"{self.url}/api/v1/{path}", headers=told, timeout=30)

    def rows(self, path: str, key: str = "operator", **query: Any) -> list[dict[str, Any]]:
        """Return the rows of one page."""
        answer = self.get(path, key, **query)
        assert answer.status_code == 200, answer.text
        told: list[dict[str, Any]] = answer.json()["rows"]
        return told

    def walk(self, path: str, key: str = "operator", **query: Any) -> list[list[dict[str, Any]]]:
        """Return the rows of every page, as `next` leads on."""
        pages = []
        cursor = None
        while True:
            answer = self.get(path, key, **query, **({} if cursor is None else {"cursor": cursor}))
            assert answer.status_code == 200, answer.text
            pages.append(answer.json()["rows"])
            cursor = answer.json()["next"]
            if cursor is None:
                return pages


@contextmanager
def served_api(path: Path, *, limits: Limits = GENEROUS, **more: Any) -> Iterator[Api]:
    """Serve the API of a store, with three keys, at five days after its start."""
    with Store.open(path) as store:
        reader = StoreReader(store, **more)
        serving = serve_in_thread(make_api(reader, limits=limits, now=lambda: NOW), port=0)
        api = Api(serving.url, reader, store)
        api.key("operator", None, Scope.OPERATOR)
        for name, customer in (("north", NORTH), ("south", SOUTH)):
            api.key(name, customer, Scope.READINGS, Scope.FLEET)
        try:
            yield api
        finally:
            reader.closed()
            serving.stop()


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """Return the problem details of an answer, which has to be one of this status."""
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json"), answer.text
    told: dict[str, Any] = answer.json()
    assert told["status"] == status
    return told
