"""What a plan counts: stale readings by cause, site, probe and month, inside a scope."""

from __future__ import annotations

from datetime import timedelta

import pytest

from loamline.app.replaying import Scope, plan_now
from loamline.edges.store.connection import Store, migrate
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.migrations import MIGRATIONS, RECORD_DDL
from loamline_schemas.tables import TABLES
from tests.support.revised import CODECS, apply, assert_verified, load, stale, with_bench

REVISED = (1, 31, 48)


@pytest.fixture
def store(stores):
    """Yield a store with five days of readings: barley and pears by count, a profile, a stranger."""
    with Store.open(stores.make(stores.season())) as opened:
        yield opened


def count(store, where="true"):
    return store.scalar(f"SELECT count(*) FROM reading JOIN probe_identity USING (probe_id) WHERE {where}")  # noqa: S608 - our own words


def test_nothing_revised_is_nothing_stale(store):
    told = plan_now(store, CODECS, Scope())
    assert told.nothing
    assert told.as_fields() == {"reference_id": 1, "stale": 0, "causes": {}, "sites": {}, "probes": {}, "months": {}}


def test_a_revised_curve_makes_its_readings_stale_from_its_first_day_on(stores, store):
    since = stores.START + timedelta(hours=60)
    load(store, with_bench(stores.registry(), *REVISED, since=since))
    told = plan_now(store, CODECS, Scope())
    expected = {
        dev_eui: count(store, f"dev_eui = '{dev_eui}' AND measured_at >= '{since.isoformat()}'")
        for dev_eui in (stores.BARLEY, stores.PEARS, stores.PROFILE)
    }
    assert told.probes == expected
    assert told.causes == {"transducer": sum(expected.values())}
    assert told.stale == sum(expected.values()) == sum(told.sites.values()) == told.months["2026-05"]


def test_a_scope_counts_only_what_lies_in_it(stores, store):
    load(store, with_bench(stores.registry(), *REVISED))
    at = stores.START + timedelta(hours=24)
    assert stale(store, Scope(probes=(stores.PEARS,))) == count(store, f"dev_eui = '{stores.PEARS}'")
    assert stale(store, Scope(probes=("s-0002",))) == count(store, f"dev_eui = '{stores.PEARS}'")
    assert stale(store, Scope(sites=("North field",))) == count(store, f"dev_eui = '{stores.BARLEY}'")
    assert stale(store, Scope(curves=("p1-bench",))) == stale(store)
    known = "dev_eui <> '02BB0000000000FF'"
    assert stale(store, Scope(since=at)) == count(store, f"{known} AND measured_at >= '{at.isoformat()}'")
    assert stale(store, Scope(until=at)) == count(store, f"{known} AND measured_at <= '{at.isoformat()}'")
    assert stale(store, Scope(sites=("North field",), probes=(stores.PEARS,))) == 0


def test_changed_limits_are_a_cause_of_their_own(stores, store):
    registry = stores.registry()
    limits = LimitsFile(site={"North field": [LimitLayer(spike_fail=0.5)]})
    load(store, type(registry)(**{**vars(registry), "limits": limits}))
    told = plan_now(store, CODECS, Scope())
    assert set(told.causes) == {"limits"}
    assert set(told.sites) == {"North field"}


def test_a_store_of_schema_1_is_stale_by_its_rules(stores, tmp_path):
    """Its provenance names no rules and its readings lack what came since; a replay brings them up."""
    modern = stores.make(stores.season()[:60])
    path = tmp_path / "old.duckdb"
    with Store.open(modern) as store:
        first = {table.name: [c.name for c in table.columns if c.since == 1] for table in TABLES if table.since == 1}
        store.con.execute(f"ATTACH '{path}' AS old")
        store.con.execute("USE old")
        store.con.execute(RECORD_DDL)
        for statement in MIGRATIONS[0].statements:
            store.con.execute(statement)
        store.con.execute("INSERT INTO migration VALUES (1, 'raw log, registry and readings', now())")
        name = modern.stem
        for table, columns in first.items():
            told = ", ".join(columns)
            store.con.execute(f'INSERT INTO old."{table}" ({told}) SELECT {told} FROM {name}."{table}"')  # noqa: S608
        store.con.execute(f"USE {name}")
    with Store.open(path) as store:
        assert migrate(store.con) == []
        readings = count(store)
        told = plan_now(store, CODECS, Scope())
        assert (told.stale, told.causes) == (readings, {"rules": readings})
        assert apply(store).changed == readings
        assert stale(store) == 0
        assert_verified(store)
