"""The chain of columns against the same chain in plain Python: the same readings, bit for bit."""

from __future__ import annotations

import random
from datetime import timedelta

import duckdb
import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loamline.core.derive import derive
from loamline.core.provenance import Registry
from loamline.core.reference import Catalogue, Reference, RegistryState
from loamline.edges.store.provenances import with_content
from loamline_codecs import builtin_codecs
from loamline_schemas.tables import READING
from loamline_schemas.verdicts import RangeCause, Verdict, Zone
from tests.bench.archive import Archive
from tests.bench.archive_registry import archive_registry, dev_eui
from tests.bench.plain.chain import PlainChain, write_by_appender, write_by_executemany
from tests.bench.plain.merging import deliveries_of

PROBES = 24
CODECS = builtin_codecs()
STATE = archive_registry(PROBES)
#: What most of the archive's troubles need to be seen: more of them than in a large one.
TROUBLE = 0.03
APART = [timedelta(minutes=minutes) for minutes in (0, 9, 10, 11, 14, 15, 16, 45, 60, 300)]


def log(archive: Archive) -> pa.Table:
    return pa.concat_tables(archive.blocks())


def columnar(deliveries: pa.Table, state: RegistryState = STATE) -> list[dict[str, object]]:
    """Return what the chain of columns says, with the content of what made each reading."""
    catalogue = Catalogue()
    numbers = {dev_eui(number): number + 1 for number in range(PROBES)}
    known = Registry({1: Reference(state, numbers, catalogue)}, catalogue)
    return exact(with_content(derive(deliveries, CODECS, known)).to_pylist())


def plain_chain(state: RegistryState = STATE, *, compiled: bool = False) -> PlainChain:
    names = {number + 1: dev_eui(number) for number in range(PROBES)}
    return PlainChain({1: state}, names, CODECS.codecs, compiled=compiled)


def plain(deliveries: pa.Table, state: RegistryState = STATE, *, compiled: bool = False) -> list[dict[str, object]]:
    chain = plain_chain(state, compiled=compiled)
    rows = [dict(zip(READING.names, row, strict=True)) for row in chain.readings(deliveries_of(deliveries))]
    made_by = chain.provenance
    return exact([row | made_by[row.pop("provenance_id") - 1] for row in rows])


def exact(rows: list[dict[str, object]]) -> list[dict[str, object]]:
    """Return rows with every float as its bits, so that equal means equal to the last."""
    return [{name: told.hex() if isinstance(told, float) else told for name, told in row.items()} for row in rows]


@pytest.fixture(scope="module")
def troubled() -> pa.Table:
    return log(Archive(PROBES, 150, trouble=TROUBLE))


def test_both_chains_give_the_same_readings_bit_for_bit(troubled):
    assert plain(troubled) == columnar(troubled)


def test_the_archive_shows_every_payload_version_verdict_cause_and_zone(troubled):
    """Else the comparison would say little."""
    rows = columnar(troubled)
    assert {row["codec"] for row in rows} == {f"measurement-v{number}" for number in range(1, 5)}
    assert {row["range_cause"] for row in rows} == {int(cause) for cause in RangeCause}
    assert {row["zone"] for row in rows} == {None, *(int(zone) for zone in Zone)}
    every = {int(verdict) for verdict in Verdict}
    never = {
        "spike_flag": set(),
        "frost_flag": {Verdict.NOT_EVALUATED},
        "supply_flag": {Verdict.MISSING, Verdict.NOT_EVALUATED},
    }
    for check in ("range", "spike", "stuck", "frost", "supply", "contact", "fall"):
        name = f"{check}_flag"
        assert {row[name] for row in rows} == every - never.get(name, set()), name
    assert any(row["conflicts"] for row in rows)
    assert len(troubled) > len({(row["probe_id"], row["heard_at"]) for row in rows})


def test_the_order_of_deliveries_changes_nothing_in_either(troubled):
    order = np.random.default_rng(3).permutation(troubled.num_rows)
    assert plain(troubled.take(pa.array(order))) == columnar(troubled)


def test_compiled_parsers_and_the_appender_give_the_same_rows_as_the_obvious_loop(troubled):
    few = troubled.slice(0, 300)
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    tables = {"obvious": (False, write_by_executemany), "good": (True, write_by_appender)}
    for table, (compiled, write) in tables.items():
        columns = ", ".join(column.ddl for column in READING.columns)
        con.execute(f"CREATE TABLE {table} ({columns})")
        write(con, table, plain_chain(compiled=compiled).readings(deliveries_of(few)))
    obvious, good = (con.table(table).to_arrow_table() for table in tables)
    assert obvious.num_rows > 300
    assert exact(obvious.to_pylist()) == exact(good.to_pylist())
    assert plain(few, compiled=True) == columnar(few)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), trouble=st.floats(0, 0.2), share=st.floats(0.3, 1.0))
def test_both_agree_on_any_archive_whatever_is_missing_or_came_by_our_own_clock(seed, trouble, share):
    """Deliveries dropped, heard minutes apart from what they were, without session address, or timed by ourselves."""
    source = random.Random(seed)
    rows = log(Archive(8, 60, seed=seed, trouble=trouble)).to_pylist()
    rows = [row for row in rows if source.random() < share]
    for row in rows:
        row["heard_at_source"] = source.choice((0, 0, 0, 1, 2))
        row["dev_addr"] = source.choice((row["dev_addr"], row["dev_addr"], None))
        row["fcnt"] += source.choice((0, 0, 0, 65536))
    again = [
        {**row, "heard_at": row["heard_at"] + source.choice(APART), "digest": source.getrandbits(64)}
        for row in rows
        if source.random() < 0.2
    ]
    deliveries = pa.Table.from_pylist(rows + again, schema=log(Archive(1, 1)).schema)
    assert plain(deliveries) == columnar(deliveries)
