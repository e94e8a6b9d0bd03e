"""`loamline demo` as a newcomer runs it: one command, no broker installed, an end by itself, a store to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.profiles import Span, site_hours


@pytest.fixture
def ran(demo: tuple[Path, dict[str, Any]]) -> tuple[Path, dict[str, Any]]:
    """Return the folder of the demo's run, for reading only, and the summary that it printed."""
    return demo


def verdicts(store: Store, check: str, probe: str) -> set[int]:
    """Return the flags that one check gave one probe."""
    rows = store.con.execute(
        f"SELECT DISTINCT {check}_flag FROM reading JOIN probe_identity USING (probe_id) WHERE dev_eui = ?",  # noqa: S608
        [probe],
    ).fetchall()
    return {flag for (flag,) in rows}


def test_history_and_live_time_reach_the_store(ran: tuple[Path, dict[str, Any]]) -> None:
    """Sixty days of some forty hourly probes, and two simulated hours more."""
    _, summary = ran
    assert summary["probes"] == 41
    assert summary["uplinks"] > 59_000
    assert summary["readings"] > summary["uplinks"]
    assert summary["set_aside"] == 0
    assert str(summary["simulated_until"]).endswith("T02:00:00Z")


def test_the_troubled_probes_are_told_by_their_verdicts(ran: tuple[Path, dict[str, Any]]) -> None:
    """The stuck probe is stuck, the spiking one spikes, shallow soil freezes, the unknown one is not evaluated.

    The dying battery fails, the probe that was knocked over is suspect; a healthy one is neither.
    """
    folder, _ = ran
    with Store.open(folder / "demo.duckdb", writable=False) as store:
        assert 4 in verdicts(store, "stuck", "02A7C40000000101")
        assert 4 in verdicts(store, "spike", "02A7C40000000201")
        assert 4 in verdicts(store, "frost", "02A7C40000000401")
        assert 4 in verdicts(store, "supply", "02A7C40000000501")
        assert 3 in verdicts(store, "contact", "02A7C40000000403")
        assert 1 not in verdicts(store, "verdict", "02A7C40000000406")
        calm = verdicts(store, "stuck", "02A7C40000000107") | verdicts(store, "spike", "02A7C40000000107")
        calm |= {flag for check in ("supply", "contact", "fall") for flag in verdicts(store, check, "02A7C40000000107")}
        assert calm <= {1, 2}


def test_soil_and_crop_give_every_site_zones_and_a_storage(ran: tuple[Path, dict[str, Any]]) -> None:
    """Every water content has a zone; every site's root zone has a storage, from wilting point to saturation or so."""
    folder, _ = ran
    with Store.open(folder / "demo.duckdb", writable=False) as store:
        assert store.scalar("SELECT count(*) FROM reading WHERE (zone IS NULL) <> (vwc_m3_m3 IS NULL)") == 0
        assert store.scalar("SELECT count(DISTINCT zone) FROM reading") == 3
        assert store.scalar("SELECT count(*) FROM reading WHERE (vwc_uncertainty_m3_m3 > 0) IS NOT TRUE "
                            "AND vwc_m3_m3 IS NOT NULL") == 0  # fmt: skip
        rows = site_hours(store, Span()).read_all().to_pylist()
    stored = [row for row in rows if row["probes"]]
    assert len({row["site"] for row in stored}) == 6
    assert len(stored) > 0.95 * len(rows)
    for row in stored:
        assert 0.5 * row["wilting_point_mm"] < row["storage_mm"] < 1000 * row["root_depth_m"] * 0.65
