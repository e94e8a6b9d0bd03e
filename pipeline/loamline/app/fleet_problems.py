"""What is wrong in a fleet, for `loamline fleet --problems`: asked of the daemon, or found out in a store that is free.

A store that is free was noted by no daemon of late, or never: then everything is looked at, and the notes give only
since when.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from loamline.app.instants import ago, instant
from loamline.app.opening import daemon_of, open_store
from loamline.app.output import CommandError, console, print_json, rfc3339
from loamline.app.replaying import ReplayError
from loamline.app.text import plain
from loamline.edges.control import ControlError
from loamline.edges.store.connection import Store
from loamline.edges.store.names import UnknownNameError, find_site
from loamline.edges.store.problem_report import problem_report, problems_at


def show_problems(path: Path, site: str | None, *, as_json: bool) -> None:
    """Print the problems in force. Raises CommandError."""
    now = datetime.now(UTC)
    told = _asked(path, site, now)
    if as_json:
        print_json(told)
        return
    console.print(_table(told["problems"], now))
    console.print(f"{len(told['problems'])} problems; as of {rfc3339(now.replace(microsecond=0))}")
    for line in _about_events(told["events"], now):
        console.print(line)


def _asked(path: Path, site: str | None, now: datetime) -> dict[str, Any]:
    client = daemon_of(path)
    if client is not None:
        with client:
            try:
                told: dict[str, Any] = client.answer("problems", site=site)
            except ControlError as problem:
                raise CommandError(str(problem)) from problem
        return told
    with open_store(path) as store:
        try:
            wanted = None if site is None else find_site(store, site)
        except UnknownNameError as problem:
            raise CommandError(str(problem)) from problem
        return problem_report(store, problems_at(store, now), site=wanted)


def noted_problems(store: Store, site: str | None) -> dict[str, Any]:
    """Return what the daemon has noted, as it answers with it. Raises ReplayError where there is no such site."""
    try:
        return problem_report(store, site=None if site is None else find_site(store, site))
    except UnknownNameError as problem:
        raise ReplayError(str(problem)) from None


def _table(problems: list[dict[str, Any]], now: datetime) -> Table:
    table = Table(title="problems", header_style="bold", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for name in ("problem", "of", "at", "since (UTC)", "figures", "what to do"):
        table.add_column(name, overflow="fold", no_wrap=name == "since (UTC)")
    for one in problems:
        since = _time(one["since"])
        of = one["subject"].removeprefix("probe/")
        table.add_row(
            plain(one["kind"], "red"),
            Text("\n").join(plain(name) for name in (one["serial"], of) if name),
            plain(", ".join(place for place in (one["site"], one["label"]) if place)),
            f"{rfc3339(since.replace(microsecond=0))}\n{ago(now - since)}",
            plain(one["detail"]),
            plain(one["what_to_do"]),
        )
    return table


def _about_events(events: dict[str, Any], now: datetime) -> list[Text]:
    receiver, waiting = events["receiver"], events["events_waiting"]
    lines = []
    if receiver is not None and receiver["failing_since"] is not None:
        since = ago(now - _time(receiver["failing_since"]))
        lines.append(
            plain(f"Events can't be sent since {since}: {receiver['last_error']}. They are kept and sent again.", "red")
        )
    if waiting:
        lines.append(plain(f"{waiting} events wait, the oldest since {ago(now - _time(events['oldest_made_at']))}."))
    return lines


def _time(told: datetime | str) -> datetime:
    return instant(told) if isinstance(told, str) else told
