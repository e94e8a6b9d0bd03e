"""A store whose every name is hostile, two customers in it, and its pages served for real."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

from loamline.app.replaying import Scope as ReplayScope
from loamline.app.replaying import applying
from loamline.edges.api import serve_in_thread
from loamline.edges.api.auth import new_key
from loamline.edges.pages import Sessions, make_pages
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.connection import Store
from loamline.edges.store.reading_api import StoreReader
from loamline_schemas.key_tables import Scope
from loamline_schemas.registry import SiteRow
from loamline_schemas.uplink import Reception
from tests.support.revised import ASKED_AT, CODECS, drive, load, with_bench

#: Text that would run, or break out of an attribute, wherever it is not escaped.
HOSTILE = "<img src=x onerror=alert(1)>"
QUOTED = "\"'><script>alert(2)</script>"
MINE, THEIRS = f"Field {HOSTILE}", f"Orchard {QUOTED} a/b"
NOW = datetime(2026, 5, 6, 0, 30, tzinfo=UTC)
STRANGER = "02BB0000000000FF"


def hostile_registry(registry: Any) -> Any:
    """Return the usual registry with names that try to run, and a customer for each of both sites."""
    names = {"North field": MINE, "Pear orchard": THEIRS}
    customers = {MINE: f"Ours {HOSTILE}", THEIRS: "Theirs & co"}
    return replace(
        registry,
        sites=tuple(
            SiteRow(
                site=names[row.site],
                customer=customers[names[row.site]],
                latitude_deg=49.3,
                longitude_deg=15.2,
                time_zone="Europe/Prague",
            )
            for row in registry.sites
        ),
        probes=tuple(row.model_copy(update={"serial": f"{row.serial} {QUOTED}"}) for row in registry.probes),
        placements=tuple(
            row.model_copy(update={"site": names[row.site], "label": f"{row.label} {HOSTILE}"})
            for row in registry.placements
        ),
    )


def hostile_store(stores: Any) -> Path:
    """Return a store of the usual five days under hostile names, with things set aside and a revision."""
    registry = hostile_registry(stores.registry())
    through = (Reception(gateway=f"gw {QUOTED}", rssi_dbm=-101.5, snr_db=-2.25),)
    season = [
        told.model_copy(update={"receptions": through}) if told.dev_eui == stores.BARLEY else told
        for told in stores.season()
    ]
    aside = [
        stores.uplink(
            stores.BARLEY,
            "F1" + b"<script>".hex(),
            stores.START + timedelta(hours=119, minutes=5),
            900,
            receptions=through,
        ),
        stores.uplink(stores.PEARS, "F2aabb", stores.START + timedelta(hours=119, minutes=7), 901),
    ]
    path = stores.make(
        [*season, *aside, b'{"<script>alert(3)</script>": "' + HOSTILE.encode() + b'"}'], registry=registry
    )
    with Store.open(path) as store:
        load(store, with_bench(registry, 1, 31, 49))
        drive(applying(store, CODECS, ReplayScope(), f"bench again {HOSTILE}", f"somebody {HOSTILE}", ASKED_AT))
    return path


@dataclass
class Served:
    """Pages on a port, and the keys that open them, by word; `store` is the open store."""

    url: str
    store: Store
    keys: dict[str, str]
    stores: Any

    def paths(self) -> list[str]:
        """Return the address of every kind of page."""
        barley, profile = self.stores.BARLEY, self.stores.PROFILE
        return [
            "/",
            f"/?site={quote(MINE)}",
            f"/sites/{quote(MINE, safe='')}",
            f"/sites/{quote(THEIRS, safe='')}?days=7",
            f"/probes/{barley}",
            f"/probes/{profile}?days=7",
            f"/probes/{self.stores.PEARS}",
            f"/probes/{STRANGER}",
            f"/probes/{barley}/reading?at=2026-05-03T02:00:00Z",
            f"/probes/{self.stores.PEARS}/reading?at=2026-05-02T06:00:00Z&depth=0",
            "/gateways",
            f"/gateways/{quote(f'gw {QUOTED}', safe='')}",
            "/revisions",
            "/revisions/1",
            f"/revisions/1?probe={barley}&days=7",
            "/set-aside",
            "/layouts",
            "/layouts/measurement-v4",
            "/about",
            f"/sites/{quote(HOSTILE, safe='')}",
        ]


@contextmanager
def served_pages(path: Path, stores: Any) -> Iterator[tuple[Served, Served]]:
    """Serve the pages of a store, without keys and with them, on free ports; their clock is just after the last uplink.

    There is a key of each kind.
    """
    with Store.open(path) as store:
        keys = {word: _key(store, word, *told) for word, told in KEYS.items()}
        reader = StoreReader(store, time_limit_s=60.0)
        # The limit on sign-ins never fills here.
        seconds = iter(range(0, 10**9, 600))
        servings = [
            serve_in_thread(
                make_pages(
                    reader,
                    Sessions(),
                    codecs=CODECS,
                    open_pages=open_pages,
                    clock=lambda: NOW,
                    clock_s=lambda: float(next(seconds)),
                ),
                port=0,
            )
            for open_pages in (True, False)
        ]
        try:
            yield tuple(Served(serving.url, store, keys, stores) for serving in servings)
        finally:
            for serving in servings:
                serving.stop()
            reader.closed()


#: Keys by word: whose, and their scopes.
KEYS: dict[str, tuple[str | None, tuple[Scope, ...]]] = {
    "operator": (None, (Scope.OPERATOR,)),
    "mine": (f"Ours {HOSTILE}", (Scope.READINGS, Scope.FLEET)),
    "theirs": ("Theirs & co", (Scope.READINGS, Scope.FLEET)),
    "figures only": ("Theirs & co", (Scope.READINGS,)),
}


def _key(store: Store, word: str, customer: str | None, scopes: tuple[Scope, ...]) -> str:
    made = new_key()
    add_key(store, key_id=made.key_id, digest=made.digest, customer=customer, scopes=scopes, note=word, now=NOW)
    return made.text
