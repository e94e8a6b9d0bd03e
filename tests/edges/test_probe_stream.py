"""A table in order of probe, handed out probe by probe; and work that a thread of its own does ahead."""

import threading

import pytest

from loamline.core.columns import ints, whole
from loamline.edges.ahead import Ahead
from loamline.edges.store.connection import Store
from loamline.edges.store.probe_stream import ProbeStream


def test_every_row_of_the_probes_comes_once_and_with_its_own_probe(stores):
    with Store.open(stores.make(stores.season())) as store:
        probes = [number for (number,) in store.con.execute("SELECT probe_id FROM probe_identity").fetchall()]
        wanted = sorted(probes)[1:]
        counts = dict(store.con.execute("SELECT probe_id, count(*) FROM uplink GROUP BY ALL").fetchall())
        with ProbeStream(store, "uplink", wanted) as log:
            for number in wanted:
                rows = log.until(number)
                assert set(ints(whole(rows, "probe_id")).tolist()) <= {number}
                assert rows.num_rows == counts.get(number, 0)
            assert log.until(wanted[-1] + 1).num_rows == 0


def test_what_is_committed_meanwhile_is_not_seen_and_not_kept_from_being_committed(stores):
    with Store.open(stores.make(stores.season())) as store:
        before = store.scalar("SELECT count(*) FROM uplink")
        with ProbeStream(store, "uplink", list(range(1, 100))) as log:
            store.con.execute("INSERT INTO uplink SELECT * FROM uplink")
            assert log.until(100).num_rows == before
        assert store.scalar("SELECT count(*) FROM uplink") == 2 * before


def test_items_come_in_order_and_then_it_has_ended():
    ahead = Ahead(iter(range(5)))
    told = []
    while not ahead.ended:
        told += ahead.take(0.1)
    assert told == [0, 1, 2, 3, 4]
    assert ahead.take(0.0) == []
    ahead.close()


def test_what_goes_wrong_in_the_thread_is_raised_to_whoever_takes_the_item():
    def items():
        yield 1
        raise ValueError("expected another")

    ahead = Ahead(items())
    assert ahead.take(5.0) == [1]
    with pytest.raises(ValueError, match="expected another"):
        ahead.take(5.0)
    ahead.close()


def test_closing_ends_the_thread_though_nobody_takes_anything():
    def endless():
        while True:
            yield threading.current_thread()

    ahead = Ahead(endless())
    (thread,) = ahead.take(5.0)
    ahead.close()
    assert not thread.is_alive()
