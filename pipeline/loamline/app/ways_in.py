"""The daemon's ways in, as its settings tell them: brokers and the webhook, all before one queue."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from pathlib import Path

from pydantic import SecretStr
from structlog.typing import FilteringBoundLogger

from loamline.app.output import CommandError
from loamline.app.readers import TS002, Readers
from loamline.edges.disk_reserve import DiskReserve
from loamline.edges.inbox import QUEUE_BYTES, Inbox
from loamline.edges.intake import Intake, Source
from loamline.edges.mqtt import Subscriber
from loamline.edges.mqtt_canary import Canary
from loamline.edges.mqtt_filters import KnownFilters, filters_path
from loamline.edges.mqtt_window import window
from loamline.edges.secret_file import SecretFileError, read_secret_lines
from loamline.edges.webhook_signature import Guard, SecretError, parse_secret, parse_token
from loamline_schemas.settings import Settings, WebhookSettings

CANONICAL = "canonical"


def ways_in(
    settings: Settings, *, store_away: threading.Event, log: FilteringBoundLogger, readers: Readers | None = None
) -> Intake:
    """Return what the daemon takes messages from. Raises CommandError where a file that is named can't be used."""
    readers = readers or Readers(settings)
    batch, brokers = settings.batch, settings.all_brokers
    inbox = Inbox(
        messages=batch.queue_messages,
        size_bytes=QUEUE_BYTES,
        ripe=batch.messages,
        windows={broker.name: window(broker, batch) for broker in brokers},
    )
    filters = KnownFilters(filters_path(settings.store))
    sources: list[Source] = [
        Subscriber(
            broker=broker,
            batch=batch,
            log=log,
            inbox=inbox,
            reader=readers.of_broker(broker),
            canary=Canary(settings.watch, broker.client_id) if settings.watch.canary_every_s else None,
            filters=filters,
        )
        for broker in brokers
    ]
    if settings.webhook is not None:
        sources.append(_webhook(settings.webhook, readers, inbox=inbox, store_away=store_away, log=log))
    reserve = DiskReserve(settings.store.absolute().parent, settings.watch.reserve_mb, log)
    return Intake(sources, inbox=inbox, batch=batch, reserve=reserve)


def _webhook(
    webhook: WebhookSettings,
    readers: Readers,
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
        uplinks_door(readers.of(webhook.envelope), canonical=webhook.envelope == CANONICAL),
        ts002_door(readers.of(TS002)),
    ]
    return Webhook(settings=webhook, guard=_guard(webhook), doors=doors, inbox=inbox, store_away=store_away, log=log)


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
