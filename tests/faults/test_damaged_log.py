"""A damaged write-ahead log is noticed; the long form is `python -m tests.faults.damaged_log --damages 400`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from loamline.edges.store.connection import Store, StoreError
from tests.faults.damaged_log import campaign
from tests.faults.injection import ROOT


def test_damage_to_the_log_or_the_file_costs_nothing_unnoticed(tmp_path: Path) -> None:
    summary = campaign(14, 20260110, tmp_path, tell=lambda _: None)
    assert summary.faults == []
    assert summary.silent == 0
    assert summary.refused > 3
    assert summary.harmless > 1
    assert "the log cut" in summary.damages


_WRITER = """
import os, sys
from pathlib import Path
from loamline.edges.messages import Rejected
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from tests.support.uplinks import registered_store
store = registered_store(Path(sys.argv[1]))
store.con.execute("CHECKPOINT")
Writer(store, builtin_codecs()).commit([Rejected("t", "no uplink", b"kept and acknowledged")])
os._exit(0)
"""


def test_a_log_that_loses_only_rejected_messages_is_noticed_too(tmp_path: Path) -> None:
    """They were acknowledged, so that their sender has them no more (promise 1)."""
    store = tmp_path / "s.duckdb"
    subprocess.run([sys.executable, "-c", _WRITER, str(store)], cwd=ROOT, check=True, timeout=60)
    Path(f"{store}.wal").unlink()
    with pytest.raises(StoreError, match="acknowledged"):
        Store.open(store).close()
