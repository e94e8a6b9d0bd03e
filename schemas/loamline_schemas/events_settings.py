"""Where the daemon sends word of problems that begin and end: a webhook or an MQTT topic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class EventBrokerSettings(_Part):
    """An MQTT 5 broker and topic that events are published to, with QoS 1."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    topic: Annotated[str, Field(min_length=1, description="one topic, no filter")] = "loamline/events"
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "loamline-events"
    username: str | None = None
    password: SecretStr | None = None
    password_file: Annotated[Path | None, Field(description="holds the password; readable by its owner alone")] = None
    ca_file: Annotated[Path | None, Field(description="turns TLS on: certificate authorities to trust")] = None
    certificate_file: Path | None = None
    key_file: Path | None = None

    @field_validator("topic")
    @classmethod
    def _one_topic(cls, topic: str) -> str:
        if "+" in topic or "#" in topic:
            raise ValueError("expected a topic without + and #, which only a subscription may have")
        return topic

    @model_validator(mode="after")
    def _coherent_broker(self) -> Self:
        if self.password is not None and self.password_file is not None:
            raise ValueError("expected one of password and password_file, got password and password_file")
        for name in ("password", "password_file"):
            if getattr(self, name) is not None and self.username is None:
                raise ValueError(f"expected username beside {name}, got none")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("expected certificate_file and key_file both or neither, got one of them")
        if self.certificate_file is not None and self.ca_file is None:
            raise ValueError("expected ca_file beside certificate_file, got none")
        return self


class ReceiverSettings(_Part):
    """A webhook or an MQTT topic that the daemon sends to."""

    url: Annotated[
        str | None, Field(description="the webhook's; everything is posted there, redirects are not followed")
    ] = None
    secret: Annotated[
        SecretStr | None, Field(description="whsec_...: signs every post by the Standard Webhooks headers")
    ] = None
    secret_file: Annotated[Path | None, Field(description="holds the secret; readable by its owner alone")] = None
    mqtt: Annotated[EventBrokerSettings | None, Field(description="a broker in place of a webhook")] = None
    timeout_s: Annotated[float, Field(gt=0, le=300, description="for the receiver to answer")] = 10
    longest_pause_s: Annotated[float, Field(gt=0, le=86_400, description="between two attempts")] = 300

    @field_validator("url")
    @classmethod
    def _web(cls, url: str | None) -> str | None:
        if url is not None:
            try:
                parts = urlsplit(url)
                usable = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port or 1) > 0
            except ValueError:
                usable = False
            if not usable or parts.username is not None or parts.fragment or not url.isascii() or " " in url:
                raise ValueError("expected http:// or https://, a host and a path, without user and fragment")
        return url

    @model_validator(mode="after")
    def _coherent_receiver(self) -> Self:
        if self.url is not None and self.mqtt is not None:
            raise ValueError("expected one of url and mqtt, got url and mqtt")
        if self.secret is not None and self.secret_file is not None:
            raise ValueError("expected one of secret and secret_file, got secret and secret_file")
        for name in ("secret", "secret_file"):
            if getattr(self, name) is not None and self.url is None:
                raise ValueError(f"expected url beside {name}, got none")
        return self


class EventsSettings(ReceiverSettings):
    """Events are CloudEvents 1.0 in the JSON format, once a problem's onset and once its end; at least once each."""

    source: Annotated[
        str, Field(min_length=1, pattern=r"^[!-~]+$", description="CloudEvents source: which installation tells")
    ] = "/loamline"
    settle_minutes: Annotated[
        float, Field(ge=0, le=1440, description="after a start, until silence is told: what waited comes first")
    ] = 10
