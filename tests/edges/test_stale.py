"""What a plan counts: stale readings by cause, site, probe and month, inside a scope."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from loamline.app.replaying import Scope, begin_apply, plan_now
from loamline.edges.store.connection import Store, migrate
from loamline.edges.store.preview import Preview
from loamline.edges.store.replay import Replay
from loamline_codecs import CodecSet, status_v1
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.migrations import MIGRATIONS, RECORD_DDL
from loamline_schemas.tables import TABLES
from tests.support.revised import ASKED_AT, CODECS, apply, assert_verified, load, stale, with_bench

REVISED = (1, 31, 48)
#: Where a payload brings permittivity or a fault, no transducer curve is used.
COUNTED = "moisture_count IS NOT NULL"


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
        for dev_eui in (stores.BARLEY, stores.PEARS)
    }
    assert told.probes == expected
    assert told.causes == {"transducer": sum(expected.values())}
    assert told.stale == sum(expected.values()) == sum(told.sites.values()) == told.months["2026-05"]


def test_a_scope_counts_only_what_lies_in_it(stores, store):
    load(store, with_bench(stores.registry(), *REVISED))
    at = stores.START + timedelta(hours=24)
    of_pears = count(store, f"dev_eui = '{stores.PEARS}' AND {COUNTED}")
    assert stale(store, Scope(probes=(stores.PEARS,))) == of_pears > 0
    assert stale(store, Scope(probes=("s-0002",))) == of_pears
    assert stale(store, Scope(sites=("North field",))) == count(store, f"dev_eui = '{stores.BARLEY}'")
    assert stale(store, Scope(curves=("p1-bench",))) == stale(store)
    known = f"dev_eui <> '02BB0000000000FF' AND {COUNTED}"
    assert stale(store, Scope(since=at)) == count(store, f"{known} AND measured_at >= '{at.isoformat()}'")
    assert stale(store, Scope(until=at)) == count(store, f"{known} AND measured_at < '{at.isoformat()}'")
    assert stale(store, Scope(sites=("North field",), probes=(stores.PEARS,))) == 0


def test_a_transducer_curve_concerns_no_reading_that_reports_permittivity_and_none_with_a_fault(stores, store):
    """Plan, preview and apply agree, and what was made with no curve names none."""
    named = "transducer_curve IS NOT NULL"
    told = store.con.sql(
        f"SELECT DISTINCT {COUNTED}, {named} FROM reading JOIN provenance USING (provenance_id)"  # noqa: S608
    ).fetchall()
    assert sorted(told) == [(False, False), (True, False), (True, True)]  # the stranger has no curve
    load(store, with_bench(stores.registry(), *REVISED))
    assert stale(store, Scope(probes=(stores.PROFILE,), curves=("p1-bench",))) == 0
    plan = plan_now(store, CODECS, Scope())
    preview = Preview(store, CODECS, plan)
    for compared in preview.chunks():
        rows = compared.rows.filter(compared.rows.column("changed"))
        assert rows.num_rows
        assert set(rows.column("probe_id").to_pylist()) <= {1, 2}  # not the profile
    assert apply(store).changed == preview.report.changed == plan.stale > 0
    assert stale(store) == 0


def test_a_changed_status_codec_alone_is_stale_and_applied(stores, stated):
    """Also after a kill in the middle: what it staged of statuses was in memory alone."""
    path = stores.make(
        stores.season()[:60], [stores.uplink(stores.BARLEY, "1205020E1A0CF8002238005A", stores.START, fport=11)]
    )
    with Store.open(path) as store:
        assert plan_now(store, CODECS, Scope()).nothing
        told = plan_now(store, stated, Scope())
        assert (told.stale, told.causes, dict(told.probes)) == (0, {"codec": 1}, {stores.BARLEY: 0})
        assert plan_now(store, stated, Scope(until=stores.START - timedelta(hours=1))).nothing
        assert plan_now(store, stated, Scope(probes=(stores.PEARS,))).nothing
        number = begin_apply(store, stated, Scope(), "a test", "tester", ASKED_AT)
        work = Replay(store, stated, chunk=1).finish(number)
        while not store.scalar("SELECT count(*) FROM revision_span WHERE staged_seq IS NOT NULL"):
            if next(work, None) is None:
                break
        work.close()
        apply(store, codecs=stated)
        assert store.scalar("SELECT supply_rest_v FROM status") == pytest.approx(36.10)
        assert plan_now(store, stated, Scope()).nothing
        assert_verified(store, stated)


@pytest.fixture
def stated():
    """Return the codecs with a status that takes its supply at rest for ten times as much."""
    quantities = tuple(
        replace(each, scale="0.01") if each.name == "supply_rest_v" else each for each in status_v1.CODEC.quantities
    )
    codec = replace(status_v1.CODEC, quantities=quantities)
    return CodecSet([*(each for each in CODECS.codecs if each.name != codec.name), codec])


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
