"""`loamline key` and `loamline serve`: a key is shown once, opens the API of a store at rest, and can be ended."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import httpx

from loamline.edges.store.connection import Store
from tests.conftest import Stores


def test_a_key_is_shown_once_and_listed_by_its_id_alone(stores: Stores, loamline: Callable[..., Any]) -> None:
    store = stores.make(stores.season()[:5])
    made = loamline("key", "create", "--store", store, "--customer", "c", "--note", "the adviser")
    assert made.exit_code == 0, made.output
    key = made.stdout.strip()
    listed = loamline("key", "list", "--store", store, "--json")
    (row,) = json.loads(listed.stdout)
    assert key.startswith(f"loamline_{row['key_id']}_")
    assert key not in listed.stdout
    assert (row["customer"], row["scopes"], row["note"]) == ("c", ["fleet", "readings"], "the adviser")
    assert row["revoked_at"] is None
    assert "the adviser" in loamline("key", "list", "--store", store).stdout


def test_json_tells_key_and_row_and_a_scope_can_be_chosen(stores: Stores, loamline: Callable[..., Any]) -> None:
    store = stores.make(stores.season()[:5])
    told = json.loads(loamline("key", "create", "--store", store, "--scope", "operator", "--json").stdout)
    assert (told["customer"], told["scopes"]) == (None, ["operator"])
    assert told["key"].startswith(f"loamline_{told['key_id']}_")


def test_a_revoked_key_stays_in_the_list_and_revoking_again_changes_nothing(
    stores: Stores, loamline: Callable[..., Any]
) -> None:
    store = stores.make(stores.season()[:5])
    made = json.loads(loamline("key", "create", "--store", store, "--customer", "c", "--json").stdout)
    first = json.loads(loamline("key", "revoke", made["key_id"], "--store", store, "--json").stdout)
    again = json.loads(loamline("key", "revoke", made["key_id"], "--store", store, "--json").stdout)
    assert first["revoked_at"] is not None
    assert again == first
    assert "is revoked since" in loamline("key", "revoke", made["key_id"], "--store", store).stdout


def test_what_can_not_be_made_or_revoked_is_told_in_a_sentence(stores: Stores, loamline: Callable[..., Any]) -> None:
    store = stores.make(stores.season()[:5])
    for arguments, sentence in (
        (("create",), "expected a scope, one or more of readings, fleet, operator, got none"),
        (("create", "--customer", "d"), "expected a customer of the registry's sites (c), got 'd'"),
        (("revoke", "00000000"), "expected the id of a key, got '00000000'; `loamline key list` shows them"),
    ):
        done = loamline("key", *arguments, "--store", store)
        assert (done.exit_code, done.stderr.strip()) == (1, sentence)
    assert "no keys" in loamline("key", "list", "--store", store).stdout


def test_serve_answers_until_it_is_told_to_stop_and_leaves_the_store_free(
    stores: Stores, loamline: Callable[..., Any]
) -> None:
    store = stores.make(stores.season())
    key = loamline("key", "create", "--store", store, "--customer", "c").stdout.strip()
    code = "from loamline.app.cli import main; main()"
    command = [sys.executable, "-c", code, "serve", "--store", str(store), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        url = running.stdout.readline().strip()
        assert url.startswith("http://127.0.0.1:")
        told = httpx.get(f"{url}/sites", headers={"authorization": f"Bearer {key}"}, timeout=30)
        assert [row["site"] for row in told.json()["rows"]] == ["North field", "Pear orchard"]
        assert httpx.get(f"{url}/docs").status_code == 200
        running.send_signal(signal.SIGINT)
        assert running.wait(30) == 0
    Store.open(store).close()
