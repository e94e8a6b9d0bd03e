"""A key sees its customer's probes, while they stand there, and nothing else; whatever is asked for, and however."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import duckdb
import httpx
import pytest

from loamline.app.replaying import Scope as ReplayScope
from loamline.edges.api.auth import digest_of, new_key
from loamline.edges.store.api_keys import KeyRowError, add_key, revoke_key
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline_schemas.key_tables import Scope
from tests.conftest import Stores
from tests.support.read_api import (
    MOVED,
    MOVED_AT,
    NORTH,
    NOW,
    UNPLACED,
    Api,
    problem,
    served_api,
    two_growers,
    two_growers_store,
)
from tests.support.revised import apply, load, with_bench

LISTINGS = ("sites", "probes", "placements", "readings", "readings?resolution=hourly", "readings?resolution=daily",
            "readings?resolution=daily&unit=mm", "latest", "quality?by=probe", "fleet", "gateways", "revisions",
            "curves")  # fmt: skip
SINGLE = ("sites/North field", f"probes/{Stores.BARLEY}", "gateways/gw-a", "curves/topp-1980", "revisions/1")
OF_PROBES = ("readings", "latest", "placements", "quality")
OWN = {"north": {Stores.BARLEY, MOVED}, "south": {Stores.PEARS, Stores.PROFILE, MOVED}}
SITE = {"north": "North field", "south": "Pear orchard"}
OTHER = {"north": "south", "south": "north"}


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with served_api(two_growers_store(Stores(tmp_path_factory.mktemp("tenants")))) as running:
        yield running


def whole(api: Api, path: str, key: str) -> list[dict[str, Any]]:
    return [row for page in api.walk(path, key) for row in page]


@pytest.mark.parametrize("key", OWN)
@pytest.mark.parametrize("path", LISTINGS)
def test_a_customers_listing_names_no_foreign_probe_site_or_customer(api: Api, path: str, key: str) -> None:
    rows = whole(api, path, key)
    assert {row["dev_eui"] for row in rows if "dev_eui" in row} <= OWN[key]
    assert {row["site"] for row in rows if "site" in row} <= {SITE[key]}
    assert {row["customer"] for row in rows if "customer" in row} <= {f"grower {key}"}
    assert rows or path == "revisions"


@pytest.mark.parametrize("path", LISTINGS)
def test_an_operator_sees_everybodys(api: Api, path: str) -> None:
    rows = whole(api, path, "operator")
    if path == "revisions":
        return
    assert rows
    if "dev_eui" in rows[0]:
        seen = {row["dev_eui"] for row in rows}
        assert seen >= OWN["north"] | OWN["south"]
        assert (UNPLACED in seen) == (path != "placements" and "mm" not in path)


@pytest.mark.parametrize("key", OWN)
def test_of_a_probe_that_moved_each_sees_the_time_that_it_stood_there(api: Api, key: str) -> None:
    """No placement tells an end: the next one of that depth ends it."""
    told = [row["measured_at"] for row in whole(api, f"readings?probe={MOVED}", key)]
    moved_at = MOVED_AT.isoformat().replace("+00:00", "Z")
    assert len(told) == 60
    assert all(at < moved_at for at in told) if key == "north" else all(at >= moved_at for at in told)
    (placement,) = api.rows("placements", key, probe=MOVED)
    assert placement["valid_to"] == (moved_at if key == "north" else None)
    (counts,) = [row for row in api.rows("quality", key, by="probe") if row["dev_eui"] == MOVED]
    assert counts["readings"] == 60


def test_the_newest_reading_of_a_probe_that_moved_away_is_from_before_it_moved(api: Api) -> None:
    (row,) = api.rows("latest", "north", probe=MOVED)
    assert (row["measured_at"], row["site"]) == ("2026-05-03T11:00:00Z", "North field")


def test_health_is_told_to_whom_the_probe_stands_with_now_and_counts_since_then(api: Api) -> None:
    assert MOVED not in {row["dev_eui"] for row in api.rows("fleet", "north")}
    (row,) = [row for row in api.rows("fleet", "south") if row["dev_eui"] == MOVED]
    assert sum(count for name, count in row.items() if name.startswith("verdict_")) == 59  # (since, until]
    assert row["heard"] == 59
    assert (row["site"], row["labels"]) == ("Pear orchard", ["row 1"])


def test_a_gateway_is_told_to_whose_probes_it_heard_then(api: Api) -> None:
    """gw-moved heard nothing but the probe that moved, before it did."""
    assert [row["gateway"] for row in api.rows("gateways", "north")] == ["gw-a", "gw-moved"]
    assert [row["gateway"] for row in api.rows("gateways", "south")] == ["gw-a"]
    problem(api.get("gateways/gw-moved", "south"), 404)
    assert api.get("gateways/gw-moved", "north").json()["uplinks"] == 60


def test_a_curve_is_told_to_whose_figures_it_made(api: Api) -> None:
    """The profile and the orchard's counts need both; so does the field."""
    assert {row["id"] for row in api.rows("curves", "north")} == {"p1-bench", "topp-1980"}


@pytest.mark.parametrize("key", OWN)
@pytest.mark.parametrize(
    ("foreign", "absent"),
    [
        ("probes/{probe}", "probes/02BB00000000ABCD"),
        ("sites/{site}", "sites/Nowhere"),
        *((f"{path}?probe={{probe}}", f"{path}?probe=02BB00000000ABCD") for path in OF_PROBES),
        *((f"{path}?site={{site}}", f"{path}?site=Nowhere") for path in (*OF_PROBES, "fleet")),
        ("readings?unit=mm&resolution=daily&site={site}", "readings?unit=mm&resolution=daily&site=Nowhere"),
    ],
)
def test_what_is_foreign_is_answered_as_what_is_not_there(api: Api, key: str, foreign: str, absent: str) -> None:
    probe = {"north": Stores.PEARS, "south": Stores.BARLEY}[key]
    guessed = api.get(foreign.format(probe=probe, site=SITE[OTHER[key]]), key)
    made_up = api.get(absent, key)
    assert problem(guessed, 404) == problem(made_up, 404)
    assert dict(guessed.headers) | {"date": ""} == dict(made_up.headers) | {"date": ""}


def test_an_unplaced_probe_is_nobodys(api: Api) -> None:
    for key in OWN:
        problem(api.get(f"probes/{UNPLACED}", key), 404)
        problem(api.get("readings", key, probe=UNPLACED), 404)


def test_a_cursor_of_another_key_opens_nothing(api: Api) -> None:
    """A cursor tells where to go on, not what may be seen."""
    cursor = api.get("readings", limit=1).json()["next"]
    assert {row["dev_eui"] for row in api.rows("readings", "south", cursor=cursor)} <= OWN["south"]


@pytest.mark.parametrize("path", [*LISTINGS, *SINGLE])
def test_without_a_key_with_a_wrong_one_or_a_revoked_one_nothing_is_told(api: Api, path: str) -> None:
    gone = api.key("gone", NORTH, Scope.READINGS, Scope.FLEET)
    assert api.get(path, "gone").status_code in (200, 404)
    revoke_key(api.store, gone.key_id, NOW)
    revoked = problem(api.get(path, "gone"), 401)
    never = problem(api.get(path, headers={"authorization": f"Bearer {new_key().text}"}), 401)
    wrong = gone.text[:-1] + ("0" if gone.text[-1] != "0" else "1")
    assert problem(api.get(path, headers={"authorization": f"Bearer {wrong}"}), 401) == never == revoked
    for header in ("", "Bearer", "Basic YTpi", f"Bearer {gone.text}x", "Bearer \xff"):
        answer = api.get(path, headers={"authorization": header.encode("latin-1")})  # type: ignore[dict-item]
        problem(answer, 401)
        assert answer.headers["www-authenticate"] == 'Bearer realm="loamline"'


def test_who_asks_is_checked_before_what_is_asked(api: Api) -> None:
    problem(api.get("readings", headers={"authorization": "Bearer x"}, limit=-1), 401)


def test_a_scope_opens_what_it_names_and_no_more(api: Api) -> None:
    api.key("only readings", NORTH, Scope.READINGS)
    assert api.get("readings", "only readings").status_code == 200
    told = problem(api.get("fleet", "only readings"), 403)
    assert told["detail"] == "the header Authorization: expected a key with the scope fleet, got one with readings"


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_nothing_can_be_written(api: Api, method: str) -> None:
    key = {"authorization": f"Bearer {api.keys['operator'].text}"}
    answer = httpx.request(method, f"{api.url}/api/v1/sites", headers=key)
    assert problem(answer, 405)["detail"] == f"expected GET or HEAD, got {method}"
    assert answer.headers["allow"] == "GET, HEAD"


def test_a_view_of_the_store_can_not_write(api: Api) -> None:
    with api.reader.view() as view, pytest.raises(duckdb.TransactionException, match="read-only"):
        view.con.execute("DELETE FROM reading")


def test_a_key_is_stored_as_its_digest_alone(api: Api) -> None:
    made = api.keys["north"]
    rows = api.store.con.execute("SELECT * FROM api_key").fetchall()
    assert made.text not in str(rows)
    assert digest_of(made.text) in str(rows)


def test_a_customer_without_a_site_gets_no_key(api: Api) -> None:
    made = new_key()
    told = {"key_id": made.key_id, "digest": made.digest, "note": "", "now": NOW}
    with pytest.raises(
        KeyRowError, match=r"expected a customer of the registry's sites \(grower north, grower south\)"
    ):
        add_key(api.store, customer="grower nroth", scopes=[Scope.READINGS], **told)
    with pytest.raises(KeyRowError, match="expected the scope operator without a customer"):
        add_key(api.store, customer=NORTH, scopes=[Scope.OPERATOR], **told)
    with pytest.raises(KeyRowError, match="expected a customer, got none"):
        add_key(api.store, customer=None, scopes=[Scope.READINGS], **told)


def test_a_placement_that_turns_out_to_be_somebody_elses_opens_neither_ones_old_figures_to_the_other(
    stores: Stores,
) -> None:
    """The readings were derived under the old state: the old owner lost them, the new one waits for a replay."""
    path = two_growers_store(stores)
    state = two_growers(stores)
    corrected = tuple(
        row.model_copy(update={"site": "Pear orchard"}) if row.dev_eui == Stores.BARLEY else row
        for row in state.placements
    )
    with Store.open(path) as store:
        save_state(store, replace(state, placements=corrected), "corrected")
    with served_api(path) as api:
        problem(api.get("readings", "north", probe=Stores.BARLEY), 404)
        assert api.rows("readings", "south", probe=Stores.BARLEY) == []
        assert len(api.rows("readings", probe=Stores.BARLEY)) > 100


def test_a_revision_is_told_to_those_whose_readings_it_covers_without_who_asked_and_how_much_changed(
    stores: Stores,
) -> None:
    """The numbers of a revision count everybody's readings; its reason is for whose figures changed."""
    path = two_growers_store(stores)
    with Store.open(path) as store:
        load(store, with_bench(two_growers(stores), 1, 31, 49))
        apply(store, ReplayScope(sites=("North field",)))
    with served_api(path) as api:
        (told,) = api.rows("revisions")
        assert (told["step"], told["reason"], told["asked_by"], told["probes"]) == ("applied", "a test", "tester", 2)
        assert told["changed"] > 100
        (own,) = api.rows("revisions", "north")
        assert (own["reason"], own["asked_by"], own["changed"], own["probes"]) == ("a test", None, None, 2)
        assert own["measured_to"] <= told["measured_to"]
        assert api.get("revisions/1", "north").json() == own
        assert api.rows("revisions", "south") == []
        problem(api.get("revisions/1", "south"), 404)
