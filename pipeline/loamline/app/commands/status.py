"""`loamline status`: how the running daemon is."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from loamline.app.instants import ago
from loamline.app.mirror_tending import mirror_in_words
from loamline.app.opening import daemon_of
from loamline.app.output import CommandError, console, print_json, rfc3339
from loamline.app.settings import load_settings
from loamline.app.text import plain
from loamline.edges.control import ControlError

_MB = 1_000_000


def status(
    config: Annotated[Path | None, typer.Option(help="TOML file of settings; the environment beats it")] = None,
    store: Annotated[Path | None, typer.Option(help="the daemon's DuckDB file, in place of the settings'")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print it as one JSON object")] = False,
) -> None:
    """Show how the daemon is that has the store open: ways in, queue, totals, when it last stored and heard, room.

    Exit 0: one runs; 1: none does.

    Example: loamline status --store soil.duckdb
    """
    path = load_settings(config, {"store": store}).store
    client = daemon_of(path)
    if client is None:
        sentence = f"no daemon has {path} open; `loamline ingest` starts one, `loamline doctor` tells what it needs"
        if as_json:
            print_json({"running": False, "sentence": sentence})
        else:
            console.print(sentence, markup=False, soft_wrap=True)
        raise typer.Exit(1)
    with client:
        try:
            told = client.answer("status")
        except ControlError as problem:
            raise CommandError(str(problem)) from problem
    if "since" not in told:
        raise CommandError("expected a daemon that tells how it is, got an older one; start it anew by this loamline")
    if as_json:
        print_json({"running": True, **told})
        return
    for name, words in _lines(told):
        console.print(plain(f"{name:13} {words}"), soft_wrap=True)


def _lines(told: dict[str, Any]) -> Iterator[tuple[str, str]]:
    yield "daemon", f"process {told['process']}, since {_when(told['since'])}"
    for way in told["ways_in"]:
        yield "way in", f"{way['name']}: {_way_in(way)}"
    yield "queue", f"{told['queued_messages']} messages"
    yield "totals", ", ".join(f"{count} {word.replace('_', ' ')}" for word, count in told["counts"].items())
    yield "last commit", _when(told["last_commit_at"])
    yield "last heard", _when(told["last_heard_at"])
    for feed in told.get("feeds", ()):
        yield "feed", f"{feed['name']}: {_feed(feed)}"
    if (mirror := told.get("mirror")) is not None:
        yield "mirror", mirror_in_words(mirror)
    yield "replay", job_in_words(told)
    if told.get("views_lent"):
        yield "read by", f"{told['views_lent']} of the commands that read beside the daemon"
    held, free = told["store_bytes"] / _MB, told["disk_free_bytes"] / _MB
    yield "store", f"{told['store']}, {held:.1f} MB, schema {told['schema']}, newest uplink {told['last_seq']}"
    yield "disk", f"{free:.0f} MB free of {told['disk_bytes'] / _MB:.0f} MB"


def _way_in(way: dict[str, Any]) -> str:
    if way["kind"] != "mqtt":
        return "listens" if way["open"] else "does not listen"
    words = ["connected" if way["connected"] else "not connected"]
    words += ["subscribed" if way["subscribed"] else "not subscribed"]
    canary = way.get("canary")
    if canary and canary["missing"]:
        words.append("the last canary did not come back")
    elif canary and canary["round_trip_s"] is not None:
        words.append(f"a canary takes {1000 * canary['round_trip_s']:.0f} ms")
    return ", ".join([*words, *([] if way["open"] else ["NOT OPEN: see the daemon's log"])])


def _feed(feed: dict[str, Any]) -> str:
    minutes = feed["behind_s"] / 60
    words = f"{minutes:.0f} minutes behind, {feed['changes_due']} changes due" if feed["waiting"] else "nothing waits"
    words += f", to {feed['receiver']}, last taken {_when(feed['sent_at'])}"
    if feed["failing_since"] is None:
        return words
    return f"{words}; FAILING since {_when(feed['failing_since'])}: {feed['last_error']}"


def job_in_words(told: dict[str, Any]) -> str:
    """Return which long request is at work, how far it is, and how many wait behind it."""
    if told["job"] is None:
        return "none at work"
    job = dict(told["job"])
    name = job.pop("request")
    waiting = f"; {len(told['waiting'])} more wait" if told["waiting"] else ""
    done = ", ".join(f"{word} {value}" for word, value in job.items())
    return f"{name}{': ' + done if done else ''}{waiting}"


def _when(text: str | None) -> str:
    if text is None:
        return "never"
    told = datetime.fromisoformat(text)
    return f"{rfc3339(told.replace(microsecond=0))} ({ago(datetime.now(UTC) - told)})"
