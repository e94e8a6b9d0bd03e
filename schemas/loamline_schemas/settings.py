"""What the ingest daemon can be told, as its TOML file declares it; no default loses a message."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BrokerSettings(_Section):
    """The MQTT broker and how the daemon subscribes to it."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    protocol: Annotated[
        Literal["5", "3.1.1"], Field(description="MQTT version; 3.1.1 is meant for the demo's embedded broker")
    ] = "5"
    topics: Annotated[
        tuple[str, ...], Field(min_length=1, description="topic filters; none may be shared ($share)")
    ] = ("loamline/uplinks/#",)
    client_id: Annotated[
        str, Field(min_length=1, max_length=64, description="stable: the broker keeps the session under it")
    ] = "loamline-ingest"
    username: str | None = None
    password: SecretStr | None = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    session_expiry_days: Annotated[int, Field(ge=1, le=365)] = 14
    ca_file: Annotated[Path | None, Field(description="turns TLS on: certificate authorities to trust")] = None
    certificate_file: Path | None = None
    key_file: Path | None = None

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        for topic in self.topics:
            if topic.startswith("$share/"):
                raise ValueError(
                    f"expected a topic filter of its own, got {topic}: a dead member of a share keeps its part"
                )
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("expected certificate_file and key_file both or neither, got one of them")
        if self.certificate_file is not None and self.ca_file is None:
            raise ValueError("expected ca_file beside certificate_file, got none")
        if self.password is not None and self.username is None:
            raise ValueError("expected username beside password, got none")
        return self


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
    broker: BrokerSettings = BrokerSettings()
    batch: BatchSettings = BatchSettings()
    codec_dirs: Annotated[
        tuple[Path, ...], Field(description="folders of private codecs, read beside the built-in ones")
    ] = ()
    log_format: Literal["console", "json"] = "console"
