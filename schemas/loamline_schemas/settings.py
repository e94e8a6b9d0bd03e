"""What the ingest daemon can be told, as its TOML file declares it; no default loses a message."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

_ENVELOPE = "how messages are read: canonical, ts002, phypayload, a map's TOML file, or its name in maps_dir"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    def _only_one(self, *names: str) -> None:
        """Raise ValueError where several of the settings `names` are told, of which one says all."""
        told = [name for name in names if getattr(self, name)]
        if len(told) > 1:
            raise ValueError(f"expected one of {' and '.join(names)}, got {' and '.join(told)}")


class BrokerSettings(_Section):
    """An MQTT broker and how the daemon subscribes to it."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    protocol: Annotated[
        Literal["5", "3.1.1"], Field(description="MQTT version; 3.1.1 is meant for the demo's embedded broker")
    ] = "5"
    topics: Annotated[
        tuple[str, ...], Field(min_length=1, description="topic filters; none may be shared ($share)")
    ] = ("loamline/uplinks/#",)
    envelope: Annotated[str, Field(min_length=1, description=_ENVELOPE)] = "canonical"
    dev_eui_level: Annotated[
        int | None,
        Field(ge=1, le=64, description="the topic level, from 1, that holds the DevEUI; the payload must agree"),
    ] = None
    client_id: Annotated[
        str, Field(min_length=1, max_length=64, description="stable: the broker keeps the session under it")
    ] = "loamline-ingest"
    username: str | None = None
    password: SecretStr | None = None
    password_file: Annotated[Path | None, Field(description="holds the password; readable by its owner alone")] = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    session_expiry_days: Annotated[int, Field(ge=1, le=365)] = 14
    ca_file: Annotated[Path | None, Field(description="turns TLS on: certificate authorities to trust")] = None
    certificate_file: Path | None = None
    key_file: Path | None = None

    @property
    def name(self) -> str:
        """What tells this way in from every other."""
        return f"mqtt {self.host}:{self.port} as {self.client_id}"

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        for topic in self.topics:
            if topic.startswith("$share/"):
                raise ValueError(
                    f"expected a topic filter of its own, got {topic}: a dead member of a share keeps its part"
                )
            self._has_the_level(topic.split("/"))
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("expected certificate_file and key_file both or neither, got one of them")
        if self.certificate_file is not None and self.ca_file is None:
            raise ValueError("expected ca_file beside certificate_file, got none")
        self._only_one("password", "password_file")
        for name in ("password", "password_file"):
            if getattr(self, name) is not None and self.username is None:
                raise ValueError(f"expected username beside {name}, got none")
        return self

    def _has_the_level(self, levels: list[str]) -> None:
        if self.dev_eui_level is not None and levels[-1] != "#" and len(levels) < self.dev_eui_level:
            raise ValueError(
                f"expected topics with at least the {self.dev_eui_level} levels of dev_eui_level, "
                f"got {'/'.join(levels)} with {len(levels)}"
            )


class WebhookSettings(_Section):
    """The daemon's way in over HTTP; without a secret or token it listens to this machine alone."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="0: any free one, told in the log")] = 8420
    envelope: Annotated[str, Field(min_length=1, description=_ENVELOPE)] = "canonical"
    secrets: Annotated[
        tuple[SecretStr, ...], Field(max_length=8, description="signing secrets, whsec_...: the new beside the old")
    ] = ()
    secrets_file: Annotated[Path | None, Field(description="a secret a line; readable by its owner alone")] = None
    token: SecretStr | None = None
    token_file: Annotated[Path | None, Field(description="a bearer token a line; readable by its owner alone")] = None
    tolerance_s: Annotated[int, Field(ge=1, le=86_400, description="how far a signature's time may lie off ours")] = 300
    most_bytes: Annotated[int, Field(ge=1, le=64 * 1024 * 1024, description="of one request's body")] = 1024 * 1024
    most_connections: Annotated[int, Field(ge=1, le=10_000)] = 128
    request_timeout_s: Annotated[float, Field(gt=0, le=3600, description="for a request to be there as a whole")] = 10
    keep_alive_s: Annotated[int, Field(ge=1, le=3600, description="for the next request of a connection to begin")] = 30
    commit_timeout_s: Annotated[
        float, Field(gt=0, le=3600, description="for the commit, before the answer is 503; senders wait 15 to 30 s")
    ] = 10

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        self._only_one("secrets", "secrets_file")
        self._only_one("token", "token_file")
        if not (self.guarded or _is_this_machine(self.host)):
            raise ValueError(
                f"expected secrets_file, secrets, token_file or token beside host {self.host}, which other machines "
                "can reach, got none of them"
            )
        return self

    @property
    def guarded(self) -> bool:
        """Whether a caller has to prove something."""
        return bool(self.secrets or self.secrets_file or self.token or self.token_file)


def _is_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class BatchSettings(_Section):
    """When a micro-batch is committed: at so many messages or so many milliseconds after its first."""

    messages: Annotated[int, Field(ge=1, le=100_000)] = 500
    milliseconds: Annotated[int, Field(ge=1, le=60_000)] = 50
    queue_messages: Annotated[int, Field(ge=1, le=1_000_000, description="bound of the queue before the writer")] = (
        20_000
    )


class Settings(_Section):
    """The daemon's whole settings."""

    store: Annotated[Path, Field(description="the DuckDB file")] = Path("loamline.duckdb")
    broker: Annotated[BrokerSettings, Field(description="the one broker; several are told as brokers")] = (
        BrokerSettings()
    )
    brokers: tuple[BrokerSettings, ...] = ()
    webhook: Annotated[WebhookSettings | None, Field(description="told, uplinks are taken over HTTP, too")] = None
    batch: BatchSettings = BatchSettings()
    codec_dirs: Annotated[
        tuple[Path, ...], Field(description="folders of private codecs, read beside the built-in ones")
    ] = ()
    maps_dir: Annotated[Path | None, Field(description="folder of envelope maps")] = None
    keys_file: Annotated[Path | None, Field(description="the probes' LoRaWAN keys")] = None
    key_encryption_key_file: Annotated[Path | None, Field(description="what wraps the keys in keys_file")] = None
    log_format: Literal["console", "json"] = "console"

    @property
    def all_brokers(self) -> tuple[BrokerSettings, ...]:
        """Every broker to subscribe to: those told; none where only the webhook is told; else the default one."""
        if self.brokers or (self.webhook is not None and "broker" not in self.model_fields_set):
            return self.brokers
        return (self.broker,)

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        if self.brokers and "broker" in self.model_fields_set:
            raise ValueError("expected either broker or brokers, got both")
        if self.key_encryption_key_file is not None and self.keys_file is None:
            raise ValueError("expected keys_file beside key_encryption_key_file, got none")
        first: dict[str, int] = {}
        for number, broker in enumerate(self.brokers):
            earlier = first.setdefault(broker.name, number)
            if earlier != number:
                raise ValueError(
                    f"expected another client_id in each of the brokers at {broker.host}:{broker.port}, got "
                    f"{broker.client_id} in brokers.{earlier} and brokers.{number}: they would hang up on each other"
                )
        return self
