"""The example notebook, run cell by cell in a kernel of its own on a small store of the demo's fleet."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from loamline.app.demo.registry_folder import write_registry_folder
from loamline.app.demo.uplinks import Simulation
from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs

NOTEBOOK = Path(__file__).parents[2] / "replay_fixtures" / "notebooks" / "first_look.ipynb"

nbformat = pytest.importorskip("nbformat", reason="needs nbclient, of the group dev")
nbclient = pytest.importorskip("nbclient", reason="needs nbclient, of the group dev")
pytest.importorskip("ipykernel", reason="needs ipykernel, of the group dev")


@pytest.fixture(scope="module")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of the demo's registry and of two days of its uplinks."""
    folder = tmp_path_factory.mktemp("demo")
    simulation = Simulation(1)
    write_registry_folder(folder, history_end=simulation.history_end)
    state, faults = read_registry(folder)
    assert state is not None, faults
    with Store.open(folder / "demo.duckdb", create=True) as store:
        save_state(store, state, "the demo's registry")
        end = simulation.history_end
        told = [json.dumps(uplink).encode() for uplink in simulation.uplinks(end - timedelta(days=2), end)]
        Writer(store, builtin_codecs()).commit([read_canonical(message, "demo") for message in told], end)
    return folder / "demo.duckdb"


# Libraries of the kernel's machinery warn of their own old ways.
@pytest.mark.filterwarnings("ignore")
def test_every_cell_runs_and_shows_something(demo_store, monkeypatch) -> None:
    """Outputs are looked at, not compared: the drawing is there, the tables have rows."""
    monkeypatch.setenv("LOAMLINE_STORE", str(demo_store))
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbclient.NotebookClient(notebook, timeout=300, kernel_name="python3").execute()
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    shown = [output.data for cell in cells for output in cell.outputs if output.output_type == "execute_result"]
    assert len(shown) == len(cells)
    assert sum("text/html" in data for data in shown) >= 4
    assert [data for data in shown if "image/png" in data]
    assert not [output for cell in cells for output in cell.outputs if output.output_type in ("error", "stream")]


def test_it_is_kept_without_outputs_and_without_counts() -> None:
    """So that a change of it can be read, and nobody's figures are published by oversight."""
    cells = [cell for cell in json.loads(NOTEBOOK.read_text())["cells"] if cell["cell_type"] == "code"]
    assert cells
    assert not [cell for cell in cells if cell["outputs"] or cell["execution_count"] is not None]
