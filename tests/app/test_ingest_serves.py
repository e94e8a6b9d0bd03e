"""The daemon serves what it stores: a key that is made beside it opens the API, and what comes is there to be read."""

from __future__ import annotations

import json
from typing import Any

import httpx

from tests.support.command import run
from tests.support.daemon import Daemon


def test_what_is_posted_to_the_daemon_is_read_from_it_by_whoever_holds_a_key(stores: Any) -> None:
    path = stores.make(stores.season())
    daemon = Daemon(None, path, "--webhook-port", "0", "--serve-port", "0")
    try:
        api = daemon.wait_for("serving what is stored")["api"]
        webhook = daemon.wait_for("listening")["url"] + "/uplinks"
        made = json.loads(run("key", "create", "--store", path, "--scope", "operator", "--json").stdout)
        key = {"Authorization": f"Bearer {made['key']}"}

        uplink = stores.v1(stores.BARLEY, 200, 1800).model_dump(mode="json", exclude_none=True)
        assert httpx.post(webhook, json=uplink).json()["accepted"] == 1
        asked = {"probe": stores.BARLEY, "since": "2026-05-09T00:00:00Z", "until": "2026-05-10T00:00:00Z"}
        rows = httpx.get(f"{api}/readings", headers=key, params=asked).json()["rows"]
        assert [row["measured_at"] for row in rows] == ["2026-05-09T08:00:00Z"], "hour 200 after the first of May"
        assert httpx.get(f"{api}/sites").status_code == 401
        page = httpx.get(api.removesuffix("/api/v1") + "/", follow_redirects=True)
        assert (page.status_code, "key" in page.text) == (200, True)

        assert run("key", "revoke", made["key_id"], "--store", path).exit_code == 0
        assert httpx.get(f"{api}/sites", headers=key).status_code == 401
    finally:
        assert daemon.terminate() == 0
