"""`loamline ingest`: the daemon that stores what MQTT brokers deliver and what is posted to its webhook."""

from __future__ import annotations

import signal
import threading
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import duckdb
import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.envelopes import KeyEncryptionKeyOption, KeysOption, MapsOption
from loamline.app.feed_tending import FeedTending
from loamline.app.ingest import Ingest, make_log
from loamline.app.life import Life
from loamline.app.mirror_tending import MirrorTending
from loamline.app.output import CommandError
from loamline.app.problem_watch import ProblemWatch
from loamline.app.readers import Readers
from loamline.app.reloading import Reloading
from loamline.app.settings import load_settings
from loamline.app.ways_in import ways_in
from loamline.edges.control import ControlServer, socket_path
from loamline.edges.intake import IntakeError
from loamline.edges.pulse import Pulse
from loamline.edges.right_of_way import share_in_short_turns
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
    username: Annotated[str | None, typer.Option(help="at the broker")] = None,
    password_file: Annotated[Path | None, typer.Option(help="holds the broker's password, mode 0600")] = None,
    envelope: Annotated[
        str | None, typer.Option(help="what the broker's messages are: canonical, ts002, phypayload, or a map")
    ] = None,
    dev_eui_level: Annotated[
        int | None, typer.Option(help="topic level, from 1, that holds the DevEUI; the payload must agree")
    ] = None,
    webhook_port: Annotated[int | None, typer.Option(help="take POST /uplinks on this port, too; 0: any")] = None,
    webhook_host: Annotated[str | None, typer.Option(help="listen there instead of on this machine alone")] = None,
    webhook_envelope: Annotated[str | None, typer.Option(help="what is posted: as for --envelope")] = None,
    webhook_secrets_file: Annotated[
        Path | None, typer.Option(help="signing secrets (whsec_...), one a line, mode 0600")
    ] = None,
    serve_port: Annotated[int | None, typer.Option(help="serve read API and pages on this port, too; 0: any")] = None,
    webhook_token_file: Annotated[Path | None, typer.Option(help="bearer tokens, one a line, mode 0600")] = None,
    maps: MapsOption = None,
    keys: KeysOption = None,
    key_encryption_key: KeyEncryptionKeyOption = None,
    batch_messages: Annotated[int | None, typer.Option(help="commit at so many messages")] = None,
    batch_milliseconds: Annotated[int | None, typer.Option(help="or so long after the first of them")] = None,
    codec_dir: CodecDirOption = None,
    log_format: Annotated[LogFormat | None, typer.Option(help="log lines for people or as JSON")] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="log every commit")] = False,
) -> None:
    """Store every uplink from MQTT brokers and from a webhook; acknowledge only what is stored.

    --webhook-port opens the webhook; told without any of the broker's settings, it is the only way in. Several brokers
    stand in the TOML file, each as a [[brokers]] section instead of the one [broker].

    A message holds one canonical uplink (see `loamline schema uplink`) or a JSON list of them, unless --envelope tells
    otherwise; POST /ts002 takes TS002's XmitDataReq. The webhook answers 2xx for what is stored. Whatever is no uplink
    is kept, told in the log and acknowledged. `loamline registry load` and `loamline replay` may run meanwhile: they
    have this daemon do the work, through the socket STORE.socket. SIGTERM or Ctrl-C stores what is queued and leaves
    with 0; what the broker still holds comes at the next start, and an unfinished replay goes on then.

    --serve-port serves the read API and the pages; `loamline key create` makes the keys that both ask for.

    SIGHUP or `loamline reload` reads registry folder (registry_dir), maps, keys and codecs again, all of it or nothing;
    `loamline status` tells how the daemon is.

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
            "username": username,
            "password_file": password_file,
            "envelope": envelope,
            "dev_eui_level": dev_eui_level,
        },
        "webhook": {
            "port": webhook_port,
            "host": webhook_host,
            "envelope": webhook_envelope,
            "secrets_file": webhook_secrets_file,
            "token_file": webhook_token_file,
        },
        "serve": {"port": serve_port},
        "maps_dir": maps,
        "keys_file": keys,
        "key_encryption_key_file": key_encryption_key,
        "batch": {"messages": batch_messages, "milliseconds": batch_milliseconds},
        "codec_dirs": codec_dir or None,
        "log_format": log_format and log_format.value,
    }
    # Loading these takes long, and every command would wait for it.
    from loamline.app.serving import Lending, serving  # noqa: PLC0415
    from loamline.edges.api import ApiError  # noqa: PLC0415
    from loamline.edges.health_server import HealthServer  # noqa: PLC0415
    from loamline.edges.metrics import Metrics  # noqa: PLC0415

    settings = load_settings(config, overrides)
    share_in_short_turns()
    log = make_log(settings.log_format, debug=verbose)
    store_away = threading.Event()
    codecs, readers = known_codecs(settings.codec_dirs), Readers(settings)
    source = ways_in(settings, store_away=store_away, log=log, readers=readers)
    life = Life(source.state)
    problems, feeds = ProblemWatch(settings.events, log), FeedTending(settings.feeds, log)
    pulse, lending = Pulse(), Lending()
    mirror = MirrorTending(settings.mirror, log, reserve_mb=settings.watch.reserve_mb)
    metrics = Metrics(
        intake=source,
        pulse=pulse,
        store_away=store_away,
        job=lambda: daemon.job,
        mirror=lambda: mirror.state,
    )
    health = None if settings.metrics is None else HealthServer(settings.metrics, metrics, log)
    daemon = Ingest(
        store=settings.store,
        codecs=codecs,
        source=source,
        log=log,
        requests=ControlServer(socket_path(settings.store), log),
        store_away=store_away,
        observers=(life.committed, metrics.committed),
        tenders=(problems, feeds, lending, mirror),
        about=lambda store: {**life.told(store), **problems.told(store), **feeds.told(store), **mirror.told()},
        reloading=Reloading(settings, readers=readers, codecs=codecs, log=log),
        pulse=pulse,
    )
    signal.signal(signal.SIGHUP, lambda *_: daemon.reload())
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: daemon.stop())
    try:
        with ExitStack() as stack:
            if health is not None:
                health.start()
            if (told := settings.serve) is not None:
                served = stack.enter_context(
                    serving(lending.reader, codecs, told.host, told.port, pages=told.pages, log=log)
                )
                log.info("serving what is stored", api=f"{served.url}/api/v1", pages=told.pages)
            stored_all = daemon.run()
    except (StoreError, IntakeError, ApiError, duckdb.Error) as problem:
        raise CommandError(str(problem).splitlines()[0]) from problem
    if not stored_all:
        raise CommandError(
            "expected to store all that was received, but the store stayed away; whoever sent it keeps it"
        )
