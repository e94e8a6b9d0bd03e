"""The daemon's ways in, as its settings tell them: brokers and the webhook, all before one queue."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from pathlib import Path

from pydantic import SecretStr
from structlog.typing import FilteringBoundLogger

from loamline.app.envelopes import reader_of
from loamline.app.output import CommandError
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.kinds import recorded_kind
from loamline.edges.inbox import QUEUE_BYTES, Inbox
from loamline.edges.intake import Intake, Source
from loamline.edges.mqtt import Subscriber
from loamline.edges.mqtt_window import window
from loamline.edges.secret_file import SecretFileError, read_secret_lines
from loamline.edges.topic_dev_eui import agreeing_with_topic
from loamline.edges.webhook_signature import Guard, SecretError, parse_secret, parse_token
from loamline_schemas.settings import BrokerSettings, Settings, WebhookSettings

CANONICAL = "canonical"


def ways_in(settings: Settings, *, store_away: threading.Event, log: FilteringBoundLogger) -> Intake:
    """Return what the daemon takes messages from. Raises CommandError where a file that is named can't be used."""
    batch, brokers = settings.batch, settings.all_brokers
    inbox = Inbox(
        messages=batch.queue_messages,
        size_bytes=QUEUE_BYTES,
        ripe=batch.messages,
        windows={broker.name: window(broker, batch) for broker in brokers},
    )
    sources: list[Source] = [
        Subscriber(broker=broker, batch=batch, log=log, inbox=inbox, reader=_broker_reader(broker, settings))
        for broker in brokers
    ]
    if settings.webhook is not None:
        sources.append(_webhook(settings.webhook, settings, inbox=inbox, store_away=store_away, log=log))
    return Intake(sources, inbox=inbox, batch=batch)


def _webhook(
    webhook: WebhookSettings,
    settings: Settings,
    *,
    inbox: Inbox,
    store_away: threading.Event,
    log: FilteringBoundLogger,
) -> Source:
    # An HTTP server takes long to load, and every command would wait for it.
    from loamline.edges.webhook import Webhook  # noqa: PLC0415
    from loamline.edges.webhook_app import uplinks_door  # noqa: PLC0415
    from loamline.edges.webhook_ts002 import ts002_door  # noqa: PLC0415

    doors = [
        uplinks_door(_reader(webhook.envelope, settings), canonical=webhook.envelope == CANONICAL),
        ts002_door(_reader("ts002", settings)),
    ]
    return Webhook(settings=webhook, guard=_guard(webhook), doors=doors, inbox=inbox, store_away=store_away, log=log)


def _broker_reader(broker: BrokerSettings, settings: Settings) -> EnvelopeReader:
    reader = _reader(broker.envelope, settings)
    if broker.dev_eui_level is None:
        return reader
    return agreeing_with_topic(reader, broker.dev_eui_level, recorded_kind(broker.envelope, broker.dev_eui_level))


def _reader(kind: str, settings: Settings) -> EnvelopeReader:
    keys, key_encryption_key = settings.keys_file, settings.key_encryption_key_file
    return reader_of(kind, maps=settings.maps_dir, keys=keys, key_encryption_key=key_encryption_key)


def _guard(webhook: WebhookSettings) -> Guard:
    return Guard(
        secrets=tuple(_told("secrets", webhook.secrets, webhook.secrets_file, parse_secret)),
        tokens=tuple(_told("token", (webhook.token,) if webhook.token else (), webhook.token_file, parse_token)),
        tolerance_s=webhook.tolerance_s,
    )


def _told(name: str, told: Iterable[SecretStr], path: Path | None, parse: Callable[[str], bytes]) -> Iterable[bytes]:
    try:
        lines = read_secret_lines(path) if path else [secret.get_secret_value() for secret in told]
        return [parse(line) for line in lines]
    except (SecretFileError, SecretError) as problem:
        raise CommandError(f"webhook.{name}{'_file' if path else ''}: {problem}", 2) from None
