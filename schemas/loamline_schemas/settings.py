"""What the ingest daemon can be told, as its TOML file declares it; no default loses a message."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from loamline_schemas.events_settings import EventsSettings
from loamline_schemas.feed_settings import FeedSettings, contradictions

_ENVELOPE = "how messages are read: canonical, ts002, phypayload, a map's TOML file, or its name in maps_dir"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    def _contradictions(self) -> Iterable[str]:
        """Yield a sentence, with both names, for each two settings of this section that can't both be meant."""
        return ()

    def _only_one(self, *names: str) -> Iterator[str]:
        """Yield a sentence where several of the settings `names` are told, of which one says all."""
        told = [name for name in names if getattr(self, name)]
        if len(told) > 1:
            yield f"expected one of {' and '.join(names)}, got {' and '.join(told)}"

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        told = list(self._contradictions())
        if told:
            raise ValueError("\n".join(told))
        return self


class BrokerSettings(_Section):
    """An MQTT broker and how the daemon subscribes to it."""

    host: Annotated[str, Field(min_length=1, description="name or address of the broker")] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535, description="1883 as a rule, 8883 with TLS")] = 1883
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
    username: Annotated[str | None, Field(description="at the broker")] = None
    password: Annotated[SecretStr | None, Field(description="better told in the environment, or as password_file")] = (
        None
    )
    password_file: Annotated[Path | None, Field(description="holds the password; readable by its owner alone")] = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600, description="of silence, before either side asks")] = 30
    session_expiry_days: Annotated[
        int, Field(ge=1, le=365, description="the broker keeps what comes while we are away so long; MQTT 5 only")
    ] = 14
    ca_file: Annotated[Path | None, Field(description="turns TLS on: certificate authorities to trust, PEM")] = None
    certificate_file: Annotated[Path | None, Field(description="our client certificate, PEM")] = None
    key_file: Annotated[Path | None, Field(description="the client certificate's private key, PEM")] = None

    @property
    def name(self) -> str:
        """What tells this way in from every other."""
        return f"mqtt {self.host}:{self.port} as {self.client_id}"

    def _contradictions(self) -> Iterator[str]:
        for topic in self.topics:
            if topic.startswith("$share/"):
                yield f"expected a topic filter of its own, got {topic}: a dead member of a share keeps its part"
            levels = topic.split("/")
            if self.dev_eui_level is not None and levels[-1] != "#" and len(levels) < self.dev_eui_level:
                yield (
                    f"expected topics with at least the {self.dev_eui_level} levels of dev_eui_level, "
                    f"got {topic} with {len(levels)}"
                )
        if (self.certificate_file is None) != (self.key_file is None):
            yield "expected certificate_file and key_file both or neither, got one of them"
        if self.certificate_file is not None and self.ca_file is None:
            yield "expected ca_file beside certificate_file, got none"
        yield from self._only_one("password", "password_file")
        for name in ("password", "password_file"):
            if getattr(self, name) is not None and self.username is None:
                yield f"expected username beside {name}, got none"
        if self.protocol == "3.1.1" and "session_expiry_days" in self.model_fields_set:
            yield "expected protocol 5 beside session_expiry_days, got 3.1.1, where only the broker decides"


class WebhookSettings(_Section):
    """The daemon's way in over HTTP; without a secret or token it listens to this machine alone."""

    host: Annotated[str, Field(description="address to listen on")] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="0: any free one, told in the log")] = 8420
    envelope: Annotated[str, Field(min_length=1, description=_ENVELOPE)] = "canonical"
    secrets: Annotated[
        tuple[SecretStr, ...], Field(max_length=8, description="signing secrets, whsec_...: the new beside the old")
    ] = ()
    secrets_file: Annotated[Path | None, Field(description="a secret a line; readable by its owner alone")] = None
    token: Annotated[SecretStr | None, Field(description="a bearer token, better told in the environment")] = None
    token_file: Annotated[Path | None, Field(description="a bearer token a line; readable by its owner alone")] = None
    tolerance_s: Annotated[int, Field(ge=1, le=86_400, description="how far a signature's time may lie off ours")] = 300
    most_bytes: Annotated[int, Field(ge=1, le=64 * 1024 * 1024, description="of one request's body")] = 1024 * 1024
    most_connections: Annotated[int, Field(ge=1, le=10_000, description="at once")] = 128
    request_timeout_s: Annotated[float, Field(gt=0, le=3600, description="for a request to be there as a whole")] = 10
    keep_alive_s: Annotated[int, Field(ge=1, le=3600, description="for the next request of a connection to begin")] = 30
    commit_timeout_s: Annotated[
        float, Field(gt=0, le=3600, description="for the commit, before the answer is 503; senders wait 15 to 30 s")
    ] = 10

    def _contradictions(self) -> Iterator[str]:
        yield from self._only_one("secrets", "secrets_file")
        yield from self._only_one("token", "token_file")
        if not (self.guarded or _is_this_machine(self.host)):
            yield (
                f"expected secrets_file, secrets, token_file or token beside host {self.host}, which other machines "
                "can reach, got none of them"
            )

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

    messages: Annotated[int, Field(ge=1, le=100_000, description="at most in one commit")] = 5_000
    milliseconds: Annotated[int, Field(ge=1, le=60_000, description="after the first of them")] = 50
    queue_messages: Annotated[int, Field(ge=1, le=1_000_000, description="bound of the queue before the writer")] = (
        20_000
    )

    def _contradictions(self) -> Iterator[str]:
        both = {"messages", "queue_messages"} <= self.model_fields_set
        if both and self.messages > self.queue_messages:
            yield f"expected messages of at most queue_messages, {self.queue_messages}, got {self.messages}"


class WatchSettings(_Section):
    """How the daemon watches its own way in and its disk."""

    canary_every_s: Annotated[
        float, Field(ge=0, le=3600, description="a message to itself through each broker so often; 0: none")
    ] = 30
    canary_timeout_s: Annotated[
        float, Field(gt=0, le=3600, description="not back by then, the daemon connects again")
    ] = 10
    canary_topic: Annotated[
        str,
        Field(pattern=r"^[^+#$/\x00][^+#\x00]*$", max_length=200, description="the client id follows after a slash"),
    ] = "loamline/canary"
    reserve_mb: Annotated[
        int, Field(ge=0, le=10_000_000, description="of the store's disk; with less of it free nothing is taken")
    ] = 512


class MetricsSettings(_Section):
    """Where the daemon tells how it is: /metrics, /healthz, /readyz. Whoever reaches the port may read them."""

    host: Annotated[str, Field(min_length=1, description="the address to listen on")] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="0: any free one, told in the log")] = 9420


class ServeSettings(_Section):
    """Where the daemon serves what is stored: the read API, and pages to look at. Both ask for a key."""

    host: Annotated[str, Field(min_length=1, description="the address to listen on")] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="0: any free one, told in the log")] = 8460
    pages: Annotated[bool, Field(description="serve the pages beside the API")] = True


class MirrorSettings(_Section):
    """A copy of the readings in Parquet that the daemon keeps up to date, for tools of one's own."""

    folder: Annotated[Path, Field(description="the mirror's, for nothing else; made where there is none")] = Path(
        "mirror"
    )
    every_minutes: Annotated[
        float, Field(ge=1, le=10_080, description="from run to run; longer where a run takes over a fifth of that")
    ] = 60


class Settings(_Section):
    """The daemon's whole settings."""

    store: Annotated[Path, Field(description="the DuckDB file")] = Path("loamline.duckdb")
    broker: Annotated[BrokerSettings, Field(description="the one broker; several are told as brokers")] = (
        BrokerSettings()
    )
    brokers: Annotated[
        tuple[BrokerSettings, ...], Field(description="several brokers, each a [[brokers]] with a client_id of its own")
    ] = ()
    webhook: Annotated[WebhookSettings | None, Field(description="told, uplinks are taken over HTTP, too")] = None
    batch: Annotated[BatchSettings, Field(description="when a micro-batch is committed")] = BatchSettings()
    watch: Annotated[WatchSettings, Field(description="how the daemon watches its ways in and its disk")] = (
        WatchSettings()
    )
    metrics: Annotated[MetricsSettings | None, Field(description="told, metrics and health are served")] = None
    serve: Annotated[ServeSettings | None, Field(description="told, the read API and the pages are served")] = None
    mirror: Annotated[
        MirrorSettings | None, Field(description="told, a copy of the readings in Parquet is kept up to date")
    ] = None
    events: Annotated[
        EventsSettings, Field(description="where word of problems goes that begin and end; by default nowhere")
    ] = EventsSettings()
    feeds: Annotated[
        tuple[FeedSettings, ...], Field(description="where settled readings go on to, each a [[feeds]] with a name")
    ] = ()
    registry_dir: Annotated[
        Path | None, Field(description="the registry folder; loaded at the start and by `loamline reload`")
    ] = None
    codec_dirs: Annotated[
        tuple[Path, ...], Field(description="folders of private codecs, read beside the built-in ones")
    ] = ()
    maps_dir: Annotated[Path | None, Field(description="folder of envelope maps")] = None
    keys_file: Annotated[Path | None, Field(description="the probes' LoRaWAN keys")] = None
    key_encryption_key_file: Annotated[Path | None, Field(description="what wraps the keys in keys_file")] = None
    log_format: Annotated[Literal["console", "json"], Field(description="lines for people, or an object a line")] = (
        "console"
    )

    @property
    def all_brokers(self) -> tuple[BrokerSettings, ...]:
        """Every broker to subscribe to: those told; none where only the webhook is told; else the default one."""
        if self.brokers or (self.webhook is not None and "broker" not in self.model_fields_set):
            return self.brokers
        return (self.broker,)

    def _contradictions(self) -> Iterator[str]:
        if self.brokers and "broker" in self.model_fields_set:
            yield "expected either broker or brokers, got both"
        for broker in self.all_brokers:
            for topic in broker.topics:
                if topic.startswith(f"{self.watch.canary_topic}/"):
                    yield f"expected topics outside watch.canary_topic, {self.watch.canary_topic}, got {topic}"
        if self.key_encryption_key_file is not None and self.keys_file is None:
            yield "expected keys_file beside key_encryption_key_file, got none"
        if self.metrics is not None and self.webhook is not None and self.metrics.port == self.webhook.port != 0:
            yield f"expected different ports in metrics.port and webhook.port, got {self.metrics.port} in both"
        yield from contradictions(self.feeds)
        first: dict[str, int] = {}
        for number, broker in enumerate(self.brokers):
            earlier = first.setdefault(broker.name, number)
            if earlier != number:
                yield (
                    f"expected another client_id in each of the brokers at {broker.host}:{broker.port}, got "
                    f"{broker.client_id} in brokers.{earlier} and brokers.{number}: they would hang up on each other"
                )
