"""`loamline demo`: the whole way from payload bytes to verdicts, with nothing to install."""

from __future__ import annotations

import webbrowser
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Group
from rich.live import Live
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.text import Text

from loamline.app.demo.display import sites_table
from loamline.app.demo.registry_folder import write_registry_folder
from loamline.app.demo.show import Daemon, live, publish_history
from loamline.app.demo.uplinks import Simulation
from loamline.app.output import CommandError, console, errors, print_json, rfc3339
from loamline.edges.api import ApiError
from loamline.edges.embedded_broker import EmbeddedBroker, EmbeddedBrokerError
from loamline.edges.publisher import Publisher
from loamline.edges.registry_folder import read_registry
from loamline.edges.store.connection import Store, StoreError
from loamline.edges.store.registry import save_state
from loamline_schemas.verdicts import Verdict

#: Simulated seconds a second: an hour passes in a second.
SPEED = 3600.0
#: Where the pages are unless another port is asked for; where that is taken, any free one.
PORT = 8461


def demo(
    for_s: Annotated[
        float | None, typer.Option("--for", help="end by itself after so many seconds of live time", min=0)
    ] = None,
    folder: Annotated[Path, typer.Option("--dir", help="where the demo's registry and store go")] = Path(
        "loamline-demo"
    ),
    speed: Annotated[float, typer.Option(help="simulated seconds a second", min=1)] = SPEED,
    seed: Annotated[int, typer.Option(help="another weather, another noise")] = 1,
    port: Annotated[
        int | None, typer.Option(help=f"port of the pages; {PORT} or a free one without it", min=0, max=65_535)
    ] = None,
    opens: Annotated[bool, typer.Option("--open", help="show the pages in a browser")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="print the summary as one JSON object")] = False,
) -> None:
    """Run an embedded broker, a simulated fleet and the daemon, and show what comes out, as pages too.

    Sixty days of history come first, through the broker, the daemon and the store; then the fleet lives on at an
    accelerated clock until Ctrl-C. Its pages are served to this machine meanwhile, without a key; their address is
    printed. Growers, places and figures are invented.

    Example: loamline demo --for 20
    """
    # Loading these takes long, and every command would wait for it.
    from loamline.app.demo.pages import serving_pages  # noqa: PLC0415
    from loamline.app.serving import Lending  # noqa: PLC0415

    simulation = Simulation(seed)
    store = _prepare(folder, simulation)
    clock, lending = _Clock(simulation.history_start), Lending()
    try:
        with (
            EmbeddedBroker() as broker,
            Daemon(store, broker, (lending,)) as daemon,
            Publisher(host=broker.host, port=broker.port) as publisher,
            serving_pages(lending.reader, lambda: clock.now, *((PORT, 0) if port is None else (port,))) as address,
        ):
            errors.print(f"pages: {address}", soft_wrap=True, markup=False)
            daemon.wait_until_read(_history(simulation, publisher, clock))
            if opens:
                webbrowser.open(address)
            _live(simulation, publisher, daemon, speed, for_s, clock, address)
    except (EmbeddedBrokerError, ApiError, RuntimeError) as problem:
        raise CommandError(str(problem)) from problem
    _summary(store, clock.now, as_json)


@dataclass
class _Clock:
    """How far the simulation is."""

    now: datetime


def _prepare(folder: Path, simulation: Simulation) -> Path:
    """Return the path of a fresh store that holds the demo's registry."""
    registry, store = folder / "registry", folder / "demo.duckdb"
    registry.mkdir(parents=True, exist_ok=True)
    for former in folder.glob("demo.duckdb*"):
        former.unlink()
    write_registry_folder(registry, history_end=simulation.history_end)
    state, faults = read_registry(registry)
    if state is None:
        raise CommandError("expected a registry without faults, got\n" + "\n".join(str(fault) for fault in faults))
    try:
        with Store.open(store, create=True) as opened:
            save_state(opened, state, "the demo's registry")
    except StoreError as problem:
        raise CommandError(str(problem)) from problem
    return store


def _history(simulation: Simulation, publisher: Publisher, clock: _Clock) -> int:
    days = (simulation.history_end - simulation.history_start) / timedelta(days=1)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:.0f} of {task.total:.0f} days"),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    total = 0
    with Progress(*columns, console=errors) as progress:
        task = progress.add_task("history through the broker", total=days)
        for reached, sent in publish_history(simulation, publisher):
            progress.update(task, completed=(reached - simulation.history_start) / timedelta(days=1))
            total, clock.now = sent, reached
        progress.update(task, completed=days)
    return total


def _live(
    simulation: Simulation,
    publisher: Publisher,
    daemon: Daemon,
    speed: float,
    seconds: float | None,
    clock: _Clock,
    address: str,
) -> None:
    clock.now = simulation.history_end
    try:
        with Live(console=errors, auto_refresh=False, transient=False) as shown:
            for clock.now in live(simulation, publisher, speed, seconds):
                told = sites_table(daemon.look(), daemon.totals, rfc3339(clock.now.replace(microsecond=0)))
                shown.update(Group(told, Text(f"pages: {address}   Ctrl-C ends it")), refresh=True)
    except KeyboardInterrupt:
        errors.print("stopping: what was published is still being stored")


def _summary(path: Path, now: datetime, as_json: bool) -> None:
    with Store.open(path, writable=False) as store:
        verdicts = dict(
            store.con.execute("SELECT verdict_flag, count(*) FROM reading GROUP BY 1 ORDER BY 1").fetchall()
        )
        told: dict[str, Any] = {
            "store": str(path),
            "registry": str(path.parent / "registry"),
            "simulated_until": rfc3339(now.replace(microsecond=0)),
            "uplinks": store.scalar(f"SELECT count(*) FROM {store.raw_log()}"),  # noqa: S608 - our own names
            "probes": store.scalar("SELECT count(*) FROM probe_identity"),
            "readings": store.scalar("SELECT count(*) FROM reading"),
            "set_aside": store.scalar("SELECT count(*) FROM set_aside"),
            "verdicts": {Verdict(flag).word: number for flag, number in verdicts.items()},
        }
    if as_json:
        print_json(told)
        return
    counts = ", ".join(f"{number} {word.replace('_', ' ')}" for word, number in told["verdicts"].items())
    console.print(f"\n{told['uplinks']} uplinks of {told['probes']} probes gave {told['readings']} readings: {counts}.")
    console.print(f"The store is {path}; the registry that it was given is {told['registry']}. Try next:\n")
    week_ago = rfc3339((now - timedelta(days=7)).replace(microsecond=0))
    for command in (
        f"serve --store {path}",
        f"fleet --store {path} --as-of {told['simulated_until']}",
        f"explain 02A7C40000000101 {week_ago} --store {path}",
        f"export --store {path} --format xlsx --out last-week.xlsx --since {week_ago}",
        f'profile --store {path} --site "Vindelow Slope" --since {week_ago}',
        "codec dissect --port 10 01073A05DCA025002A",
    ):
        console.print(f"  loamline {command}", soft_wrap=True, markup=False)
    curves = path.parent / "registry" / "curves.toml"
    console.print(
        f"\nTo see history recomputed, change a curve in {curves} and run\n"
        f"  loamline registry load {curves.parent} --store {path} && loamline replay preview --store {path}",
        soft_wrap=True,
        markup=False,
    )
    console.print(
        "\nEvery figure is an estimate with an uncertainty, and no substitute for local advice, codes and practice."
    )
