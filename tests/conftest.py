"""Shared fixtures: stores made through the real writer, and the command line run in this process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from typer.testing import CliRunner

from loamline.app import output
from loamline.app.cli import app
from loamline.core.reference import RegistryState
from loamline.edges.envelopes.canonical import read_canonical
from loamline.edges.messages import Accepted
from loamline.edges.store import tail_keeping
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.curves import Curve
from loamline_schemas.registry import PlacementRow, ProbeRow, SiteRow
from loamline_schemas.uplink import Reception, Uplink
from tests.support.once import once_for_all

# Processes that share the tests are told of a narrow terminal, in which tables break; each test tells its own width.
os.environ.pop("COLUMNS", None)
for _shown in (output.console, output.errors):
    _shown._width = None
# No test is timed: the machine may be busy, and the first call of a test imports things.
# Most properties are held against fifty cases; a test that needs more says so.
settings.register_profile("untimed", deadline=None, max_examples=50)
settings.load_profile("untimed")
#: Tests of core and codecs stand elsewhere; tracing these for coverage would take as long again.
_UNTRACED = ("bench", "edges", "faults", "rates")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Coverage is that of core and codecs by their own tests and by those of the commands."""
    for item in items:
        if item.path.relative_to(Path(__file__).parent).parts[0] in _UNTRACED:
            item.add_marker("no_cover")


class Stores:
    """Makes stores in one folder. Everything in them is invented; identifiers are locally administered EUI-64s."""

    START = datetime(2026, 5, 1, tzinfo=UTC)
    BARLEY, PEARS, PROFILE = "02BB000000000001", "02BB000000000002", "02BB000000000004"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._numbers = count()

    def registry(self) -> RegistryState:
        """Return two count probes and a permittivity profile on two sites, with the published soil curve."""
        since = datetime(2020, 1, 1, tzinfo=UTC)
        records = {"air_count": 500, "water_count": 3500, "count_per_k": -0.8}
        made = {"hardware": "P1", "made_on": date(2019, 6, 1)}
        place = {"texture": "loam", "valid_from": since}
        return RegistryState(
            sites=(
                SiteRow(site="North field", customer="c", latitude_deg=1, longitude_deg=2, time_zone="UTC"),
                SiteRow(site="Pear orchard", customer="c", latitude_deg=1, longitude_deg=2, time_zone="UTC"),
            ),
            probes=(
                ProbeRow(dev_eui=self.BARLEY, serial="S-0001", **made, **records),
                ProbeRow(dev_eui=self.PEARS, serial="S-0002", **made, **records),
                ProbeRow(dev_eui=self.PROFILE, serial="S-0004", **made),
            ),
            placements=(
                PlacementRow(
                    dev_eui=self.BARLEY, depth_index=0, site="North field", label="barley 1", depth_cm=10, **place
                ),
                PlacementRow(
                    dev_eui=self.PEARS, depth_index=0, site="Pear orchard", label="row 7", depth_cm=20, **place
                ),
                *(
                    PlacementRow(
                        dev_eui=self.PROFILE,
                        depth_index=depth,
                        site="Pear orchard",
                        label="row 9",
                        depth_cm=15 * (depth + 1),
                        **place,
                    )
                    for depth in range(2)
                ),
            ),
            curves=(
                Curve(
                    id="p1-bench",
                    step="transducer",
                    kind="polynomial",
                    coefficients=(1, 30, 49),
                    domain=(0, 1),
                    applies_to="P1",
                    valid_from=since,
                    source="an invented bench record",
                ),
                Curve(id="topp-1980", step="soil", kind="topp1980", domain=(1.8, 81), valid_from=since),
            ),
        )

    def make(self, *batches: Iterable[Uplink | bytes], registry: RegistryState | None = None) -> Path:
        """Return a new store that the writer filled, a commit a batch; bytes are messages as they came."""
        path = self.folder / f"store{next(self._numbers)}.duckdb"
        with Store.open(path, create=True) as store:
            save_state(store, self.registry() if registry is None else registry, "test")
            writer = Writer(store, builtin_codecs())
            for batch in batches:
                messages = [
                    read_canonical(told, "test topic") if isinstance(told, bytes) else self.accepted(told)
                    for told in batch
                ]
                writer.commit(messages, self.START + timedelta(days=90))
        return path

    def accepted(self, uplink: Uplink) -> Accepted:
        """Return an uplink as a way in hands it to the writer."""
        return Accepted(uplink, b"{}")

    def uplink(self, dev_eui: str, payload: bytes | str, heard_at: datetime, fcnt: int = 1, **more: Any) -> Uplink:
        """Return one uplink heard by one gateway, unless `more` says otherwise."""
        told = {
            "dev_addr": "01020304",
            "fport": 10,
            "spreading_factor": 9,
            "frequency_hz": 868_100_000,
            "bandwidth_hz": 125_000,
            "coding_rate": "4/5",
            "receptions": (Reception(gateway="gw-a", rssi_dbm=-101.5, snr_db=-2.25),),
        }
        payload_hex = payload if isinstance(payload, str) else payload.hex()
        return Uplink(dev_eui=dev_eui, payload_hex=payload_hex, heard_at=heard_at, fcnt=fcnt, **{**told, **more})

    def v1(self, dev_eui: str, hour: int, moisture_count: int | None, degc: float | None = 15.0, **more: Any) -> Uplink:
        """Return an uplink of payload version 1, `hour` hours after START."""
        payload = (
            builtin_codecs()
            .by_name("measurement-v1")
            .build(
                {"supply_v": 3.6, "firmware": "2.5", "sample_counter": hour % 65536},
                [{"moisture_count": moisture_count, "soil_temperature_degc": degc}],
            )
        )
        return self.uplink(dev_eui, payload, self.START + timedelta(hours=hour), **{"fcnt": hour + 1, **more})

    def v4(
        self, dev_eui: str, hour: int, permittivities: list[float | None], degc: float = 12.5, **more: Any
    ) -> Uplink:
        """Return an uplink of payload version 4, `hour` hours after START."""
        payload = (
            builtin_codecs()
            .by_name("measurement-v4")
            .build(
                {"supply_v": 3.601, "firmware": "5.2", "sample_counter": hour, "tilted": 0, "supply_low": 0},
                [{"permittivity": told, "soil_temperature_degc": degc} for told in permittivities],
            )
        )
        return self.uplink(dev_eui, payload, self.START + timedelta(hours=hour), **{"fcnt": hour + 1, **more})

    def season(self) -> list[Uplink]:
        """Return five days: a drying field with a spike, an orchard with faults and frost, a profile, a stranger."""
        told = []
        for hour in range(120):
            if hour % 17 != 5:
                told.append(self.v1(self.BARLEY, hour, 1900 - hour + (400 if hour == 50 else 0), 15 + hour % 24 / 4))
            count_ = None if hour in (30, 31) else 1500 + hour % 3
            told.append(self.v1(self.PEARS, hour, count_, None if hour == 40 else 6.0 - hour / 12))
            told.append(self.v4(self.PROFILE, hour, [12.34 + hour % 5 / 10, 95.0 if hour == 60 else 20.5]))
            if hour % 8 == 0:
                told.append(self.v1("02BB0000000000FF", hour, 1700))
        return told


@pytest.fixture
def stores(tmp_path: Path) -> Stores:
    """Yield a maker of stores in this test's own folder."""
    return Stores(tmp_path)


@pytest.fixture(scope="session")
def season_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store of `Stores.season`, made once: for reading only."""
    maker = Stores(tmp_path_factory.mktemp("season"))
    return maker.make(maker.season())


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """Run the demo once, for two seconds of live time; return its folder and the summary it printed: copy to write."""

    def run(folder: Path) -> None:
        program = Path(sys.executable).with_name("loamline")
        done = subprocess.run(
            [str(program), "demo", "--for", "2", "--dir", str(folder / "it"), "--json"],
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
        assert done.returncode == 0, done.stderr
        (folder / "summary.json").write_text(done.stdout)

    made = once_for_all(tmp_path_factory, "demo", run)
    return made / "it", json.loads((made / "summary.json").read_text())


@pytest.fixture
def loamline() -> Callable[..., Any]:
    """Return a function that runs the command line in this process, in a wide terminal's worth of columns."""

    def run(*arguments: object) -> Any:
        return CliRunner().invoke(app, [str(argument) for argument in arguments], env={"COLUMNS": "250"})

    return run


@pytest.fixture(params=["in memory", "in the store"], scope="module")
def where_the_newest_days_stand(request: pytest.FixtureRequest) -> Iterator[None]:
    """Run everything twice: a commit asks the writer's memory, and the store where the fleet is too large for that."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "in the store":
            patch.setattr(tail_keeping, "MOST_BYTES", 0)
        yield
