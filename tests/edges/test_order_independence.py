"""Promise 3: the stored readings depend on the set of uplinks alone; promise 2: nothing counts twice.

The same uplinks, cut into any batches in any order, some of them twice, give the same rows as one batch in
order of time; and the rows that windows left behind are those of a derivation from the whole raw log.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.derive import derive
from loamline.core.reference import RegistryState
from loamline.edges.messages import Accepted, Outcome
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import probe_ids, registry, save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.registry import PlacementRow
from loamline_schemas.uplink import Reception, Uplink
from tests.support.registry_rows import SITES, curve_rows, placement_row, probe_row

START = datetime(2026, 1, 10, tzinfo=UTC)
LONG_AGO = START - timedelta(days=400)
ONE_DEPTH, BACKFILLING, PROFILE = "02AA000000000001", "02AA000000000002", "02AA000000000003"

RESOLVED = """
    SELECT dev_eui, reading.* EXCLUDE (probe_id, provenance_id), provenance.* EXCLUDE (provenance_id)
    FROM reading JOIN probe_identity USING (probe_id) JOIN provenance USING (provenance_id)
    ORDER BY dev_eui, depth_index, measured_at
"""


def a_registry() -> RegistryState:
    """Return two probes with factory records, one of them moved, and a profile placed at one depth only."""
    moved = START + timedelta(days=4)
    return RegistryState(
        sites=SITES,
        probes=(probe_row(ONE_DEPTH), probe_row(BACKFILLING)),
        placements=(
            _placement(ONE_DEPTH, LONG_AGO, moved),
            _placement(ONE_DEPTH, moved, None),
            _placement(BACKFILLING, LONG_AGO, None),
            _placement(PROFILE, LONG_AGO, None),
        ),
        curves=curve_rows(LONG_AGO),
    )


def _placement(dev_eui: str, since: datetime, until: datetime | None) -> PlacementRow:
    return placement_row(dev_eui, f"since day {since:%j}", since, until)


SEEDS = st.integers(0, 2**32)


def history(seed: int) -> list[Uplink]:
    """Return uplinks of three probes over some two weeks: gaps, bursts, frost, stuck stretches, faults."""
    rng = random.Random(seed)
    uplinks = []
    for dev_eui in (ONE_DEPTH, BACKFILLING, PROFILE):
        at, count, temperature = START + timedelta(minutes=rng.randrange(60)), 1500, 4.0
        for fcnt in range(rng.randrange(5, 60)):
            at += timedelta(minutes=rng.choice([60, 60, 60, 60, 61, 59, 120, 10, 5, 16, 60 * 30, 60 * 80]))
            count += rng.choice([0, 0, 0, 1, -1, 5, -7, 400, -380])
            temperature = max(-3.0, min(4.0, temperature + rng.choice([-1.0, -0.5, 0.0, 0.0, 0.5, 1.0])))
            payload = _payload(dev_eui, rng, fcnt, max(600, min(3400, count)), temperature)
            uplinks += _deliveries(rng, dev_eui, fcnt, at, payload)
    return uplinks


def _payload(dev_eui: str, rng: random.Random, fcnt: int, count: int, temperature: float) -> bytes:
    codecs = builtin_codecs()
    told = None if rng.random() < 0.03 else count
    degc = None if rng.random() < 0.03 else temperature
    uplink = {"supply_v": 3.6, "firmware": "1.0", "sample_counter": fcnt}
    newest = {"moisture_count": told, "soil_temperature_degc": degc}
    if rng.random() < 0.02:
        return b"\x7f\x00"
    if dev_eui == ONE_DEPTH:
        return codecs.by_name("measurement-v1").build(uplink, [newest])
    if dev_eui == BACKFILLING:
        older = [
            {"moisture_count": count + rng.choice([0, 0, 3]), "soil_temperature_degc": temperature}
            for _ in range(rng.randrange(4))
        ]
        return codecs.by_name("measurement-v3").build({**uplink, "interval_minutes": 60}, [newest, *older])
    depths = [{"permittivity": 10 + count / 1000 + depth, "soil_temperature_degc": degc} for depth in range(2)]
    return codecs.by_name("measurement-v4").build(uplink, depths)


def _deliveries(rng: random.Random, dev_eui: str, fcnt: int, at: datetime, payload: bytes) -> list[Uplink]:
    def delivery(gateway: str, later: timedelta) -> Uplink:
        return Uplink(
            dev_eui=dev_eui,
            dev_addr="01020304",
            fport=10,
            fcnt=fcnt,
            payload_hex=payload.hex(),
            heard_at=at + later,
            spreading_factor=9,
            receptions=(Reception(gateway=gateway, rssi_dbm=-100 - rng.random(), snr_db=rng.uniform(-10, 5)),),
        )

    told = [delivery("A", timedelta(0))]
    if rng.random() < 0.2:
        told.append(delivery("B", timedelta(minutes=rng.choice([-9, 1, 9, 18]))))
    return told


@contextmanager
def a_store() -> Iterator[tuple[Store, Writer]]:
    """Yield an empty store with the registry loaded, and its writer."""
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s.duckdb", create=True) as store:
        save_state(store, a_registry(), "test")
        yield store, Writer(store, builtin_codecs())


def commit(writer: Writer, uplinks: list[Uplink]) -> Outcome:
    """Commit uplinks as one batch."""
    return writer.commit([Accepted(uplink, b"{}") for uplink in uplinks], START + timedelta(days=365))


def rows(store: Store) -> pa.Table:
    """Return every reading, internal numbers resolved."""
    return store.con.sql(RESOLVED).to_arrow_table()


def assert_readings_follow_from_the_raw_log(store: Store) -> None:
    """Derive the whole raw log at once and compare with what the windows left behind, bit for bit."""
    log = store.con.sql("SELECT * FROM uplink").to_arrow_table()
    fresh = derive(log, builtin_codecs(), registry(store, probe_ids(store))).readings.drop_columns(["made_by"])
    stored = store.con.sql("SELECT * FROM reading ORDER BY probe_id, depth_index, measured_at").to_arrow_table()
    assert stored.select(fresh.column_names).cast(fresh.schema).equals(fresh)


@settings(max_examples=20, deadline=None)
@given(SEEDS, st.integers(1, 12))
def test_any_order_and_any_batches_give_the_same_readings(seed: int, batches: int) -> None:
    """Shuffled, cut and partly sent again, the uplinks give the rows of one batch in order of time."""
    uplinks, rng = history(seed), random.Random(seed + 1)
    with a_store() as (store, writer):
        commit(writer, uplinks)
        expected = rows(store)
    again = [*uplinks, *rng.sample(uplinks, len(uplinks) // 4)]
    rng.shuffle(again)
    with a_store() as (store, writer):
        for number in range(batches):
            commit(writer, again[number::batches])
        assert rows(store).equals(expected)
        assert_readings_follow_from_the_raw_log(store)


@settings(max_examples=5, deadline=None)
@given(SEEDS)
def test_uplinks_one_at_a_time_give_the_same_readings(seed: int) -> None:
    """Live ingest is the case of batches of one."""
    uplinks = history(seed)
    with a_store() as (store, writer):
        commit(writer, uplinks)
        expected = rows(store)
    with a_store() as (store, writer):
        for uplink in uplinks[:60]:
            commit(writer, [uplink])
        commit(writer, uplinks[60:])
        assert rows(store).equals(expected)


@settings(max_examples=6, deadline=None)
@given(SEEDS)
def test_a_second_import_changes_nothing_and_counts_duplicates(seed: int) -> None:
    """Every message of a second import is a duplicate; no table grows."""
    uplinks = history(seed)
    with a_store() as (store, writer):
        first = commit(writer, uplinks)
        before, sizes = rows(store), _sizes(store)
        assert commit(writer, uplinks) == Outcome(read=len(uplinks), duplicates=len(uplinks))
        assert rows(store).equals(before)
        assert _sizes(store) == sizes
        assert first.accepted + first.set_aside + first.duplicates == len(uplinks)


def _sizes(store: Store) -> list[int]:
    names = ("uplink", "set_aside", "provenance", "reference", "reading", "status")
    return [len(store.con.table(name)) for name in names]
