"""Whoever the settings say that events or readings are sent to."""

from __future__ import annotations

import time
from pathlib import Path

from pydantic import SecretStr

from loamline.app.output import CommandError
from loamline.edges.event_receivers import BrokerAccess, Receiver, TopicReceiver, WebhookReceiver
from loamline.edges.secret_file import SecretFileError, read_secret
from loamline.edges.webhook_signature import SecretError, parse_secret
from loamline_schemas.events_settings import EventBrokerSettings, ReceiverSettings


def receiver_of(settings: ReceiverSettings, where: str, media_type: str) -> Receiver | None:
    """Return where the section `where` of the settings sends to; None for nowhere.

    Raises CommandError where a file that is named can't be used.
    """
    if settings.url is not None:
        secret = _secret(f"{where}.secret", settings.secret, settings.secret_file)
        if secret is not None:
            try:
                parse_secret(secret)
            except SecretError as problem:
                raise CommandError(f"{where}.secret{'_file' if settings.secret_file else ''}: {problem}", 2) from None
        return WebhookReceiver(
            settings.url, secret=secret, timeout_s=settings.timeout_s, clock=time.time, media_type=media_type
        )
    return None if settings.mqtt is None else _topic(settings.mqtt, settings.timeout_s, where, media_type)


def _topic(broker: EventBrokerSettings, timeout_s: float, where: str, media_type: str) -> TopicReceiver:
    access = BrokerAccess(
        broker.host,
        broker.port,
        broker.client_id,
        broker.username,
        _secret(f"{where}.mqtt.password", broker.password, broker.password_file),
        broker.ca_file,
        broker.certificate_file,
        broker.key_file,
    )
    return TopicReceiver(access, broker.topic, timeout_s=timeout_s, media_type=media_type)


def _secret(name: str, told: SecretStr | None, path: Path | None) -> str | None:
    try:
        return read_secret(path).strip() if path is not None else told.get_secret_value() if told is not None else None
    except SecretFileError as problem:
        raise CommandError(f"{name}_file: {problem}", 2) from None
