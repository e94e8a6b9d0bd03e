"""`loamline ingest`: the daemon that stores what an MQTT broker delivers."""

from __future__ import annotations

import signal
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import duckdb
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.ingest import Ingest, make_log
from loamline.app.output import CommandError
from loamline.app.settings import load_settings
from loamline.edges.control import ControlServer, socket_path
from loamline.edges.mqtt import MqttError, Subscriber
from loamline.edges.store.connection import StoreError


class MqttVersion(StrEnum):
    """MQTT versions."""

    FIVE = "5"
    THREE = "3.1.1"


class LogFormat(StrEnum):
    """How log lines look."""

    CONSOLE = "console"
    JSON = "json"


def ingest(
    config: Annotated[Path | None, typer.Option(help="TOML file of settings; flags and environment beat it")] = None,
    store: Annotated[Path | None, typer.Option(help="the DuckDB file; made where there is none")] = None,
    host: Annotated[str | None, typer.Option(help="the MQTT broker")] = None,
    port: Annotated[int | None, typer.Option(help="the broker's port")] = None,
    topic: Annotated[list[str] | None, typer.Option(help="topic filter; may be given several times")] = None,
    client_id: Annotated[
        str | None, typer.Option(help="stable: the broker keeps our messages under it while we are away")
    ] = None,
    protocol: Annotated[MqttVersion | None, typer.Option(help="MQTT version")] = None,
    batch_messages: Annotated[int | None, typer.Option(help="commit at so many messages")] = None,
    batch_milliseconds: Annotated[int | None, typer.Option(help="or so long after the first of them")] = None,
    codec_dir: CodecDirOption = None,
    log_format: Annotated[LogFormat | None, typer.Option(help="log lines for people or as JSON")] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="log every commit")] = False,
) -> None:
    """Subscribe to an MQTT broker and store every uplink; acknowledge only what is stored.

    A message holds one canonical uplink (see `loamline schema uplink`) or a JSON list of them. Whatever is no uplink
    is kept, told in the log and acknowledged. `loamline registry load` and `loamline replay` may run meanwhile: they
    have this daemon do the work, through the socket STORE.socket. SIGTERM or Ctrl-C stores what is queued and leaves
    with 0; what the broker still holds comes at the next start, and an unfinished replay goes on then.

    Every setting can stand in the TOML file or the environment (LOAMLINE_STORE, LOAMLINE_BROKER__PASSWORD, ...).

    Example: loamline ingest --store soil.duckdb --host 127.0.0.1 --topic 'loamline/uplinks/#'
    """
    overrides: dict[str, Any] = {
        "store": store,
        "broker": {
            "host": host,
            "port": port,
            "topics": topic or None,
            "client_id": client_id,
            "protocol": protocol and protocol.value,
        },
        "batch": {"messages": batch_messages, "milliseconds": batch_milliseconds},
        "codec_dirs": codec_dir or None,
        "log_format": log_format and log_format.value,
    }
    settings = load_settings(config, overrides)
    log = make_log(settings.log_format, debug=verbose)
    daemon = Ingest(
        store=settings.store,
        codecs=known_codecs(settings.codec_dirs),
        source=Subscriber(broker=settings.broker, batch=settings.batch, log=log),
        log=log,
        requests=ControlServer(socket_path(settings.store), log),
    )
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: daemon.stop())
    try:
        stored_all = daemon.run()
    except (StoreError, MqttError, duckdb.Error) as problem:
        raise CommandError(str(problem).splitlines()[0]) from problem
    if not stored_all:
        raise CommandError("expected to store all that was received, but the store stayed away; the broker keeps it")
